package quantity

import (
	"fmt"
	"math"
	"testing"
	"time"

	"pgregory.net/rapid"
)

func TestFormat(t *testing.T) {
	mw, w := MilliwattPerSquareCentimetre(), WattPerSquareMetre()
	inf := PowerDensity(math.Inf(1))
	for _, c := range []struct {
		s    PowerDensity
		u    Unit
		want string
	}{
		{4.12, mw, "0.412 mW/cm²"},
		{10, mw, "1 mW/cm²"},
		{50, w, "50 W/m²"},
		{1.23456, w, "1.235 W/m²"},
		{123456, w, "123500 W/m²"},
		{0.99996, w, "1 W/m²"},
		{-0.2, mw, "-0.02 mW/cm²"},
		{0, mw, "0 mW/cm²"},
		{PowerDensity(math.Copysign(0, -1)), mw, "0 mW/cm²"},
		{1e-12, mw, "1e-13 mW/cm²"},
		{2.5e16, w, "2.5e16 W/m²"},
		{50, DecibelMilliwattPerSquareMetre(), "46.99 dBm/m²"},
		{0.1, DecibelWattPerSquareMetre(), "-10 dBW/m²"},
		{0, DecibelMilliwattPerSquareMetre(), "0 W/m²"}, // no level: printed in W/m²
		{-1, DecibelMilliwattPerSquareMetre(), "-1 W/m²"},
		{PowerDensity(math.NaN()), mw, "no value"},
		{PowerDensity(math.NaN()), DecibelMilliwattPerSquareMetre(), "no value"},
		{inf, mw, "∞ mW/cm²"},
		{-inf, mw, "-∞ mW/cm²"},
		{inf, DecibelMilliwattPerSquareMetre(), "∞ dBm/m²"},
		{1, Unit{}, "1 W/m²"},
	} {
		if got := c.s.Format(c.u); got != c.want {
			t.Errorf("%v W/m² in %v prints %q, want %q", float64(c.s), c.u, got, c.want)
		}
	}
	if got := fmt.Sprint(PowerDensity(50)); got != "5 mW/cm²" {
		t.Errorf("50 W/m² prints %q, want mW/cm²", got)
	}
}

func TestFormatOthers(t *testing.T) {
	for got, want := range map[string]string{
		Length(0.05).String():            "50 mm",
		Length(1.8288).String():          "1.8288 m",
		Length(12e-6).String():           "12 µm",
		Length(0).String():               "0 m",
		Frequency(2450e6).String():       "2450 MHz",
		Frequency(24.125e9).String():     "24.125 GHz",
		Frequency(50).String():           "50 Hz",
		Power(800).String():              "800 W",
		Power(0.0398107).String():        "39.81 mW",
		FieldStrength(61.4).String():     "61.4 V/m",
		MagneticField(0.163).String():    "0.163 A/m",
		EnergyDensity(18000).String():    "18 kJ/m²",
		EnergyDensity(-2).String():       "-2 J/m²",
		Length(math.NaN()).String():      "no value",
		Length(math.NaN()).FormatExact(): "no value",
		// 10 W/m² for 6 min is 3600 J/m².
		PowerDensity(10).Over(6 * time.Minute).String(): "3.6 kJ/m²",
	} {
		if got != want {
			t.Errorf("printed %q, want %q", got, want)
		}
	}
}

func TestFormatUncertain(t *testing.T) {
	mw := MilliwattPerSquareCentimetre()
	nan := PowerDensity(math.NaN())
	for _, c := range []struct {
		s, expanded PowerDensity
		u           Unit
		want        string
	}{
		{4.12, 0.5, mw, "(0.412 ± 0.050) mW/cm²"},
		{50, 9.96, mw, "(5.0 ± 1.0) mW/cm²"}, // rounding carries into the next digit
		{1234, 120, WattPerSquareMetre(), "(1234 ± 120) W/m²"},
		{50, 0, mw, "5 mW/cm²"},
		{50, nan, mw, "5 mW/cm² (uncertainty not known)"},
		{50, -1, mw, "5 mW/cm² (uncertainty not known)"},
		{nan, 1, mw, "no value"},
		{50, 10, DecibelMilliwattPerSquareMetre(), "(50 ± 10) W/m²"},
	} {
		if got := c.s.FormatUncertain(c.expanded, c.u); got != c.want {
			t.Errorf("%v ± %v prints %q, want %q", float64(c.s), float64(c.expanded), got, c.want)
		}
	}
}

// Whatever the float64 and the linear unit, printing all digits and reading them
// gives the same value, to the bit.
func TestExactRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		u := rapid.SampledFrom(Units()).Draw(t, "unit")
		x := rapid.Float64().Filter(func(x float64) bool { return !math.IsNaN(x) && !math.IsInf(x, 0) }).Draw(t, "si")
		if u.Kind() != KindPowerDensity {
			x = math.Abs(x)
		}
		if u.IsLevel() {
			x = rapid.Float64Range(1e-12, 1e12).Draw(t, "level")
		}
		text := u.FormatExact(x)
		got, read, err := ParseField(text)
		if err != nil || read != u {
			t.Fatalf("%v of %v printed %q, read as %v, %v", x, u, text, read, err)
		}
		if u.IsLevel() && !near(got, x, 2e-13) || !u.IsLevel() && got != x {
			t.Fatalf("%v of %v printed %q, read as %v", x, u, text, got)
		}
	})
}

// A decimal that a person wrote comes back as written, levels included.
func TestDecimalTextRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		u := rapid.SampledFrom(Units()).Draw(t, "unit")
		whole := `0|[1-9][0-9]{0,2}`
		if u.IsLevel() {
			whole = `0|[1-9][0-9]?` // FormatExact's 12 decimals hold below 100 dB
		}
		text := rapid.StringMatching(`(`+whole+`)(\.[0-9]{0,8}[1-9])?`).Draw(t, "number")
		text += " " + u.String()
		x, _, err := ParseField(text)
		if err != nil {
			t.Fatal(err)
		}
		if got := u.FormatExact(x); got != text {
			t.Fatalf("%q printed as %q", text, got)
		}
	})
}

func TestScaledRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		x := rapid.Float64Range(1e-9, 1e12).Draw(t, "si")
		if l, err := ParseLength(Length(x).FormatExact()); err != nil || l != Length(x) {
			t.Fatalf("length %v: %v, %v", x, float64(l), err)
		}
		if f, err := ParseFrequency(Frequency(x).FormatExact()); err != nil || f != Frequency(x) {
			t.Fatalf("frequency %v: %v, %v", x, float64(f), err)
		}
		if p, err := ParsePower(Power(x).FormatExact()); err != nil || p != Power(x) {
			t.Fatalf("power %v: %v, %v", x, float64(p), err)
		}
		// What people read is within its digits, and reads back.
		if l, err := ParseLength(Length(x).String()); err != nil || !near(float64(l), x, 6e-6) {
			t.Fatalf("length %v reads %v: %v, %v", x, Length(x), float64(l), err)
		}
	})
}
