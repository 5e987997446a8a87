package calib

import (
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"ovenward/acquire/quantity"
)

func day(y int, m time.Month, d int) time.Time { return time.Date(y, m, d, 0, 0, 0, 0, time.UTC) }

func tabled() *Certificate {
	c := certificate()
	c.Factor = 1
	c.ByFrequency = []FrequencyPoint{{915e6, 1.2}, {2e9, 1.0}, {2.4e9, 1.1}, {2.5e9, 1.2}}
	return c
}

func TestFactorAt(t *testing.T) {
	for _, tc := range []struct {
		f      quantity.Frequency
		factor float64
		why    string
	}{
		{915e6, 1.2, ""},
		{2e9, 1.0, ""},
		{2.2e9, 1.05, ""}, // half way
		{2.45e9, 1.15, ""},
		{2.5e9, 1.2, ""},
		{1e9, 1.2, "1000 MHz lies in a gap of the table of certificate K-104, between 915 MHz and 2000 MHz, wider than an octave"},
		{1.9e9, 1.0, "lies in a gap"},
		{5.8e9, 1.2, "5800 MHz lies outside the table of certificate K-104, 915 MHz to 2500 MHz, and nothing is extrapolated"},
		{900e6, 1.2, "lies outside the table"},
		{0, 1.2, "the oven's frequency is not known"},
		{quantity.Frequency(math.NaN()), 1.2, "the oven's frequency is not known"},
	} {
		factor, why := tabled().FactorAt(tc.f)
		if math.Abs(factor-tc.factor) > 1e-12 || !strings.Contains(why, tc.why) || (why == "") != (tc.why == "") {
			t.Errorf("%s: %v, %q; want %v, %q", tc.f, factor, why, tc.factor, tc.why)
		}
		c := Correction{Certificate: tabled(), Setting: Setting{Frequency: tc.f}}
		ch, at := c.Chain(), day(2026, 5, 1)
		if c.Calibrated(at) != (tc.why == "") || ch.InForce(at) != (tc.why == "") {
			t.Errorf("%s: calibrated %v and %v", tc.f, c.Calibrated(at), ch.InForce(at))
		}
		if s, _, _ := ch.Apply(Raw{S: 10}); math.Abs(float64(s)-10*tc.factor) > 1e-11 {
			t.Errorf("%s: 10 W/m² is corrected to %v", tc.f, float64(s))
		}
	}
	one := certificate()
	one.Factor, one.ByFrequency = 1, []FrequencyPoint{{2.45e9, 1.07}}
	if f, why := one.FactorAt(2.45e9); f != 1.07 || why != "" {
		t.Errorf("one row at its own frequency: %v, %q", f, why)
	}
	if _, why := one.FactorAt(2.46e9); why == "" {
		t.Error("one row reaches another frequency")
	}
}

// Between two rows the factor lies between theirs; it never leaves the table.
func TestFactorsAreInterpolated(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		f := rapid.Float64Range(2e9, 2.5e9).Draw(t, "f")
		got, why := tabled().FactorAt(quantity.Frequency(f))
		if why != "" || got < 1.0-1e-12 || got > 1.2+1e-12 {
			t.Fatalf("%v Hz: %v, %q", f, got, why)
		}
	})
}

func TestLinearity(t *testing.T) {
	c := certificate()
	c.Factor = 2
	c.ByLevel = []LevelPoint{{1, 1.1}, {10, 1.0}, {50, 0.9}}
	ch := Correction{Zero: 0.5, Certificate: c}.Chain()
	for _, tc := range []struct {
		raw, s  float64
		covered bool
	}{
		{0.5, 0, true},
		{1.5, 2 * 1.1, true},           // level 1
		{0.6, 2 * 0.1 * 1.1, true},     // below the table its first factor holds
		{-0.5, -2 * 1.1, true},         // noise below zero
		{6, 2 * 5.5 * 1.05, true},      // half way
		{10.5, 2 * 10, true},           // level 10
		{50.5, 2 * 50 * 0.9, true},     // level 50
		{100.5, 2 * 100 * 0.9, false},  // above the table
		{math.NaN(), math.NaN(), true}, // no value has no level
	} {
		s, _, covered := ch.Apply(Raw{S: quantity.PowerDensity(tc.raw)})
		if !(math.Abs(float64(s)-tc.s) < 1e-12 || math.IsNaN(tc.s) && math.IsNaN(float64(s))) || covered != tc.covered {
			t.Errorf("%v W/m²: %v, covered %v; want %v, %v", tc.raw, float64(s), covered, tc.s, tc.covered)
		}
	}
}

// A probe that reads 0.5 % more per kelvin above 23 °C reads 5 % too much at
// 33 °C.
func TestTemperature(t *testing.T) {
	c := certificate()
	c.Factor, c.PerKelvin, c.Reference = 1, 0.005, 23
	at := func(says bool, in Raw) (float64, bool) {
		ch := Correction{Certificate: c, Setting: Setting{SaysTemperature: says}}.Chain()
		s, _, covered := ch.Apply(in)
		return float64(s), covered
	}
	for _, tc := range []struct {
		says    bool
		in      Raw
		s       float64
		covered bool
	}{
		{true, Raw{10.5, 33, true}, 10, true},
		{true, Raw{9.5, 13, true}, 10, true},
		{true, Raw{10, 23, true}, 10, true},
		{true, Raw{10, 0, false}, 10, false},   // it should have said its temperature
		{true, Raw{10, 850, true}, 10, false},  // a broken thermometer
		{true, Raw{10, -273, true}, 10, false}, //
		{false, Raw{10, 0, false}, 10, true},   // the budget holds what is not corrected
		{false, Raw{10, 33, true}, 10, true},
	} {
		if s, covered := at(tc.says, tc.in); math.Abs(s-tc.s) > 1e-12 || covered != tc.covered {
			t.Errorf("%+v (says its temperature: %v): %v, covered %v; want %v, %v", tc.in, tc.says, s, covered, tc.s, tc.covered)
		}
	}
}

func TestCertificateInForce(t *testing.T) {
	at := func(y int, m time.Month, d int) time.Time { return day(y, m, d).Add(12 * time.Hour) }
	old := &Certificate{Number: "1", Date: day(2024, 3, 1), Due: day(2025, 3, 1)}
	next := &Certificate{Number: "2", Date: day(2025, 2, 1), Due: day(2026, 2, 1)}
	newest := &Certificate{Number: "3", Date: day(2026, 6, 1), Due: day(2027, 6, 1)}
	for _, order := range [][]*Certificate{{old, next, newest}, {newest, next, old}, {next, newest, old}} {
		for _, tc := range []struct {
			at   time.Time
			want *Certificate
			why  string
		}{
			{at(2023, 1, 1), old, "certificate 1 is not valid before 2024-03-01"},
			{at(2024, 3, 1), old, ""},
			{at(2025, 1, 31), old, ""},
			{day(2025, 2, 1), next, ""}, // the new one, though the old one is not due yet
			{at(2026, 3, 1), next, "certificate 2 was due on 2026-02-01"},
			{at(2026, 6, 1), newest, ""},
			{at(2028, 1, 1), newest, "was due on 2027-06-01"},
		} {
			got := InForce(order, tc.at)
			if got != tc.want {
				t.Errorf("%s: certificate %s, want %s", tc.at, got.Number, tc.want.Number)
				continue
			}
			if why := (Correction{Certificate: got}).Lacking(tc.at); !strings.Contains(why, tc.why) || (why == "") != (tc.why == "") {
				t.Errorf("%s: %q, want %q", tc.at, why, tc.why)
			}
		}
		if next, ok := NextDate(order, at(2025, 2, 1)); !ok || !next.Equal(day(2026, 6, 1)) {
			t.Errorf("the next certificate comes on %v, %v", next, ok)
		}
		if _, ok := NextDate(order, at(2026, 6, 1)); ok {
			t.Error("a certificate comes after the newest")
		}
	}
	if InForce(nil, at(2026, 1, 1)) != nil {
		t.Error("a certificate out of nothing")
	}
}

func TestFlaws(t *testing.T) {
	sound := func() *Certificate {
		c := tabled()
		c.ByLevel = []LevelPoint{{1, 1}, {10, 1.02}}
		return c
	}
	if f := sound().Flaws(); len(f) > 0 {
		t.Errorf("a sound certificate has flaws: %+v", f)
	}
	for _, tc := range []struct {
		name string
		set  func(*Certificate)
		key  string
		row  int
		what string
	}{
		{"dates reversed", func(c *Certificate) { c.Date, c.Due = c.Due, c.Date }, "due", -1, "it is not after date, 2027-03-01; write the day by which"},
		{"dates the same", func(c *Certificate) { c.Due = c.Date }, "due", -1, "it is not after date"},
		{"negative factor", func(c *Certificate) { c.Factor = -1.03 }, "factor", -1, "the factor -1.03 is out of range; write a number from 0.1 to 10"},
		{"no factor", func(c *Certificate) { c.Factor = math.NaN() }, "factor", -1, "out of range"},
		{"bound of as found", func(c *Certificate) { c.FoundBound = -0.1 }, "as_found_bound", -1, "out of range"},
		{"negative as found", func(c *Certificate) { c.AsFound = -1 }, "as_found", -1, "out of range"},
		{"no uncertainty", func(c *Certificate) { c.U = 0 }, "expanded_uncertainty", -1, "out of range"},
		{"k of nothing", func(c *Certificate) { c.K = 0.5 }, "k", -1, "out of range"},
		{"half a degree of freedom", func(c *Certificate) { c.DF = 0.5 }, "degrees_of_freedom", -1, "out of range"},
		{"coefficient", func(c *Certificate) { c.PerKelvin = 0.2 }, "temperature_coefficient", -1, "20 %/K is out of range"},
		{"reference", func(c *Certificate) { c.Reference = 296 }, "reference_temperature", -1, "296 °C is out of range"},
		{"negative factor in a table", func(c *Certificate) { c.ByFrequency[2].Factor = -1 }, "frequency_factor", 2, "the factor -1 is out of range"},
		{"frequency twice", func(c *Certificate) { c.ByFrequency[1].Frequency = 915e6 }, "frequency_factor", 1, "915 MHz stands in the row before already; keep one of the two"},
		{"frequencies out of order", func(c *Certificate) { c.ByFrequency[3].Frequency = 2.1e9 }, "frequency_factor", 3, "2100 MHz is below 2400 MHz of the row before; write the rows in rising order"},
		{"no frequency", func(c *Certificate) { c.ByFrequency[0].Frequency = 0 }, "frequency_factor", 0, "is not above zero"},
		{"level twice", func(c *Certificate) { c.ByLevel[1].Level = 1 }, "linearity", 1, "stands in the row before already"},
		{"gap of levels", func(c *Certificate) { c.ByLevel[1].Level = 10.1 }, "linearity", 1, "from 0.1 mW/cm² to 1.01 mW/cm² is a gap wider than a factor of 10"},
		{"negative level", func(c *Certificate) { c.ByLevel[0].Level = -1 }, "linearity", 0, "is not above zero"},
		{"level without a number", func(c *Certificate) { c.ByLevel[0].Level = quantity.PowerDensity(math.NaN()) }, "linearity", 0, "is not above zero"},
		{"factor of a level", func(c *Certificate) { c.ByLevel[1].Factor = 11 }, "linearity", 1, "the factor 11 is out of range"},
	} {
		c := sound()
		tc.set(c)
		if !slices.ContainsFunc(c.Flaws(), func(f Flaw) bool {
			return f.Key == tc.key && f.Row == tc.row && strings.Contains(f.What, tc.what)
		}) {
			t.Errorf("%s: %+v, want %s, row %d: %q", tc.name, c.Flaws(), tc.key, tc.row, tc.what)
		}
	}
}

// A table made ready gives what straight lines between its rows give.
func TestSpansAreLinesBetweenRows(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var rows []LevelPoint
		level := 0.0
		for range rapid.IntRange(1, 6).Draw(t, "rows") {
			level += rapid.Float64Range(1e-3, 50).Draw(t, "step")
			rows = append(rows, LevelPoint{quantity.PowerDensity(level), rapid.Float64Range(0.5, 2).Draw(t, "factor")})
		}
		spans := levelSpans(rows)
		x := rapid.OneOf(rapid.Float64Range(-1, level*1.2), rapid.Map(rapid.IntRange(0, len(rows)-1), func(i int) float64 { return float64(rows[i].Level) })).Draw(t, "x")
		want, inside := rows[len(rows)-1].Factor, x <= level
		if x <= float64(rows[0].Level) {
			want = rows[0].Factor
		}
		for i := 1; i < len(rows); i++ {
			if lo, hi := rows[i-1], rows[i]; x > float64(lo.Level) && x <= float64(hi.Level) {
				want = between(float64(lo.Level), lo.Factor, float64(hi.Level), hi.Factor, x)
			}
		}
		if got, in := factorIn(spans, x); math.Abs(got-want) > 1e-15*4 || in != inside {
			t.Fatalf("%v: factor %v, inside %v; want %v, %v", x, got, in, want, inside)
		}
	})
}
