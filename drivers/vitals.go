package drivers

// Celsius is the instrument's temperature in °C, if it said one in a unit known
// here.
func (r *Reading) Celsius() (float64, bool) {
	if !r.HasTemp {
		return 0, false
	}
	t := r.Temperature.Float()
	switch {
	case r.TemperatureUnit == "" || r.TemperatureUnit == "°C":
		return t, true
	case r.TemperatureUnit == "°F":
		return (t - 32) / 1.8, true
	case r.TemperatureUnit == "K":
		return t - 273.15, true
	}
	return 0, false
}
