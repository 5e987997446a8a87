// Package field holds the plane physics that ties the quantities of a microwave
// field: E, H and S of a plane wave, the wavelength and where the reactive near
// field ends, the far field of a source, its fall-off, and holes below cut-off.
//
// Everything is in SI: W/m², V/m, A/m, m, Hz, W; gains and attenuations are in
// dB where the name says so. Field strengths are root-mean-square. Arguments
// that mean nothing (a negative length, NaN) give NaN, never a plausible number.
//
// These are models. Close to a seam E, H and S are not tied as in a plane wave,
// and no formula of this package may turn a measured value into a verdict.
package field

import (
	"fmt"
	"math"

	"ovenward/acquire/quantity"
)

// SpeedOfLight is c in vacuum in m/s, exact (SI).
const SpeedOfLight = 299_792_458

// Impedance is a choice of the wave impedance of free space Z0, by name, since
// the published ones differ by up to 0.0716 % in power density. The zero value
// is no choice, and converts to NaN.
type Impedance uint8

const (
	// Standard377 is 377 Ω: the oven standard defines the equivalent plane-wave
	// power density with it (21 CFR 1030.10(b)(8)).
	Standard377 Impedance = iota + 1
	// CODATA2022 is 376.730 313 412(59) Ω (CODATA recommended values, 2022).
	CODATA2022
)

// ParseImpedance reads the name of a choice: "377" or "codata".
func ParseImpedance(name string) (Impedance, error) {
	switch name {
	case "377":
		return Standard377, nil
	case "codata":
		return CODATA2022, nil
	}
	return 0, fmt.Errorf(`impedance %q is not known: write "377" (21 CFR 1030.10(b)(8)) or "codata" (CODATA 2022)`, name)
}

// Ohms returns Z0 in Ω, or NaN when none is chosen.
func (z Impedance) Ohms() float64 {
	switch z {
	case Standard377:
		return 377
	case CODATA2022:
		return 376.730313412
	}
	return math.NaN()
}

// String prints the choice with its value, unit and source.
func (z Impedance) String() string {
	switch z {
	case Standard377:
		return "377 Ω (21 CFR 1030.10(b)(8))"
	case CODATA2022:
		return "376.730313412 Ω (CODATA 2022)"
	}
	return "no impedance chosen"
}

// FromElectric returns the equivalent plane-wave power density of e, in W/m²:
// S = E²/Z0 (21 CFR 1030.10(b)(8), there with 377 Ω).
func (z Impedance) FromElectric(e quantity.FieldStrength) quantity.PowerDensity {
	x := notNegative(float64(e))
	return quantity.PowerDensity(x * x / z.Ohms())
}

// FromMagnetic returns the equivalent plane-wave power density of h, in W/m²:
// S = H²·Z0 (plane wave: E = Z0·H).
func (z Impedance) FromMagnetic(h quantity.MagneticField) quantity.PowerDensity {
	x := notNegative(float64(h))
	return quantity.PowerDensity(x * x * z.Ohms())
}

// Electric returns E in V/m of a plane wave of s: E = √(S·Z0). It is NaN when s
// is negative: noise below zero has no field strength.
func (z Impedance) Electric(s quantity.PowerDensity) quantity.FieldStrength {
	return quantity.FieldStrength(math.Sqrt(float64(s) * z.Ohms()))
}

// Magnetic returns H in A/m of a plane wave of s: H = √(S/Z0), NaN when s is
// negative.
func (z Impedance) Magnetic(s quantity.PowerDensity) quantity.MagneticField {
	return quantity.MagneticField(math.Sqrt(float64(s) / z.Ohms()))
}

// PowerDensity returns x of u, a unit of power density or of field strength, as
// power density in W/m². It is NaN when x is a negative field strength or u is no
// such unit.
func (z Impedance) PowerDensity(x float64, u quantity.Unit) quantity.PowerDensity {
	return quantity.PowerDensity(z.Convert(u.ToSI(x), u.Kind(), quantity.KindPowerDensity))
}

// Value returns s as a number of u, a unit of power density or of field
// strength. It is NaN when u cannot hold s: a negative s has no field strength
// and no level.
func (z Impedance) Value(s quantity.PowerDensity, u quantity.Unit) float64 {
	return u.FromSI(z.Convert(float64(s), quantity.KindPowerDensity, u.Kind()))
}

// Convert returns si, in the SI unit of the kind from, in the SI unit of the kind
// to, by way of the plane wave. Within one kind si comes back as it is, negative
// or not; between kinds it is NaN when si is negative.
func (z Impedance) Convert(si float64, from, to quantity.Kind) float64 {
	if from == to {
		return si
	}
	s := quantity.PowerDensity(si)
	switch from {
	case quantity.KindPowerDensity:
	case quantity.KindElectricField:
		s = z.FromElectric(quantity.FieldStrength(si))
	case quantity.KindMagneticField:
		s = z.FromMagnetic(quantity.MagneticField(si))
	default:
		return math.NaN()
	}
	switch to {
	case quantity.KindPowerDensity:
		return float64(s)
	case quantity.KindElectricField:
		return float64(z.Electric(s))
	case quantity.KindMagneticField:
		return float64(z.Magnetic(s))
	}
	return math.NaN()
}

// Wavelength returns λ = c/f in vacuum, in m.
func Wavelength(f quantity.Frequency) quantity.Length {
	return quantity.Length(SpeedOfLight / positive(float64(f)))
}

// ReactiveEdge returns λ/2π in m: nearer than this to a source small against λ,
// stored energy outweighs what is radiated, and a probe that takes one of E and
// H for both may be far off (textbook; published surveys with instruments of the
// 1960s were wrong by up to 10:1 within 6 to 8 in of a leak: Crapuchettes,
// J. Microwave Power 4(3):138-151, 1969).
func ReactiveEdge(f quantity.Frequency) quantity.Length {
	return Wavelength(f) / (2 * math.Pi)
}

func notNegative(x float64) float64 {
	if x < 0 {
		return math.NaN()
	}
	return x
}

func positive(x float64) float64 {
	if x > 0 {
		return x
	}
	return math.NaN()
}
