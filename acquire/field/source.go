package field

import (
	"math"

	"ovenward/acquire/quantity"
)

// Reflection is the factor by which a reflecting ground raises the power density
// of a source above its free-space value: 1 where there is none.
type Reflection float64

const (
	// FreeSpace is no reflection.
	FreeSpace Reflection = 1
	// GroundReflection is 1.6² = 2.56, for a field strength raised by 60 %: it
	// makes S = EIRP/4πR² into the published S = 0.64·EIRP/πR².
	GroundReflection Reflection = 2.56
)

// DipoleGain is the gain of a half-wave dipole over an isotropic source, as
// published with ERP formulae: EIRP = 1.64·ERP.
const DipoleGain = 1.64

// EIRP returns the equivalent isotropically radiated power, in W, of a source of
// power p (W) and gain (dBi): P·10^(G/10).
func EIRP(p quantity.Power, gain float64) quantity.Power {
	return quantity.Power(notNegative(float64(p)) * quantity.Ratio(gain))
}

// FarField returns S in W/m² at distance r (m) from a source of eirp (W):
// S = k·EIRP/4πR², the far-field formula of FCC OET-65 with k for reflection. It
// holds beyond the near field only, and overstates S within it.
func FarField(eirp quantity.Power, r quantity.Length, k Reflection) quantity.PowerDensity {
	x := positive(float64(r))
	return quantity.PowerDensity(positive(float64(k)) * notNegative(float64(eirp)) / (4 * math.Pi * x * x))
}

// FarFieldDistance returns the distance in m at which the far field of eirp (W)
// has fallen to s (W/m²): R = √(k·EIRP/4πS), the inverse of FarField.
func FarFieldDistance(eirp quantity.Power, s quantity.PowerDensity, k Reflection) quantity.Length {
	return quantity.Length(math.Sqrt(positive(float64(k)) * float64(eirp) / (4 * math.Pi * positive(float64(s)))))
}

// FarFieldEIRP returns the EIRP in W that makes s (W/m²) at distance r (m):
// 4πR²·S/k.
func FarFieldEIRP(s quantity.PowerDensity, r quantity.Length, k Reflection) quantity.Power {
	x := positive(float64(r))
	return quantity.Power(4 * math.Pi * x * x * notNegative(float64(s)) / positive(float64(k)))
}

// Gain returns the gain in dBi that makes eirp of p, both in W.
func Gain(eirp, p quantity.Power) float64 {
	return quantity.Decibels(float64(eirp) / positive(float64(p)))
}

// FallOff returns S in W/m² at r when it is s0 at r0 and falls with the nth power
// of distance: S0·(r0/r)^n. n is 2 in the far field of a small source (inverse
// square: 1/16 at four times the distance, FDA 77-8037, 4.2); close to a seam it
// is another, and no verdict may rest on it.
func FallOff(s0 quantity.PowerDensity, r0, r quantity.Length, n float64) quantity.PowerDensity {
	return s0 * quantity.PowerDensity(math.Pow(positive(float64(r0))/positive(float64(r)), n))
}

// FallOffDistance returns the distance in m at which S has fallen to s when it is
// s0 at r0: r0·(s0/s)^(1/n), the inverse of FallOff.
func FallOffDistance(s0 quantity.PowerDensity, r0 quantity.Length, s quantity.PowerDensity, n float64) quantity.Length {
	ratio := positive(float64(s0)) / positive(float64(s))
	return quantity.Length(positive(float64(r0)) * math.Pow(ratio, 1/positive(n)))
}
