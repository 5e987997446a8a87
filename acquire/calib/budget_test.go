package calib

import (
	"math"
	"strings"
	"testing"
	"time"

	"ovenward/acquire/quantity"
)

func term(t *testing.T, b Budget, name string) Term {
	t.Helper()
	for _, x := range b.Terms {
		if x.Name == name {
			return x
		}
	}
	t.Fatalf("no term %q in %+v", name, b.Terms)
	return Term{}
}

// The model probe at 50 W/m² and 50 mm, by hand: 15 %/2 = 7.5 %, and half-widths
// over √3 of 5 %, 10 %, 12 %, 2 % (10 K at 0.2 %/K) and 2·2 mm/50 mm = 8 %; and in
// W/m², times the factor 1.03, 0.6/√3, 0.01/√3 and 0.2/3.
func TestProbeBudget(t *testing.T) {
	n, cert := modelProbe()
	b := ProbeBudget(n, cert, nil)
	rel := math.Sqrt(0.075*0.075 + (0.05*0.05+0.1*0.1+0.12*0.12+0.02*0.02+0.08*0.08)/3)
	abs := 1.03 * math.Sqrt((0.6*0.6+0.01*0.01)/3+0.2*0.2/9)
	want := math.Hypot(50*rel, abs)
	total := b.At(50)
	if math.Abs(total.Combined-want) > 1e-9 || !math.IsInf(total.DF, 1) || math.Abs(total.K-1.959964) > 1e-6 || math.Abs(total.U-total.K*want) > 1e-9 {
		t.Errorf("combined %v W/m², k %v, U %v, ν %v; by hand %v", total.Combined, total.K, total.U, total.DF, want)
	}
	p := b.Spread(50)
	if math.Abs(p.Rel-rel) > 1e-12 || math.Abs(float64(p.Abs)-abs) > 1e-12 || p.K != total.K {
		t.Errorf("spread %+v; by hand %v and %v W/m²", p, rel, abs)
	}
	if u := float64(p.U(50)); math.Abs(u-total.U) > 1e-9 {
		t.Errorf("a sample of 50 W/m² has U = %v, the budget %v", u, total.U)
	}
	for _, x := range b.Terms {
		if x.Assumed == (x.Name == "calibration") || x.Assumed != strings.Contains(x.From, "assumed") {
			t.Errorf("%s is assumed: %v, from %q", x.Name, x.Assumed, x.From)
		}
	}
}

func TestStatedTermsTakeThePlaceOfAssumedOnes(t *testing.T) {
	n, cert := modelProbe()
	n.Stated = Doubt{Linearity: 0.03, FrequencyResponse: 0.04, Isotropy: 0.05, Facing: 0.06, PerKelvin: 0.001, Ambient: 5, Zero: 0.1,
		Resolution: 0.02, Noise: 0.03, NoiseReadings: 21, Distance: 0.001, Falloff: 1.5}
	cert.DF = 12
	b := ProbeBudget(n, cert, nil)
	for name, want := range map[string]float64{"linearity": 0.03, "frequency response": 0.04, "isotropy": 0.05, "temperature": 5, "zero": 0.1,
		"resolution": 0.01, "distance": 0.001, "reading noise": 0.03, "calibration": 0.15} {
		if x := term(t, b, name); x.Value != want || x.Assumed {
			t.Errorf("%s: %v %s, assumed %v; want %v as stated", name, x.Value, x.Unit, x.Assumed, want)
		}
	}
	if d := term(t, b, "distance"); math.Abs(d.Sensitivity-30) > 1e-12 { // n/r = 1.5/0.05 m
		t.Errorf("sensitivity to distance %v per m", d.Sensitivity)
	}
	if x := term(t, b, "reading noise"); x.DF != 20 || x.Distribution != Student {
		t.Errorf("noise of 21 readings has ν = %v, %s", x.DF, x.Distribution)
	}
	// Only the certificate and the noise have limited degrees of freedom.
	u, df := Combine(Component{50 * 0.075, 12}, Component{1.03 * 0.03, 20}, Component{math.Sqrt(math.Pow(b.At(50).Combined, 2) - math.Pow(50*0.075, 2) - math.Pow(1.03*0.03, 2)), math.Inf(1)})
	if total := b.At(50); math.Abs(total.Combined-u) > 1e-9 || math.Abs(total.DF-df) > 1e-6 || total.K != Coverage(0.95, math.Floor(df)) {
		t.Errorf("combined %v, ν %v, k %v; want %v, %v", total.Combined, total.DF, total.K, u, df)
	}
	n.Axes = 1
	if x := term(t, ProbeBudget(n, cert, nil), "facing"); x.Value != 0.06 {
		t.Errorf("facing: %+v", x)
	}
}

func TestBudgetFollowsTheCertificate(t *testing.T) {
	n, cert := modelProbe()
	n.ZeroBound = 2
	cert.PerKelvin, cert.Reference = 0.004, 23
	cert.ByLevel = []LevelPoint{{1, 1}, {5, 1}}
	cert.Factor, cert.ByFrequency = 1, []FrequencyPoint{{2.45e9, 1.2}}
	n.Setting.Frequency = 2.45e9
	b := ProbeBudget(n, cert, nil)
	for name, want := range map[string]float64{"linearity": 0.01, "frequency response": 0.02, "zero": 2, "temperature": 10} {
		if x := term(t, b, name); x.Value != want {
			t.Errorf("%s: %v, want %v", name, x.Value, want)
		}
	}
	if x := term(t, b, "zero"); x.Sensitivity != 1.2 || x.Assumed {
		t.Errorf("the zero is multiplied by the factor too: %+v", x)
	}
	if x := term(t, b, "temperature"); x.Sensitivity != 0.004 {
		t.Errorf("temperature: %+v", x)
	}
	n.Setting.SaysTemperature = true
	if x := term(t, ProbeBudget(n, cert, nil), "temperature"); x.Value != 1 || !strings.Contains(x.From, "its own thermometer") {
		t.Errorf("temperature of a probe that says it: %+v", x)
	}
	if len(b.Notes) != 0 {
		t.Errorf("notes %q", b.Notes)
	}
	n.Setting.Frequency, n.Axes = 5.8e9, 1
	notes := strings.Join(ProbeBudget(n, cert, nil).Notes, "\n")
	for _, want := range []string{"lies outside the table", "values are uncalibrated", "a lower bound"} {
		if !strings.Contains(notes, want) {
			t.Errorf("notes %q lack %q", notes, want)
		}
	}
	none := ProbeBudget(n, nil, nil)
	if len(none.Terms) > 0 || !strings.Contains(none.Notes[0], "no calibration certificate") {
		t.Errorf("without a certificate: %+v", none)
	}
	if c := Correct(n, nil, 50); c.Spread != (Spread{}) || c.Coverage() != 0 {
		t.Errorf("without a certificate: %+v", c)
	}
}

// A record of before has no budget: then the certificate's own uncertainty
// counts, as it was judged.
func TestCorrectionWithoutBudget(t *testing.T) {
	c := Correction{Certificate: certificate()}
	if _, u := c.Apply(8); math.Abs(float64(u)-1) > 1e-12 || c.Coverage() != 2 {
		t.Errorf("±%v at k = %v, want ±1 at 2", float64(u), c.Coverage())
	}
	c.Spread = Spread{Rel: 0.1, Abs: 0.3, K: 2.1}
	if _, u := c.Apply(8); math.Abs(float64(u)-2.1*math.Sqrt(1+0.09)) > 1e-12 || c.Coverage() != 2.1 {
		t.Errorf("±%v at k = %v", float64(u), c.Coverage())
	}
}

func TestDrift(t *testing.T) {
	at := time.Date(2026, 3, 4, 12, 0, 0, 0, time.UTC)
	for _, tc := range []struct {
		was, is quantity.PowerDensity
		wasAt   time.Time
		want    string
	}{
		{0, 0.2, time.Time{}, "none was taken before; it has drifted by +0.02 mW/cm² from the maker's"},
		{0.1, 0.3, at.Add(-90 * time.Minute), "it has drifted by +0.02 mW/cm² in 90 min, since the zero of 2026-03-04 10:30:00 UTC"},
		{0.3, 0.1, at.Add(-time.Hour), "it has drifted by -0.02 mW/cm² in 1 h, since the zero of 2026-03-04 11:00:00 UTC"},
	} {
		if got := Drift(tc.was, tc.wasAt, tc.is, at, time.UTC); got != tc.want {
			t.Errorf("%q, want %q", got, tc.want)
		}
	}
}

// The correction of one sample, with all that a certificate can ask, and its
// filter.
func BenchmarkCorrect(b *testing.B) {
	n, cert := modelProbe()
	cert.ByLevel = []LevelPoint{{1, 1.1}, {10, 1.0}, {50, 0.9}, {200, 0.95}}
	cert.PerKelvin, cert.Reference, n.Setting.SaysTemperature = 0.002, 23, true
	ch := Correct(n, cert, 50).Chain()
	f := NewFilter(time.Second, 3*time.Second)
	at := day(2026, 6, 1)
	var mono time.Duration
	b.ReportAllocs()
	for b.Loop() {
		mono += 10 * time.Millisecond
		s, _, _ := ch.Apply(Raw{S: 42, Temperature: 25, HasTemperature: true})
		f.Observe(mono, s)
		if !ch.InForce(at) {
			b.Fatal("not in force")
		}
	}
}

func TestCorrectingAllocatesNothing(t *testing.T) {
	n, cert := modelProbe()
	ch := Correct(n, cert, 50).Chain()
	f := NewFilter(time.Second, 3*time.Second)
	at := day(2026, 6, 1)
	if n := testing.AllocsPerRun(100, func() {
		s, _, _ := ch.Apply(Raw{S: 42})
		f.Observe(time.Second, s)
		ch.InForce(at)
	}); n != 0 {
		t.Errorf("%v allocations a sample", n)
	}
}
