package quantity

import (
	"math"
	"strconv"
	"strings"
)

const noValue = "no value"

// Digits people read: significant ones of a linear unit, decimals of a level.
const (
	readDigits  = 4
	readLevel   = 2
	exactLevel  = 12 // a float64 level near 100 dB holds no more
	roundDigits = 6
)

// Format prints s in u for people, to 4 significant digits or hundredths of a
// decibel: "0.412 mW/cm²". NaN prints as "no value". When u cannot hold s (it is
// no unit of power density, or a decibel unit and s is not above zero), s is
// printed in W/m².
func (s PowerDensity) Format(u Unit) string {
	return format(float64(s), u, KindPowerDensity, readDigits, readLevel)
}

// FormatExact prints s in u with all its digits: ParsePowerDensity of the result
// is s again, to the bit in the linear units and within 2e-13 of it in decibel
// units.
func (s PowerDensity) FormatExact(u Unit) string {
	return format(float64(s), u, KindPowerDensity, 0, exactLevel)
}

// String prints s in mW/cm², for people.
func (s PowerDensity) String() string { return s.Format(MilliwattPerSquareCentimetre()) }

// FormatUncertain prints s with its expanded uncertainty, that to two significant
// digits and s to the same decimal (GUM, JCGM 100:2008, 7.2.6):
// "(0.412 ± 0.050) mW/cm²". Where expanded is NaN, infinite or negative it says
// "uncertainty not known". Decibel units, which hold no symmetrical interval, and
// units of another kind give way to W/m².
func (s PowerDensity) FormatUncertain(expanded PowerDensity, u Unit) string {
	if u.kind != KindPowerDensity || u.level {
		u = WattPerSquareMetre()
	}
	x, w := s.In(u), expanded.In(u)
	switch {
	case math.IsNaN(x) || math.IsInf(x, 0) || w == 0:
		return s.Format(u)
	case math.IsNaN(w) || math.IsInf(w, 0) || w < 0:
		return s.Format(u) + " (uncertainty not known)"
	}
	_, tail, _ := strings.Cut(strconv.FormatFloat(w, 'e', 1, 64), "e")
	exp, _ := strconv.Atoi(tail)
	decimals := max(1-exp, 0)
	return "(" + strconv.FormatFloat(x, 'f', decimals, 64) + " ± " +
		strconv.FormatFloat(w, 'f', decimals, 64) + ") " + u.String()
}

// Format prints e in u, as PowerDensity.Format does; it falls back to V/m.
func (e FieldStrength) Format(u Unit) string {
	return format(float64(e), u, KindElectricField, readDigits, readLevel)
}

// FormatExact prints e in u with all its digits, as PowerDensity.FormatExact does.
func (e FieldStrength) FormatExact(u Unit) string {
	return format(float64(e), u, KindElectricField, 0, exactLevel)
}

// String prints e in V/m, for people.
func (e FieldStrength) String() string { return e.Format(VoltPerMetre()) }

// Format prints h in u, as PowerDensity.Format does; it falls back to A/m.
func (h MagneticField) Format(u Unit) string {
	return format(float64(h), u, KindMagneticField, readDigits, readLevel)
}

// FormatExact prints h in u with all its digits, as PowerDensity.FormatExact does.
func (h MagneticField) FormatExact(u Unit) string {
	return format(float64(h), u, KindMagneticField, 0, exactLevel)
}

// String prints h in A/m, for people.
func (h MagneticField) String() string { return h.Format(AmperePerMetre()) }

// FormatExact prints si, in the SI unit of what u measures, in u with all its
// digits, as PowerDensity.FormatExact does.
func (u Unit) FormatExact(si float64) string { return format(si, u, u.kind, 0, exactLevel) }

// FormatDigits prints si, in the SI unit of what u measures, in u to at most
// digits significant digits, or decimals of a level; digits lies in 1..17.
func (u Unit) FormatDigits(si float64, digits int) string {
	digits = min(max(digits, 1), 17)
	return format(si, u, u.kind, digits, digits)
}

// format prints si, in the SI unit of kind, as a number of u.
func format(si float64, u Unit, kind Kind, sig, decimals int) string {
	if math.IsNaN(si) || kind == KindNone {
		return noValue
	}
	if u.kind != kind || u.level && !(si > 0) {
		u = siUnit(kind)
	}
	if u.level && !math.IsInf(si, 1) {
		return fixed(u.FromSI(si), decimals) + " " + u.symbol
	}
	return render(si, sig, -int(u.exp)) + " " + u.symbol
}

// String prints e in J/m² or kJ/m², for people.
func (e EnergyDensity) String() string {
	return prefixed(float64(e), []step{{1e3, kilo, "kJ/m²"}, {0, 0, "J/m²"}}, readDigits)
}

// String prints l with the usual prefix, to 6 significant digits: "50 mm".
func (l Length) String() string {
	return prefixed(float64(l), []step{{1e3, kilo, "km"}, {1, 0, "m"}, {1e-3, milli, "mm"}, {0, micro, "µm"}}, roundDigits)
}

// FormatExact prints l in m with all its digits: ParseLength gives l again.
func (l Length) FormatExact() string { return exact(float64(l), "m") }

// String prints f with the usual prefix, to 6 significant digits: "2450 MHz".
func (f Frequency) String() string {
	return prefixed(float64(f), []step{{1e10, giga, "GHz"}, {1e6, mega, "MHz"}, {1e3, kilo, "kHz"}, {0, 0, "Hz"}}, roundDigits)
}

// FormatExact prints f in Hz with all its digits: ParseFrequency gives f again.
func (f Frequency) FormatExact() string { return exact(float64(f), "Hz") }

// String prints p with the usual prefix, to 4 significant digits: "800 W".
func (p Power) String() string {
	return prefixed(float64(p), []step{{1e3, kilo, "kW"}, {1, 0, "W"}, {0, milli, "mW"}}, readDigits)
}

// FormatExact prints p in W with all its digits: ParsePower gives p again.
func (p Power) FormatExact() string { return exact(float64(p), "W") }

// step is a prefixed unit and the value, in SI, from which it is used.
type step struct {
	from float64
	exp  int
	unit string
}

func prefixed(si float64, steps []step, sig int) string {
	if math.IsNaN(si) {
		return noValue
	}
	base := steps[len(steps)-1]
	for _, st := range steps {
		if si == 0 && st.exp == 0 || si != 0 && math.Abs(si) >= st.from {
			base = st
			break
		}
	}
	return render(si, sig, -base.exp) + " " + base.unit
}

func exact(si float64, unit string) string {
	if math.IsNaN(si) {
		return noValue
	}
	return render(si, 0, 0) + " " + unit
}
