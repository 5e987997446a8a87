package quantity

import (
	"fmt"
	"strings"
)

// ParsePowerDensity reads a power density with its unit, "1 mW/cm2" or
// "40 dBm/m²", into W/m². Linear units lose no digit: the result is the float64
// nearest to what was written. A bare number, a field strength, an infinity and
// not-a-number are refused, and the error says what would be right. A value may
// be negative, as corrected ones may; who needs a positive one must ask.
func ParsePowerDensity(s string) (PowerDensity, error) {
	x, _, err := parseIn(s, KindPowerDensity, "1 mW/cm2")
	return PowerDensity(x), err
}

// ParseFieldStrength reads an electric field strength with its unit, "61.4 V/m",
// into V/m. Errors are as for ParsePowerDensity; a negative value is refused.
func ParseFieldStrength(s string) (FieldStrength, error) {
	x, _, err := parseIn(s, KindElectricField, "61.4 V/m")
	return FieldStrength(x), err
}

// ParseMagneticField reads a magnetic field strength with its unit, "0.163 A/m",
// into A/m. Errors are as for ParsePowerDensity; a negative value is refused.
func ParseMagneticField(s string) (MagneticField, error) {
	x, _, err := parseIn(s, KindMagneticField, "0.163 A/m")
	return MagneticField(x), err
}

// ParseField reads a value in any unit of LookupUnit, and returns it in the SI
// unit of its kind with the unit it was written in.
func ParseField(s string) (si float64, u Unit, err error) {
	return parseIn(s, KindNone, "1 mW/cm2")
}

// parseIn reads a value in a unit of kind; KindNone takes all kinds.
func parseIn(s string, kind Kind, example string) (float64, Unit, error) {
	number, spelling, err := split(s, example)
	if err != nil {
		return 0, Unit{}, err
	}
	u, ok := LookupUnit(spelling)
	if !ok {
		what := "power density or field strength"
		if kind != KindNone {
			what = kind.String()
		}
		near, ok := nearUnit(spelling)
		if ok && (kind == KindNone || near.kind == kind) {
			example = withNumber(number, "1 "+near.ASCII())
		}
		return 0, Unit{}, fmt.Errorf("%s: %s is no unit of %s: write for example %q", quote(s), quote(spelling), what, example)
	}
	if kind != KindNone && u.kind != kind {
		return 0, Unit{}, fmt.Errorf("%s is %s %s, not %s: write for example %q, or convert it (ovenward convert)",
			quote(s), article(u.kind), u.kind, kind, example)
	}
	exp := int(u.exp)
	if u.level {
		exp = 0
	}
	x, err := decimal(number, exp)
	if err == nil && u.level {
		x, err = fromLevel(x, u)
	}
	if err != nil {
		return 0, Unit{}, fmt.Errorf("%s %w: write for example %q", quote(s), err, example)
	}
	if u.kind != KindPowerDensity && x < 0 {
		return 0, Unit{}, fmt.Errorf("%s is negative, and a root-mean-square field is not: write for example %q", quote(s), example)
	}
	return x, u, nil
}

func article(k Kind) string {
	if k == KindElectricField {
		return "an"
	}
	return "a"
}

// fromLevel returns the SI value of a level, which must be one a float64 holds.
func fromLevel(db float64, u Unit) (float64, error) {
	const highest = 1e15 // far above anything in this trade, in SI units
	switch x := u.ToSI(db); {
	case x > highest:
		return 0, errTooLarge
	case x < 1/highest/highest:
		return 0, errTooSmall
	default:
		return x, nil
	}
}

// scaleUnit is a unit that is factor·10^exp of its SI unit.
type scaleUnit struct {
	spelling string
	exp      int
	factor   float64
}

// ParseLength reads a length with its unit, "50 mm", into m. Metric units from
// µm to km, inches ("in") and feet ("ft") are known. A negative one is refused.
func ParseLength(s string) (Length, error) {
	const inch, foot = 254, 3048 // in 0.1 mm, exact by definition
	x, err := parseScaled(s, "length", "50 mm", []scaleUnit{
		{"mm", milli, 1}, {"cm", -2, 1}, {"m", 0, 1}, {"km", kilo, 1}, {"um", micro, 1},
		{"in", -4, inch}, {"ft", -4, foot},
	})
	if err == nil && x < 0 {
		err = fmt.Errorf("%s is negative: a length is 0 or more, for example %q", quote(s), "50 mm")
	}
	if err != nil {
		return 0, err
	}
	return Length(x), nil
}

// ParseFrequency reads a frequency with its unit, "2450 MHz", into Hz. It must be
// above 0.
func ParseFrequency(s string) (Frequency, error) {
	x, err := parseScaled(s, "frequency", "2450 MHz", []scaleUnit{
		{"Hz", 0, 1}, {"kHz", kilo, 1}, {"MHz", mega, 1}, {"GHz", giga, 1},
	})
	if err == nil && x <= 0 {
		err = fmt.Errorf("%s is not above zero: write for example %q", quote(s), "2450 MHz")
	}
	if err != nil {
		return 0, err
	}
	return Frequency(x), nil
}

// ParsePower reads a power with its unit, "800 W" or "16 dBm", into W. A negative
// one is refused, a negative level is not.
func ParsePower(s string) (Power, error) {
	number, spelling, err := split(s, "800 W")
	if err != nil {
		return 0, err
	}
	if level, ok := map[string]int8{"dBm": milli, "dBW": 0}[spelling]; ok {
		x, err := decimal(number, 0)
		if err == nil {
			x, err = fromLevel(x, Unit{spelling, KindPowerDensity, level, true})
		}
		if err != nil {
			return 0, fmt.Errorf("%s %w: write for example %q", quote(s), err, "16 dBm")
		}
		return Power(x), nil
	}
	x, err := parseScaled(s, "power", "800 W", []scaleUnit{{"W", 0, 1}, {"mW", milli, 1}, {"kW", kilo, 1}, {"uW", micro, 1}})
	if err == nil && x < 0 {
		err = fmt.Errorf("%s is negative: a power is 0 or more, for example %q", quote(s), "800 W")
	}
	if err != nil {
		return 0, err
	}
	return Power(x), nil
}

// ParseRatio reads a ratio, "25 %" or "0.25", into a plain number. It is the one
// quantity that may stand without a unit. It may be negative or above 1.
func ParseRatio(s string) (float64, error) {
	const example = "25 %"
	text := strings.TrimSpace(s)
	if n := numberLen(text); n == 0 || n < len(text) {
		return parseScaled(s, "ratio", example, []scaleUnit{{"%", -2, 1}})
	}
	x, err := decimal(text, 0)
	if err != nil {
		return 0, fmt.Errorf("%s %w: write for example %q", quote(s), err, example)
	}
	return x, nil
}

// ParseDecibel reads a level difference or a gain, "20 dB" or "2.2 dBi", into dB.
func ParseDecibel(s string) (float64, error) {
	return parseScaled(s, "level difference", "20 dB", []scaleUnit{{"dB", 0, 1}, {"dBi", 0, 1}})
}

// parseScaled reads a value in one of units, in their SI unit.
func parseScaled(s, what, example string, units []scaleUnit) (float64, error) {
	number, spelling, err := split(s, example)
	if err != nil {
		return 0, err
	}
	key, _ := appendPlain(nil, spelling)
	known := make([]string, 0, len(units))
	for _, u := range units {
		if u.spelling != string(key) {
			known = append(known, u.spelling)
			continue
		}
		x, err := decimal(number, u.exp)
		if err != nil {
			return 0, fmt.Errorf("%s %w: write for example %q", quote(s), err, example)
		}
		return x * u.factor, nil
	}
	return 0, fmt.Errorf("%s: %s is no unit of %s here (known: %s): write for example %q",
		quote(s), quote(spelling), what, strings.Join(known, ", "), example)
}
