// Package quantity holds the quantities of the trade as named SI types: power
// density in W/m², energy density in J/m², field strengths in V/m and A/m,
// lengths in m, frequencies in Hz, powers in W. It reads them from text with a
// unit and prints them with one.
//
// Values inside the program are always SI; every other unit lives at the edges
// and only here. What reads without a unit, or prints without one, is a bug.
//
// Package quantity knows no physics: power density and field strength are tied
// by an impedance, which is a choice, and package field makes it. It must keep
// to the standard library.
package quantity

import (
	"math"
	"time"
)

// PowerDensity is a power flux density S in W/m². Measured and corrected values
// may be negative, since a zero is subtracted from them; NaN is 'no value'.
type PowerDensity float64

// EnergyDensity is an energy per area in J/m², the time integral of a
// PowerDensity.
type EnergyDensity float64

// FieldStrength is a root-mean-square electric field strength E in V/m.
type FieldStrength float64

// MagneticField is a root-mean-square magnetic field strength H in A/m.
type MagneticField float64

// Length is a length in m.
type Length float64

// Frequency is a frequency in Hz.
type Frequency float64

// Power is a power in W.
type Power float64

// Over returns the energy density that s brings in d, in J/m².
func (s PowerDensity) Over(d time.Duration) EnergyDensity {
	return EnergyDensity(float64(s) * (float64(d) * 1e-9))
}

// In returns s as a number of u, or NaN when u is no unit of power density. In a
// decibel unit a negative s is NaN and zero is -Inf.
func (s PowerDensity) In(u Unit) float64 {
	if u.kind != KindPowerDensity {
		return math.NaN()
	}
	return u.FromSI(float64(s))
}

// In returns e as a number of u, or NaN when u is no unit of electric field
// strength.
func (e FieldStrength) In(u Unit) float64 {
	if u.kind != KindElectricField {
		return math.NaN()
	}
	return u.FromSI(float64(e))
}

// In returns h as a number of u, or NaN when u is no unit of magnetic field
// strength.
func (h MagneticField) In(u Unit) float64 {
	if u.kind != KindMagneticField {
		return math.NaN()
	}
	return u.FromSI(float64(h))
}

// Ratio returns the power ratio that decibels stand for: 10^(db/10).
func Ratio(db float64) float64 { return math.Pow(10, db/10) }

// Decibels returns the level of a power ratio: 10·log10(ratio), in dB. It is
// -Inf for 0 and NaN for a negative ratio.
func Decibels(ratio float64) float64 { return 10 * math.Log10(ratio) }
