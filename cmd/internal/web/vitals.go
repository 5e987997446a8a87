package web

import (
	"fmt"
	"math"

	"ovenward/acquire"
)

// vitalWords tells what the probe says of itself, while that is fresh.
func vitalWords(st acquire.Stats) []string {
	var all []string
	v := st.Vitals
	if !v.TemperatureAt.IsZero() && st.Now.Sub(v.TemperatureAt) <= gapOf(st.Post) {
		all = append(all, fmt.Sprintf("the probe is at %.1f\u00a0°C", v.Temperature))
	}
	if !v.BatteryAt.IsZero() && st.Now.Sub(v.BatteryAt) <= gapOf(st.Post) {
		if v.BatteryUnit == "%" {
			all = append(all, fmt.Sprintf("its battery is at %.0f\u00a0%%", 100*v.Battery))
		} else {
			all = append(all, fmt.Sprintf("its battery is at %.2f\u00a0V", v.Battery))
		}
	}
	return all
}

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
