package config

import (
	"fmt"
	"strconv"
	"strings"

	"ovenward/acquire/calib"
	"ovenward/acquire/quantity"
)

// readDoubt reads [probe.uncertainty]: what is stated of the sources of a probe's
// uncertainty that its certificate does not cover. What is left out is assumed,
// and shown as assumed by ovenward budget.
func readDoubt(t *table, axes int) calib.Doubt {
	share := func(key, example string) float64 {
		return t.percent(ask{key, example, false}, span[float64]{0.0001, 1, `"0.01 %" to "100 %"`})
	}
	d := calib.Doubt{
		Linearity:         share("linearity", `"5 %"`),
		FrequencyResponse: share("frequency_response", `"10 %"`),
		Isotropy:          share("isotropy", `"12 %"`),
		Facing:            share("facing", `"7 %"`),
		PerKelvin:         readPerKelvin(t),
		Ambient:           readKelvin(t, ask{"ambient", `"10 K"`, false}),
		Zero:              t.powerDensity(ask{"zero", `"0.02 mW/cm2"`, false}),
		Resolution:        t.powerDensity(ask{"resolution", `"0.001 mW/cm2"`, false}),
		Noise:             t.powerDensity(ask{"noise", `"0.003 mW/cm2"`, false}),
		NoiseReadings:     int(t.integer(ask{"noise_readings", "50", false}, span[int64]{2, 1e6, "2 to 1000000"}, 0)),
	}
	if t.has("noise_readings") && !t.has("noise") {
		t.problem("noise_readings", "it says from how many readings noise was found; state noise too, or remove noise_readings")
	}
	switch {
	case axes == 1 && t.has("isotropy"):
		t.problem("isotropy", "a probe of one axis has none; state facing, or remove isotropy")
	case axes == 3 && t.has("facing"):
		t.problem("facing", "a probe of three axes need not be turned; state isotropy, or remove facing")
	}
	t.finish()
	return d
}

// readPerKelvin reads a temperature coefficient, "0.2 %/K", as a ratio per K.
func readPerKelvin(t *table) float64 {
	a := ask{"temperature_coefficient", `"0.2 %/K"`, false}
	return quantityOf(t, a, func(s string) (float64, error) {
		share, ok := strings.CutSuffix(strings.TrimSpace(s), "/K")
		if !ok {
			return 0, notLike(s, "temperature coefficient", a.example)
		}
		return quantity.ParseRatio(share)
	}, span[float64]{-0.1, 0.1, `"-10 %/K" to "10 %/K"`}, 0)
}

// readTemperature reads a temperature, "23 °C", in °C.
func readTemperature(t *table, a ask) float64 {
	return quantityOf(t, a, func(s string) (float64, error) {
		return degrees(s, "temperature", a.example, "°C", "degC", "C")
	}, span[float64]{-40, 85, `"-40 °C" to "85 °C"`}, 0)
}

// readKelvin reads a difference of temperatures, "10 K".
func readKelvin(t *table, a ask) float64 {
	return quantityOf(t, a, func(s string) (float64, error) {
		return degrees(s, "temperature difference", a.example, "K")
	}, span[float64]{0.01, 100, `"0.01 K" to "100 K"`}, 0)
}

func degrees(s, what, example string, units ...string) (float64, error) {
	for _, u := range units {
		number, ok := strings.CutSuffix(strings.TrimSpace(s), u)
		if !ok {
			continue
		}
		// Ratios are plain decimals, which is all that is wanted of the number.
		if _, err := strconv.ParseFloat(strings.TrimSpace(number), 64); err == nil {
			return quantity.ParseRatio(number)
		}
	}
	return 0, notLike(s, what, example)
}

// notLike refuses a text that is no such quantity.
func notLike(s, what, example string) error {
	return fmt.Errorf("%s is no %s: write for example %s", shown(s), what, example)
}
