package main

import (
	"errors"
	"fmt"
	"io"
	"math"
	"strings"

	"ovenward/acquire/field"
	"ovenward/acquire/quantity"
)

const convertHelp = `usage: ovenward convert VALUE UNIT [--impedance=codata|377]

Converts a power density or a field strength into another unit, for example:
  ovenward convert "1 mW/cm2" "V/m"
  ovenward convert "46.99 dBm/m2" "mW/cm2"

The first line printed is the value with its unit; what it assumes stands below.

  --impedance=codata   376.730313412 Ω (CODATA 2022), the default
  --impedance=377      377 Ω, as the oven standard defines it (21 CFR 1030.10(b)(8))

Units: `

// errConvertHelp says that the operator asked for help.
var errConvertHelp = errors.New("help asked for")

// convertCommand converts a value into another unit, prints it on the first line
// of stdout and what it assumed below, and returns the exit code.
func convertCommand(args []string, stdout, stderr io.Writer) int {
	text, err := convert(args)
	if errors.Is(err, errConvertHelp) {
		fmt.Fprintln(stdout, convertHelp+unitLines())
		return 0
	}
	if err != nil {
		fmt.Fprintf(stderr, "ovenward convert: %v\n", err)
		return 1
	}
	if _, err := io.WriteString(stdout, text); err != nil {
		fmt.Fprintf(stderr, "ovenward convert: print the result: %v\n", err)
		return 1
	}
	return 0
}

// conversion is what the operator asked for.
type conversion struct {
	value, unit string
	impedance   field.Impedance
}

func convert(args []string) (string, error) {
	c, err := parseConvert(args)
	if err != nil {
		return "", err
	}
	si, from, err := quantity.ParseField(c.value)
	if err != nil {
		return "", err
	}
	to, ok := quantity.LookupUnit(c.unit)
	if !ok {
		return "", fmt.Errorf("%q is no unit of power density or field strength: use one of %s", c.unit, unitList())
	}
	result, err := converted(c, si, from, to, c.impedance)
	if err != nil {
		return "", err
	}
	var b strings.Builder
	fmt.Fprintln(&b, result)
	if from.Kind() == to.Kind() {
		fmt.Fprintf(&b, "assumes nothing: both are units of %s, and no impedance enters\n", to.Kind())
	} else {
		other := field.Standard377
		if c.impedance == field.Standard377 {
			other = field.CODATA2022
		}
		fmt.Fprintf(&b, "assumes a plane wave in the far field, with Z0 = %s: S = E²/Z0 = H²·Z0\n", c.impedance)
		if alternative, err := converted(c, si, from, to, other); err == nil {
			fmt.Fprintf(&b, "with Z0 = %s it would be %s\n", other, alternative)
		}
		const oven = 2450e6 // Hz, the ISM band's centre (47 CFR 18.301)
		fmt.Fprintf(&b, "near a source (within λ/2π, which is %s at %s) E, H and S are not tied like this\n",
			field.ReactiveEdge(oven), quantity.Frequency(oven))
	}
	if needsMeanNote(from) || needsMeanNote(to) {
		fmt.Fprintln(&b, "values are root-mean-square at one instant; a mean of V/m, A/m or dB is not a mean of power: average S, in W/m²")
	}
	return b.String(), nil
}

// parseConvert reads the arguments; flags may stand anywhere, and "-20 dBm/m2" is
// a value.
func parseConvert(args []string) (conversion, error) {
	c := conversion{impedance: field.CODATA2022}
	var words []string
	for i := 0; i < len(args); i++ {
		name, value, given := strings.Cut(args[i], "=")
		switch {
		case args[i] == "--":
			words = append(words, args[i+1:]...)
			i = len(args)
		case name == "--help" || name == "-help" || name == "-h":
			return c, errConvertHelp
		case name == "--impedance" || name == "-impedance":
			if !given {
				if i++; i == len(args) {
					return c, errors.New(`--impedance needs a name: write "--impedance=377" or "--impedance=codata"`)
				}
				value = args[i]
			}
			z, err := field.ParseImpedance(value)
			if err != nil {
				return c, err
			}
			c.impedance = z
		case len(name) > 1 && name[0] == '-' && !strings.ContainsAny(name[1:2], "0123456789."):
			return c, fmt.Errorf("unknown flag %s: see ovenward convert --help", name)
		default:
			words = append(words, args[i])
		}
	}
	if len(words) != 2 {
		return c, fmt.Errorf(`a value and a unit are wanted, each in quotes: two words, not %d: ovenward convert "1 mW/cm2" "V/m"`, len(words))
	}
	c.value, c.unit = words[0], words[1]
	return c, nil
}

// converted prints si, in the SI unit of from, in the unit to. A change of decimal
// unit keeps every digit; all else is printed to 6 significant digits, or 4
// decimals of a decibel.
func converted(c conversion, si float64, from, to quantity.Unit, z field.Impedance) (string, error) {
	x := z.Convert(si, from.Kind(), to.Kind())
	switch {
	case math.IsNaN(x):
		return "", fmt.Errorf("%q is below zero, and only a power density of 0 or more has a field strength: give one", c.value)
	case math.IsInf(x, 0) || si != 0 && x == 0:
		return "", fmt.Errorf("%q is too large or too small to convert: give a value met in practice", c.value)
	case to.IsLevel() && x <= 0:
		return "", fmt.Errorf("%q is not above zero, and has no level in %s: convert it to %s", c.value, to, to.SI())
	case to.IsLevel():
		return to.FormatDigits(x, 4), nil
	case from.Kind() == to.Kind() && !from.IsLevel():
		return to.FormatExact(x), nil
	}
	return to.FormatDigits(x, 6), nil
}

// needsMeanNote reports whether means of values in u mislead.
func needsMeanNote(u quantity.Unit) bool {
	return u.IsLevel() || u.Kind() != quantity.KindPowerDensity
}

// unitList names the units, as one types them.
func unitList() string {
	var names []string
	for _, u := range quantity.Units() {
		names = append(names, u.ASCII())
	}
	return strings.Join(names, ", ")
}

// unitLines is unitList on two lines, for the help.
func unitLines() string {
	list := unitList()
	half := len(list)/2 + strings.Index(list[len(list)/2:], ", ") + len(",")
	return list[:half] + "\n      " + list[half:]
}
