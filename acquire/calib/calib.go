// Package calib turns what a probe said, as a power density in W/m², into the
// corrected power density and its expanded uncertainty, both W/m²: first the
// zero is taken away, then the calibration factors multiply, for the oven's
// frequency, the level and the probe's temperature. It adds up what makes a
// value uncertain by the GUM (JCGM 100:2008), and filters a fast probe to the
// response that a limit asks for.
//
// The raw reading is never changed, and a correction once used keeps its number,
// so a corrected value can be derived again years later. It asks no clock, reads
// no file, and extrapolates nothing: where a certificate does not reach, it says
// so. Only below the lowest level of a linearity table the factor of that holds on.
package calib

import (
	"math"
	"time"

	"ovenward/acquire/field"
	"ovenward/acquire/quantity"
)

// Correction is what is done to every reading of a probe from an instant on. It
// is kept whole, so that what was derived by it can be derived again.
type Correction struct {
	Zero        quantity.PowerDensity `json:"zero_w_per_m2"`
	ZeroAt      time.Time             `json:"zero_at,omitzero"` // zero instant when none was taken
	ZeroBy      string                `json:"zero_by,omitempty"`
	Certificate *Certificate          `json:"certificate,omitempty"` // nil: uncalibrated, factor 1
	Setting     Setting               `json:"setting,omitzero"`
	Spread      Spread                `json:"spread,omitzero"`
}

// Setting is what a correction must know of where and how the probe is used.
type Setting struct {
	Frequency       quantity.Frequency `json:"frequency_hz,omitempty"` // of the oven; 0: not known
	Impedance       field.Impedance    `json:"impedance,omitempty"`    // 0: the probe says power densities
	SaysTemperature bool               `json:"says_temperature,omitempty"`
}

// Spread is the uncertainty budget in the form that a sample needs: the expanded
// uncertainty of a corrected S is K·√((Rel·S)² + Abs²), in W/m². The zero value is
// no budget: then the certificate's own uncertainty counts alone, as it did in
// records of before.
type Spread struct {
	Rel float64               `json:"rel"`          // combined relative standard uncertainty
	Abs quantity.PowerDensity `json:"abs_w_per_m2"` // combined standard uncertainty that does not grow with S
	K   float64               `json:"k"`            // coverage factor for 95 %
}

// U returns the expanded uncertainty of s.
func (p Spread) U(s quantity.PowerDensity) quantity.PowerDensity {
	rel, abs := p.Rel*float64(s), float64(p.Abs)
	return quantity.PowerDensity(p.K * math.Sqrt(rel*rel+abs*abs))
}

// Coverage returns the coverage factor of the uncertainties that the correction
// gives; 0 when it gives none.
func (c Correction) Coverage() float64 {
	switch {
	case c.Certificate == nil:
		return 0
	case c.Spread.K > 0:
		return c.Spread.K
	}
	return c.Certificate.K
}

// Calibrated says whether a certificate is in force at an instant, and reaches
// the frequency.
func (c Correction) Calibrated(at time.Time) bool { return c.Lacking(at) == "" }

// Lacking says why the correction does not make a calibrated value at an
// instant; empty when it does.
func (c Correction) Lacking(at time.Time) string {
	if c.Certificate == nil {
		return "the probe has no calibration certificate"
	}
	if why := c.Certificate.outside(at); why != "" {
		return why
	}
	_, why := c.Certificate.FactorAt(c.Setting.Frequency)
	return why
}

// Apply corrects one raw power density by a chain made for it alone. Whoever
// has many to correct keeps the Chain.
func (c Correction) Apply(raw quantity.PowerDensity) (s, u quantity.PowerDensity) {
	ch := c.Chain()
	s, u, _ = ch.Apply(Raw{S: raw})
	return s, u
}

// Raw is one reading as a power density, with what the probe said of itself.
type Raw struct {
	S              quantity.PowerDensity
	Temperature    float64 // °C, of the instrument
	HasTemperature bool
}

// Chain is a correction made ready: what does not change from sample to sample
// is worked out once. Applying it allocates nothing.
type Chain struct {
	zero, gain float64
	rel, abs   float64 // standard uncertainties, squared
	k          float64 // NaN: the uncertainty is not known
	levels     []levelSpan
	perKelvin  float64 // 0: no temperature coefficient
	reference  float64 // °C
	needsT     bool
	plain      bool  // zero and gain are all there is
	date, due  int64 // in force in [date, due), ns since 1970
	reaches    bool  // there is a certificate, and it reaches the frequency
}

// Chain makes the correction ready.
func (c Correction) Chain() Chain {
	ch := Chain{zero: float64(c.Zero), gain: 1, k: math.NaN(), plain: true}
	cert := c.Certificate
	if cert == nil {
		return ch
	}
	factor, why := cert.FactorAt(c.Setting.Frequency)
	ch.gain, ch.reaches, ch.levels = factor, why == "", levelSpans(cert.ByLevel)
	ch.date, ch.due = cert.Date.UnixNano(), cert.Due.UnixNano()
	ch.perKelvin, ch.reference = cert.PerKelvin, cert.Reference
	ch.needsT = cert.PerKelvin != 0 && c.Setting.SaysTemperature
	ch.plain = !ch.needsT && len(ch.levels) == 0
	ch.rel, ch.abs, ch.k = c.Spread.Rel*c.Spread.Rel, float64(c.Spread.Abs)*float64(c.Spread.Abs), c.Spread.K
	if !(c.Spread.K > 0) {
		ch.rel, ch.abs, ch.k = cert.U*cert.U, 0, 1
	}
	return ch
}

// InForce says whether a certificate that reaches the frequency is in force at
// an instant.
func (c *Chain) InForce(at time.Time) bool {
	ns := at.UnixNano()
	return c.reaches && ns >= c.date && ns < c.due
}

// Force is from when to when InForce holds, ns since 1970: in [from, to).
func (c *Chain) Force() (from, to int64) {
	if !c.reaches {
		return 0, 0
	}
	return c.date, c.due
}

// U returns the expanded uncertainty of a corrected value; NaN if unknown.
func (c *Chain) U(s quantity.PowerDensity) quantity.PowerDensity {
	x := float64(s)
	return quantity.PowerDensity(c.k * math.Sqrt(c.rel*x*x+c.abs))
}

// The temperatures an instrument can have and still work, °C. What lies outside
// is a broken thermometer. Our own choice, no source.
const coldest, hottest = -40, 85

// Plausible says whether an instrument can have the temperature, °C.
func Plausible(c float64) bool { return c >= coldest && c <= hottest }

// Apply corrects one reading. u is the expanded uncertainty of s, NaN without a
// certificate: unknown is not zero. covered is false when the value lies above
// the linearity table, or when the temperature that the certificate's
// coefficient needs was not said: such a sample is uncalibrated.
func (c *Chain) Apply(in Raw) (s, u quantity.PowerDensity, covered bool) {
	if s, u, covered = c.Plain(in.S); covered {
		return s, u, true
	}
	return c.apply(in)
}

// Plain is Apply where a zero and a factor are all there is; else ok is false.
func (c *Chain) Plain(raw quantity.PowerDensity) (s, u quantity.PowerDensity, ok bool) {
	s = quantity.PowerDensity((float64(raw) - c.zero) * c.gain)
	return s, c.U(s), c.plain
}

func (c *Chain) apply(in Raw) (s, u quantity.PowerDensity, covered bool) {
	x := float64(in.S) - c.zero
	gain := c.gain
	covered = true
	if c.needsT {
		if in.HasTemperature && Plausible(in.Temperature) {
			gain /= 1 + c.perKelvin*(in.Temperature-c.reference)
		} else {
			covered = false
		}
	}
	if len(c.levels) > 0 {
		f, inside := factorIn(c.levels, x)
		gain *= f
		covered = covered && inside
	}
	s = quantity.PowerDensity(x * gain)
	return s, c.U(s), covered
}
