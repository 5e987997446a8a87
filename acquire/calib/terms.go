package calib

import (
	"fmt"
	"math"
	"time"

	"ovenward/acquire/quantity"
)

// Nature is what a budget must know of a probe and its post.
type Nature struct {
	Floor     quantity.PowerDensity // noise floor, W/m²
	ZeroBound quantity.PowerDensity // the largest zero the probe is stated to need; 0: 3 × floor
	Axes      int
	Turned    bool            // one axis, turned for the maximum
	Distance  quantity.Length // from the oven's surface to the sensing centre, m
	Setting   Setting
	Stated    Doubt
}

// Doubt is what is stated of the single sources of uncertainty; 0 is not stated,
// and takes the value of common practice that the budget then marks as assumed.
// All are half-widths within which the truth lies, but Noise.
type Doubt struct {
	Linearity         float64               `json:"linearity,omitempty"`               // relative
	FrequencyResponse float64               `json:"frequency_response,omitempty"`      // relative
	Isotropy          float64               `json:"isotropy,omitempty"`                // relative; three axes
	Facing            float64               `json:"facing,omitempty"`                  // relative; one axis
	PerKelvin         float64               `json:"temperature_coefficient,omitempty"` // relative, 1/K
	Ambient           float64               `json:"ambient_k,omitempty"`               // K from the certificate's reference temperature
	Zero              quantity.PowerDensity `json:"zero_w_per_m2,omitempty"`           // from the last zero taken
	Resolution        quantity.PowerDensity `json:"resolution_w_per_m2,omitempty"`     // one step of the display
	Noise             quantity.PowerDensity `json:"noise_w_per_m2,omitempty"`          // standard deviation of one reading
	NoiseReadings     int                   `json:"noise_readings,omitempty"`          // that Noise was found from
	Distance          quantity.Length       `json:"distance_m,omitempty"`              // of the probe from its post's distance
	Falloff           float64               `json:"falloff,omitempty"`                 // exponent n of S ~ 1/rⁿ about the post
}

// What is assumed where nobody states it. All of it: common practice, no source.
const (
	assumedLinearity   = 0.05 // without a linearity table
	tableLinearity     = 0.01 // between the rows of one
	assumedFrequency   = 0.10 // one factor for all frequencies
	tableFrequency     = 0.02 // between the rows of a table, and as the oven's frequency wanders
	assumedIsotropy    = 0.12 // half a decibel
	assumedFacing      = 0.07 // 15° off: 1 - cos² 15°
	assumedPerKelvin   = 0.002
	assumedAmbient     = 10  // K
	assumedThermometer = 1   // K, of a probe that says its temperature
	assumedResolution  = 0.1 // of the floor
	assumedNoise       = 1. / 3
	assumedDistance    = quantity.Length(0.002)
	assumedFalloff     = 2
)

// ProbeBudget lists what makes the corrected values of a probe at a post
// uncertain while cert is in force, and notes what cert found of the certificate
// before it, nil where that is not known. Without a certificate it cannot: then there
// are no terms, and the uncertainty is not known.
func ProbeBudget(n Nature, cert, before *Certificate) Budget {
	if cert == nil {
		return Budget{Notes: []string{"the probe has no calibration certificate: its uncertainty is not known"}}
	}
	gain, why := cert.FactorAt(n.Setting.Frequency)
	b := Budget{Terms: []Term{
		calibration(cert),
		linearity(n, cert),
		frequencyResponse(n, cert),
		direction(n),
		temperature(n, cert),
		zeroTerm(n, gain),
		resolution(n, gain),
		distance(n),
		noise(n, gain),
	}}
	if why != "" {
		b.Notes = append(b.Notes, why+": values are uncalibrated")
	}
	if n.Axes < 3 && !n.Turned {
		b.Notes = append(b.Notes, "one axis, not turned for the maximum: each value is a lower bound, by more than the uncertainty")
	}
	if f, ok := cert.FoundAfter(before, n.Setting.Frequency); ok && f.Bad() {
		b.Notes = append(b.Notes, fmt.Sprintf("by certificate %s values corrected by certificate %s were %+.3g %% off, more than the %.3g %% that were to be expected: what was measured before %s is in doubt",
			cert.Number, before.Number, 100*f.Off, 100*f.Bound, cert.Date.Format(time.DateOnly)))
	}
	return b
}

// Correct makes the correction that a probe's certificate and budget ask for.
// level is the limit that the post is judged by.
func Correct(n Nature, cert *Certificate, level quantity.PowerDensity) Correction {
	c := Correction{Certificate: cert, Setting: n.Setting}
	if cert != nil {
		c.Spread = ProbeBudget(n, cert, nil).Spread(level)
	}
	return c
}

// rectangle makes a term whose input lies within ± what is stated, or assumed.
func rectangle(name, unit string, stated, assumed float64, why string) Term {
	t := Term{Name: name, Value: stated, Unit: unit, Distribution: Rectangular, Divisor: math.Sqrt(3), Sensitivity: 1,
		Relative: unit == "1", DF: math.Inf(1), From: "configuration"}
	if !(stated > 0) {
		t.Value, t.Assumed, t.From = assumed, true, "assumed: "+why
	}
	return t
}

func calibration(cert *Certificate) Term {
	df := math.Inf(1)
	if cert.DF > 0 {
		df = cert.DF
	}
	return Term{Name: "calibration", Value: cert.U, Unit: "1", Distribution: Normal, Divisor: cert.K, Sensitivity: 1,
		Relative: true, DF: df, From: "certificate " + cert.Number}
}

func linearity(n Nature, cert *Certificate) Term {
	assumed, why := assumedLinearity, "no linearity table"
	if len(cert.ByLevel) > 0 {
		assumed, why = tableLinearity, "between the rows of the linearity table"
	}
	return rectangle("linearity", "1", n.Stated.Linearity, assumed, why)
}

func frequencyResponse(n Nature, cert *Certificate) Term {
	assumed, why := assumedFrequency, "one factor for all frequencies"
	if len(cert.ByFrequency) > 0 {
		assumed, why = tableFrequency, "between the rows of the frequency table, and as the oven's frequency wanders"
	}
	return rectangle("frequency response", "1", n.Stated.FrequencyResponse, assumed, why)
}

func direction(n Nature) Term {
	if n.Axes < 3 {
		return rectangle("facing", "1", n.Stated.Facing, assumedFacing, "15° off the maximum")
	}
	return rectangle("isotropy", "1", n.Stated.Isotropy, assumedIsotropy, "half a decibel")
}

// temperature is one term of two factors, coefficient and span; what is assumed
// of either makes it assumed.
func temperature(n Nature, cert *Certificate) Term {
	span, spanFrom, assumed := n.Stated.Ambient, "configuration", false
	if !(span > 0) {
		span, spanFrom, assumed = assumedAmbient, "assumed", true
	}
	corrected := n.Setting.SaysTemperature && cert.PerKelvin != 0
	if corrected {
		span, spanFrom, assumed = assumedThermometer, "assumed of its own thermometer", true
	}
	coefficient, from := n.Stated.PerKelvin, "configuration"
	switch {
	case cert.PerKelvin != 0:
		coefficient, from = cert.PerKelvin, "certificate "+cert.Number
	case !(coefficient > 0):
		coefficient, from, assumed = assumedPerKelvin, "assumed", true
	}
	t := rectangle("temperature", "K", span, 0, "")
	t.Relative, t.Sensitivity, t.Assumed = true, coefficient, assumed
	t.From = fmt.Sprintf("±%.3g K (%s) at %.3g %%/K (%s)", span, spanFrom, 100*coefficient, from)
	return t
}

func zeroTerm(n Nature, gain float64) Term {
	bound, why := n.ZeroBound, "the post's zero_bound"
	if !(bound > 0) {
		bound, why = zeroBound(n.Floor), "three times the floor, beyond which a zero is refused"
	}
	t := rectangle("zero", "W/m²", float64(n.Stated.Zero), float64(bound), why)
	if t.Assumed && n.ZeroBound > 0 {
		t.Assumed, t.From = false, why
	}
	t.Sensitivity = gain
	return t
}

// resolution is that of a display: the value lies within half a step.
func resolution(n Nature, gain float64) Term {
	t := rectangle("resolution", "W/m²", float64(n.Stated.Resolution)/2, assumedResolution/2*float64(n.Floor), "half of a step of a tenth of the floor")
	if !t.Assumed {
		t.From = "configuration, half a step"
	}
	t.Sensitivity = gain
	return t
}

// distance: S ~ 1/rⁿ, so u(S)/S = n·u(r)/r.
func distance(n Nature) Term {
	power, from := n.Stated.Falloff, "configuration"
	if !(power > 0) {
		power, from = assumedFalloff, "assumed"
	}
	t := rectangle("distance", "m", float64(n.Stated.Distance), float64(assumedDistance), "2 mm")
	t.Relative, t.Sensitivity = true, power/float64(n.Distance)
	t.From += fmt.Sprintf("; fall-off exponent %.3g (%s)", power, from)
	t.Assumed = t.Assumed || from == "assumed"
	return t
}

func noise(n Nature, gain float64) Term {
	t := Term{Name: "reading noise", Value: float64(n.Stated.Noise), Unit: "W/m²", Distribution: Student, Divisor: 1,
		Sensitivity: gain, DF: math.Inf(1), From: "configuration"}
	switch {
	case !(t.Value > 0):
		t.Value, t.Distribution, t.Assumed, t.From = assumedNoise*float64(n.Floor), Normal, true, "assumed: the floor is three standard deviations"
	case n.Stated.NoiseReadings > 1:
		t.DF = float64(n.Stated.NoiseReadings - 1)
		t.From = fmt.Sprintf("configuration, from %d readings", n.Stated.NoiseReadings)
	default:
		t.Distribution = Normal
	}
	return t
}
