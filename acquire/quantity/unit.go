package quantity

import "math"

// Kind tells what a Unit measures.
type Kind uint8

// The kinds of unit. The zero Unit has KindNone.
const (
	KindNone Kind = iota
	KindPowerDensity
	KindElectricField
	KindMagneticField
)

// String names k as people read it.
func (k Kind) String() string {
	switch k {
	case KindPowerDensity:
		return "power density"
	case KindElectricField:
		return "electric field strength"
	case KindMagneticField:
		return "magnetic field strength"
	}
	return "no quantity"
}

// Unit is a unit of power density or of field strength. Units compare with ==.
// The zero Unit is none: it converts everything to NaN.
type Unit struct {
	symbol string // as people read it: "mW/cm²"
	kind   Kind
	exp    int8 // 1 of the unit (0 dB of a decibel unit) is 10^exp of the SI unit
	level  bool // a decibel unit
}

// Powers of ten of the prefixes, and of a square metre in square centimetres.
// The factor 10 between mW/cm² and W/m² is their sum; it stands nowhere else.
const (
	giga  = 9
	mega  = 6
	kilo  = 3
	milli = -3
	micro = -6
	nano  = -9

	perSquareCentimetre = 4
)

// WattPerSquareMetre is W/m², the SI unit of power density.
func WattPerSquareMetre() Unit { return Unit{"W/m²", KindPowerDensity, 0, false} }

// MilliwattPerSquareMetre is mW/m².
func MilliwattPerSquareMetre() Unit { return Unit{"mW/m²", KindPowerDensity, milli, false} }

// MilliwattPerSquareCentimetre is mW/cm², the unit people read.
func MilliwattPerSquareCentimetre() Unit {
	return Unit{"mW/cm²", KindPowerDensity, milli + perSquareCentimetre, false}
}

// MicrowattPerSquareCentimetre is µW/cm².
func MicrowattPerSquareCentimetre() Unit {
	return Unit{"µW/cm²", KindPowerDensity, micro + perSquareCentimetre, false}
}

// DecibelWattPerSquareMetre is dBW/m², the level above 1 W/m².
func DecibelWattPerSquareMetre() Unit { return Unit{"dBW/m²", KindPowerDensity, 0, true} }

// DecibelMilliwattPerSquareMetre is dBm/m², the level above 1 mW/m².
func DecibelMilliwattPerSquareMetre() Unit { return Unit{"dBm/m²", KindPowerDensity, milli, true} }

// DecibelMilliwattPerSquareCentimetre is dBm/cm², the level above 1 mW/cm².
func DecibelMilliwattPerSquareCentimetre() Unit {
	return Unit{"dBm/cm²", KindPowerDensity, milli + perSquareCentimetre, true}
}

// VoltPerMetre is V/m, the SI unit of electric field strength.
func VoltPerMetre() Unit { return Unit{"V/m", KindElectricField, 0, false} }

// DecibelMicrovoltPerMetre is dBµV/m, the level above 1 µV/m.
func DecibelMicrovoltPerMetre() Unit { return Unit{"dBµV/m", KindElectricField, micro, true} }

// AmperePerMetre is A/m, the SI unit of magnetic field strength.
func AmperePerMetre() Unit { return Unit{"A/m", KindMagneticField, 0, false} }

// Units returns all units known here, the most used first within each kind.
func Units() []Unit {
	all := units()
	return all[:]
}

func units() [21]Unit {
	return [...]Unit{
		MilliwattPerSquareCentimetre(),
		WattPerSquareMetre(),
		MicrowattPerSquareCentimetre(),
		MilliwattPerSquareMetre(),
		{"µW/m²", KindPowerDensity, micro, false},
		{"kW/m²", KindPowerDensity, kilo, false},
		{"W/cm²", KindPowerDensity, perSquareCentimetre, false},
		{"nW/cm²", KindPowerDensity, nano + perSquareCentimetre, false},
		DecibelMilliwattPerSquareMetre(),
		DecibelMilliwattPerSquareCentimetre(),
		DecibelWattPerSquareMetre(),
		VoltPerMetre(),
		{"mV/m", KindElectricField, milli, false},
		{"µV/m", KindElectricField, micro, false},
		{"kV/m", KindElectricField, kilo, false},
		DecibelMicrovoltPerMetre(),
		{"dBV/m", KindElectricField, 0, true},
		AmperePerMetre(),
		{"mA/m", KindMagneticField, milli, false},
		{"µA/m", KindMagneticField, micro, false},
		{"dBµA/m", KindMagneticField, micro, true},
	}
}

// String returns u as people read it, for example "mW/cm²".
func (u Unit) String() string {
	if u.symbol == "" {
		return "no unit"
	}
	return u.symbol
}

// Kind tells what u measures.
func (u Unit) Kind() Kind { return u.kind }

// IsLevel reports whether u is a decibel unit. The mean of levels is not the
// level of the mean.
func (u Unit) IsLevel() bool { return u.level }

// SI returns the SI unit of what u measures: W/m², V/m or A/m.
func (u Unit) SI() Unit { return siUnit(u.kind) }

func siUnit(k Kind) Unit {
	switch k {
	case KindPowerDensity:
		return WattPerSquareMetre()
	case KindElectricField:
		return VoltPerMetre()
	case KindMagneticField:
		return AmperePerMetre()
	}
	return Unit{}
}

// PowerDensity returns x of u in W/m². It is false when u is no unit of power
// density; field strengths need an impedance, see package field.
func (u Unit) PowerDensity(x float64) (PowerDensity, bool) {
	if u.kind != KindPowerDensity {
		return PowerDensity(math.NaN()), false
	}
	return PowerDensity(u.ToSI(x)), true
}

// Multiple is how many W/m² one u is, if it is a unit of power density that is a
// whole number of them; else 0. PowerDensity multiplies by it.
func (u Unit) Multiple() float64 {
	if u.kind != KindPowerDensity || u.level || u.exp < 0 {
		return 0
	}
	return scale(1, int(u.exp))
}

// ToSI returns x of u in the SI unit of its kind; NaN for the zero Unit.
func (u Unit) ToSI(x float64) float64 {
	switch {
	case u.kind == KindNone:
		return math.NaN()
	case u.level:
		return scale(math.Pow(10, x/u.perDecade()), int(u.exp))
	}
	return scale(x, int(u.exp))
}

// FromSI returns x, in the SI unit of u's kind, as a number of u. In a decibel
// unit a negative x is NaN and zero is -Inf; the zero Unit gives NaN.
func (u Unit) FromSI(x float64) float64 {
	switch {
	case u.kind == KindNone:
		return math.NaN()
	case u.level:
		return u.perDecade() * (math.Log10(x) - float64(u.exp))
	}
	return scale(x, -int(u.exp))
}

// perDecade returns the decibels a factor of ten makes: 10 for powers, 20 for
// field strengths, whose squares are powers.
func (u Unit) perDecade() float64 {
	if u.kind == KindPowerDensity {
		return 10
	}
	return 20
}

// scale returns x·10^exp, rounded once: powers of ten up to 10^22 are exact in
// a float64, and their inverses are not.
func scale(x float64, exp int) float64 {
	p := 1.0
	for range max(exp, -exp) {
		p *= 10
	}
	if exp < 0 {
		return x / p
	}
	return x * p
}
