package web

import (
	"math"

	"ovenward/acquire"
)

// vitalsJSON is what the probe last said of itself; null where it said nothing.
type vitalsJSON struct {
	Temperature   number `json:"temperature_celsius"`
	TemperatureAt string `json:"temperature_at,omitempty"`
	Volts         number `json:"battery_volts"`
	Ratio         number `json:"battery_ratio"`
	BatteryAt     string `json:"battery_at,omitempty"`
}

func vitalsOf(v acquire.Vitals) vitalsJSON {
	nan := number(math.NaN())
	j := vitalsJSON{Temperature: nan, Volts: nan, Ratio: nan}
	if !v.TemperatureAt.IsZero() {
		j.Temperature, j.TemperatureAt = number(v.Temperature), instant(v.TemperatureAt)
	}
	if !v.BatteryAt.IsZero() {
		j.BatteryAt = instant(v.BatteryAt)
		if v.BatteryUnit == "%" {
			j.Ratio = number(v.Battery)
		} else {
			j.Volts = number(v.Battery)
		}
	}
	return j
}
