package quantity

import (
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// The unit ladder is exact arithmetic: 1 mW/cm² = 10 W/m² by the meaning of the
// prefixes; levels are 10·log10, and 10·log10 5 = 6.98970004336….
func TestUnitLadder(t *testing.T) {
	units := []Unit{MilliwattPerSquareCentimetre(), WattPerSquareMetre(), MicrowattPerSquareCentimetre(), MilliwattPerSquareMetre(),
		DecibelMilliwattPerSquareCentimetre(), DecibelMilliwattPerSquareMetre(), DecibelWattPerSquareMetre()}
	const five = 6.989700043360188
	for _, row := range [][]float64{
		{0.01, 0.1, 10, 100, -20, 20, -10},
		{0.1, 1, 100, 1000, -10, 30, 0},
		{1, 10, 1000, 10000, 0, 40, 10},
		{5, 50, 5000, 50000, five, 40 + five, 10 + five},
		{10, 100, 10000, 100000, 10, 50, 20},
	} {
		for i, from := range units {
			s, ok := from.PowerDensity(row[i])
			if !ok {
				t.Fatalf("%v is no unit of power density", from)
			}
			if want := row[1]; !near(float64(s), want, 4e-15) {
				t.Errorf("%v %v = %v W/m², want %v", row[i], from, float64(s), want)
			}
			for j, to := range units {
				if got := s.In(to); math.Abs(got-row[j]) > 4e-14*max(1, math.Abs(row[j])) {
					t.Errorf("%v %v = %v %v, want %v", row[i], from, got, to, row[j])
				}
			}
		}
	}
}

func near(got, want, rel float64) bool { return math.Abs(got-want) <= rel*math.Abs(want) }

func TestFieldLevels(t *testing.T) {
	// dBµV/m counts from 1 µV/m in steps of 20 dB a decade: 1 V/m is 120 dBµV/m.
	if got := FieldStrength(1).In(DecibelMicrovoltPerMetre()); math.Abs(got-120) > 1e-12 {
		t.Errorf("1 V/m = %v dBµV/m, want 120", got)
	}
	if got := MagneticField(0.001).Format(mustUnit(t, "dBuA/m")); got != "60 dBµA/m" {
		t.Errorf("1 mA/m = %s, want 60 dBµA/m", got)
	}
}

func mustUnit(t *testing.T, spelling string) Unit {
	t.Helper()
	u, ok := LookupUnit(spelling)
	if !ok {
		t.Fatalf("LookupUnit(%q) finds nothing", spelling)
	}
	return u
}

func TestLookupUnit(t *testing.T) {
	for want, spellings := range map[Unit][]string{
		MilliwattPerSquareCentimetre():        {"mW/cm2", "mW/cm²", "mW/cm^2", " mW/cm2 "},
		MicrowattPerSquareCentimetre():        {"uW/cm2", "µW/cm2", "μW/cm²", "uW/cm^2"},
		WattPerSquareMetre():                  {"W/m2", "W/m²"},
		MilliwattPerSquareMetre():             {"mW/m2"},
		DecibelMilliwattPerSquareMetre():      {"dBm/m2", "dBm/m²", "dB(mW/m2)"},
		DecibelMilliwattPerSquareCentimetre(): {"dBm/cm2", "dB(mW/cm²)"},
		DecibelWattPerSquareMetre():           {"dBW/m2", "dB(W/m2)"},
		VoltPerMetre():                        {"V/m"},
		AmperePerMetre():                      {"A/m"},
		DecibelMicrovoltPerMetre():            {"dBuV/m", "dBµV/m", "dBμV/m", "dB(µV/m)"},
	} {
		for _, s := range spellings {
			if got, ok := LookupUnit(s); !ok || got != want {
				t.Errorf("LookupUnit(%q) = %v, %v, want %v", s, got, ok, want)
			}
		}
	}
	for _, s := range []string{"", "W", "MW/cm2", "mw/cm2", "mW/cm3", "mW", "m", "dB", "dB()", "dB(mW/m2", "mW^/cm2", "mW/cm2^",
		"mW/cm\xff2", "mW / cm2", "dBm", strings.Repeat("mW/cm2", 50)} {
		if got, ok := LookupUnit(s); ok {
			t.Errorf("LookupUnit(%q) = %v, want none", s, got)
		}
	}
}

func TestUnitSpellings(t *testing.T) {
	seen, all := map[string]bool{}, map[Unit]int{}
	for _, s := range UnitSpellings() {
		u, ok := LookupUnit(s)
		if !ok {
			t.Errorf("LookupUnit does not know the listed spelling %q", s)
		}
		if seen[s] {
			t.Errorf("%q is listed twice", s)
		}
		seen[s] = true
		all[u]++
	}
	for _, u := range Units() {
		if all[u] == 0 || !seen[u.String()] || !seen[u.ASCII()] {
			t.Errorf("%v lacks spellings: %d listed", u, all[u])
		}
	}
	for _, s := range []string{"mW/cm2", "μW/cm^2", "dB(µV/m)", "dBm/m²"} {
		if !seen[s] {
			t.Errorf("%q is not listed", s)
		}
	}
}

func TestZeroUnitAndWrongKind(t *testing.T) {
	var none Unit
	if got := none.String(); got != "no unit" {
		t.Errorf("zero Unit prints %q", got)
	}
	if s, ok := none.PowerDensity(1); ok || !math.IsNaN(float64(s)) {
		t.Errorf("zero Unit makes %v, %v", float64(s), ok)
	}
	if s, ok := VoltPerMetre().PowerDensity(61.4); ok || !math.IsNaN(float64(s)) {
		t.Errorf("61.4 V/m became a power density without an impedance: %v, %v", float64(s), ok)
	}
	if got := PowerDensity(10).In(VoltPerMetre()); !math.IsNaN(got) {
		t.Errorf("10 W/m² = %v V/m without an impedance", got)
	}
	if got := PowerDensity(10).Format(VoltPerMetre()); got != "10 W/m²" {
		t.Errorf("10 W/m² in V/m prints %q, want the SI unit", got)
	}
	if got := none.FormatExact(3); got != "no value" {
		t.Errorf("3 of no unit prints %q", got)
	}
}

// A change of linear unit there and back costs at most one rounding each way.
func TestUnitThereAndBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		u := rapid.SampledFrom(Units()).Draw(t, "unit")
		x := rapid.Float64Range(1e-12, 1e12).Draw(t, "si")
		tolerance := 3e-16
		if u.IsLevel() {
			tolerance = 2e-14
		}
		if got := u.ToSI(u.FromSI(x)); !near(got, x, tolerance) {
			t.Fatalf("%v there and back: %v, want %v", u, got, x)
		}
	})
}

func TestHotPathDoesNotAllocate(t *testing.T) {
	sum := 0.0
	if n := testing.AllocsPerRun(100, func() {
		u, _ := LookupUnit("µW/cm²")
		s, _ := u.PowerDensity(412)
		sum += s.In(MilliwattPerSquareCentimetre()) + s.In(DecibelMilliwattPerSquareMetre())
	}); n != 0 {
		t.Errorf("a unit looked up and applied allocates %v times", n)
	}
	if sum == 0 {
		t.Error("nothing was computed")
	}
}

// Multiplying by Multiple is what PowerDensity does, to the last bit.
func TestMultipleIsPowerDensity(t *testing.T) {
	some := 0
	for _, u := range Units() {
		m := u.Multiple()
		if m == 0 {
			continue
		}
		some++
		rapid.Check(t, func(t *rapid.T) {
			x := rapid.Float64().Draw(t, "x")
			if s, ok := u.PowerDensity(x); !ok || float64(s) != x*m {
				t.Fatalf("%v %v is %v W/m², and times %v %v", x, u, float64(s), m, x*m)
			}
		})
	}
	if some < 4 || VoltPerMetre().Multiple() != 0 || DecibelMilliwattPerSquareMetre().Multiple() != 0 || MilliwattPerSquareMetre().Multiple() != 0 {
		t.Errorf("%d units are multiples of 1 W/m²", some)
	}
}
