package stats

import (
	"math"
	"math/rand/v2"
	"os"
	"strings"
	"testing"

	"gonum.org/v1/gonum/stat"
)

// sulfate is example 17-6 of the US EPA's Unified Guidance (EPA 530/R-09-007, March
// 2009, p. 17-33): sampling dates and sulfate in ppm.
func sulfate() (x, y []float64) {
	return []float64{89.6, 89.8, 90.1, 90.3, 90.6, 90.8, 91.1, 91.3, 91.6, 91.8, 92.1, 92.6, 93.1, 93.6, 94.1, 94.6, 95.1, 95.6, 95.8, 96.1, 96.3, 96.6, 96.8},
		[]float64{480, 450, 490, 520, 485, 510, 510, 530, 510, 560, 560, 540, 590, 550, 600, 700, 570, 610, 650, 620, 830, 720, 590}
}

// TestUnifiedGuidanceExample17_6 holds all published digits. The tau printed with
// the example in one package's manual, 0.7667984, is not corrected for ties: ours
// states both.
func TestUnifiedGuidanceExample17_6(t *testing.T) {
	x, y := sulfate()
	s, err := TheilSen(x, y, 0.95)
	if err != nil {
		t.Fatal(err)
	}
	k := MannKendall(y)
	for name, v := range map[string]struct{ got, want, half float64 }{
		"slope":             {s.Slope, 26.66667, 5e-6},
		"intercept":         {s.Intercept, -1909.33333, 5e-6},
		"lower limit":       {s.Lo, 20.00000, 5e-6},
		"upper limit":       {s.Hi, 35.71182, 5e-6},
		"S":                 {float64(k.S), 194, 0},
		"Var S":             {k.Var, 1428, 1e-9},
		"z":                 {k.Z, 5.107322, 5e-7},
		"p":                 {k.P, 3.267574e-07, 5e-14},
		"tau, uncorrected":  {k.TauA, 0.7667984, 5e-8},
		"tau, ties correct": {k.TauB, 0.7744897, 5e-8},
		"pairs":             {float64(s.Pairs), 253, 0},
	} {
		if math.Abs(v.got-v.want) > v.half {
			t.Errorf("%s: %.10g, published %.10g", name, v.got, v.want)
		}
	}
}

// Five values of the EPA's QA/G-9 guidance (from memory): S = 6, and by arithmetic a
// one-sided exact probability of 14/120.
func TestExactMannKendall(t *testing.T) {
	k := MannKendall([]float64{5, 6, 11, 8, 10})
	if k.S != 6 || digits(k.P, 28.0/120) < 14 {
		t.Errorf("S = %d, p = %.15g, want 6 and 28/120", k.S, k.P)
	}
	if k := MannKendall([]float64{3, 1, 2, 4}); digits(k.P, exhaustive(4, k.S)) < 14 {
		t.Errorf("p = %g, want %g", k.P, exhaustive(4, k.S))
	}
	if k := MannKendall([]float64{1, 1, 1}); k.S != 0 || k.P != 1 {
		t.Errorf("equal values: %+v", k)
	}
	// Without ties, gonum has the same tau; with them it counts an equal pair as rising.
	x, y := seal(rand.New(rand.NewPCG(1, 1)), 50, 1, 0.02, 50, 0, 1)
	if tau := stat.Kendall(x, y, nil); math.Abs(tau-MannKendall(y).TauA) > 1e-12 || tau == 0 {
		t.Errorf("tau-a %g, gonum %g", MannKendall(y).TauA, tau)
	}
}

// exhaustive goes through all orders of n values.
func exhaustive(n, s int) float64 {
	hit, all := 0, 0
	var go1 func(order []float64, used int)
	go1 = func(order []float64, used int) {
		if len(order) == n {
			all++
			sum := 0
			for i := range order {
				for j := range i {
					if order[i] > order[j] {
						sum++
					} else {
						sum--
					}
				}
			}
			if max(sum, -sum) >= max(s, -s) {
				hit++
			}
			return
		}
		for v := range n {
			if used&(1<<v) == 0 {
				go1(append(order[:len(order):len(order)], float64(v)), used|1<<v)
			}
		}
	}
	go1(nil, 0)
	return float64(hit) / float64(all)
}

// TestPettittsExample is the data of A. N. Pettitt 1979, table 1, with his result, as the
// manual of a public package (trend for R) tells it: a change after the 17th value, p = 0.014.
// K = 232 and the further digit, p = 0.0146, are arithmetic by his formulae.
func TestPettittsExample(t *testing.T) {
	s := Pettitt([]float64{-1.05, 0.96, 1.22, 0.58, -0.98, -0.03, -1.54, -0.71, -0.35, 0.66, 0.44, 0.91, -0.02, -1.42, 1.26, -1.02, -0.81,
		1.66, 1.05, 0.97, 2.14, 1.22, -0.24, 1.60, 0.72, -0.12, 0.44, 0.03, 0.66, 0.56, 1.37, 1.66, 0.10, 0.80, 1.29, 0.49, -0.07, 1.18, 3.29, 1.84})
	if s.K != 232 || s.At != 16 || math.Abs(1-s.Confidence-0.0146) > 5e-5 || !(s.Lo > 0 && s.Lo < s.Size && s.Size < s.Hi) {
		t.Errorf("%+v, want K = 232, p = 0.0146, change after the 17th value", s)
	}
}

// seal invents n runs of a seal: level, rise a run, a step after run k, noise.
func seal(rng *rand.Rand, n int, level, rise float64, k int, step, noise float64) (x, y []float64) {
	for i := range n {
		v := level + rise*float64(i) + noise*rng.NormFloat64()
		if i > k {
			v += step
		}
		x, y = append(x, float64(i)), append(y, v)
	}
	return x, y
}

// A step near an end, which Pettitt's test misses, is found; equal values have none.
func TestStepNearAnEnd(t *testing.T) {
	_, y := seal(rand.New(rand.NewPCG(2, 2)), 200, 5, 0, 190, 3, 0.2)
	if p, s := Pettitt(y), FindStep(y); p.Confidence > 0.99 || s.Confidence < 0.999 || max(s.At-190, 190-s.At) > 2 || math.Abs(s.Size-3) > 0.3 {
		t.Errorf("Pettitt %+v, ours %+v, want a step of 3 after value 190", p, s)
	}
	for _, y := range [][]float64{nil, {1}, {2, 2, 2}, {2, 2, 2, 2, 2, 2, 2}} {
		if s := FindStep(y); s.At != -1 || s.Confidence != 0 {
			t.Errorf("%v has a step: %+v", y, s)
		}
	}
}

func TestStepsAndTrendsAreToldApart(t *testing.T) {
	rng := rand.New(rand.NewPCG(9, 10))
	rounds := 100
	if underRace {
		rounds = 5
	}
	steps, trends, none, near := 0, 0, 0, 0
	for range rounds {
		x, y := seal(rng, 200, 5, 0, 120, 1.5, 0.5)
		if a, err := aged(x, y); err == nil && a.Step != nil {
			if steps++; a.From > 110 && a.From < 130 && a.Points == 200-a.From {
				near++
			}
		}
		x, y = seal(rng, 200, 5, 0.01, 200, 0, 0.5)
		if a, err := aged(x, y); err == nil && a.Step == nil && a.Kendall.P < 1e-6 && a.Slope.Lo < 0.01 && a.Slope.Hi > 0.01 {
			trends++
		}
		x, y = seal(rng, 200, 5, 0, 200, 0, 0.5)
		if a, err := aged(x, y); err == nil && a.Step == nil {
			none++
		}
	}
	t.Logf("of %d: %d steps found, %d within 10 runs of their place; %d trends with their slope; %d times rightly no step", rounds, steps, near, trends, none)
	if steps < rounds*98/100 || near < rounds*95/100 || trends < rounds*90/100 || none < rounds*98/100 {
		t.Error("steps and trends are taken for each other")
	}
}

// TestForecastsHoldTheTruth: of all forecasts given, 90 ± 3 % hold the run at which
// the line truly reaches the level.
func TestForecastsHoldTheTruth(t *testing.T) {
	rounds, allowed := 1200, 3.0
	if underRace {
		rounds, allowed = 60, 15
	}
	if os.Getenv("OVENWARD_COUNTS") == "full" {
		rounds = 30_000
	}
	rng := rand.New(rand.NewPCG(13, 14))
	given, held, early := 0, 0, 0
	for range rounds {
		n := 30 + rng.IntN(150)
		rise := 0.001 + 0.03*rng.Float64()
		noise := 0.1 + 0.5*rng.Float64()
		truth := float64(n) * (1.1 + 3*rng.Float64()) // the run that reaches it
		x, y := seal(rng, n, 10, rise, n, 0, noise)
		f, err := foreseen(x, y, 10+rise*truth)
		switch {
		case err != nil:
			t.Fatal(err)
		case f.Refused != "":
			continue
		}
		given++
		switch {
		case f.Lo <= truth && truth <= f.Hi:
			held++
		case truth < f.Lo:
			early++
		}
		if !(f.Lo <= f.Estimate && f.Estimate <= f.Hi) {
			t.Fatalf("%+v", f)
		}
	}
	share := 100 * float64(held) / float64(given)
	t.Logf("%d of %d forecasts given; %.2f %% hold the truth, %.2f %% come too late", given, rounds, share, 100*float64(early)/float64(given))
	if given < rounds/3 || math.Abs(share-90) > allowed {
		t.Errorf("%.2f %% of %d forecasts hold the truth, want 90 ± %g %%", share, given, allowed)
	}
}

func TestForecastsAreRefused(t *testing.T) {
	rng := rand.New(rand.NewPCG(15, 16))
	bent := func() (x, y []float64) {
		x, y = seal(rng, 200, 5, 0, 200, 0, 0.05)
		for i := range y {
			y[i] += math.Pow(float64(i)/200, 4) * 5
		}
		return x, y
	}
	turned := func() (x, y []float64) {
		x, y = seal(rng, 60, 5, 0.02, 60, 0, 0.2)
		y[59], y[58] = 300, 290
		return x, y
	}
	for name, tc := range map[string]struct {
		make  func() (x, y []float64)
		level float64
		want  string
	}{
		"few":       {func() ([]float64, []float64) { return seal(rng, 19, 5, 1, 19, 0, 0.1) }, 50, "only 19 runs; 20 bear a trend"},
		"none":      {func() ([]float64, []float64) { return nil, nil }, 50, "only 0 runs"},
		"steady":    {func() ([]float64, []float64) { return seal(rng, 200, 5, 0, 200, 0, 0.5) }, 50, "no rise is shown"},
		"falling":   {func() ([]float64, []float64) { return seal(rng, 200, 5, -0.02, 200, 0, 0.1) }, 50, "no rise is shown"},
		"a step":    {func() ([]float64, []float64) { return seal(rng, 200, 5, 0, 190, 3, 0.2) }, 50, "runs since the last step"},
		"bent":      {bent, 50, "do not scatter evenly"},
		"far":       {func() ([]float64, []float64) { return seal(rng, 200, 5, 0.01, 200, 0, 0.1) }, 500, "not reach the level within 5 times"},
		"there":     {func() ([]float64, []float64) { return seal(rng, 200, 5, 0.01, 200, 0, 0.1) }, 6, "reached the level already"},
		"two alone": {turned, 400, "single values far from the others|do not scatter"},
	} {
		x, y := tc.make()
		f, err := foreseen(x, y, tc.level)
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		ok := false
		for _, w := range strings.Split(tc.want, "|") {
			ok = ok || strings.Contains(f.Refused, w)
		}
		if !ok || !math.IsNaN(f.Estimate) || !math.IsNaN(f.Hi) {
			t.Errorf("%s: %+v, want %q and no number", name, f, tc.want)
		}
	}
	if _, err := foreseen([]float64{1, 1}, []float64{1, 2}, 5); err == nil {
		t.Error("x that does not rise is taken")
	}
}

// A test of 100 000 runs is thinned, and says the same of its slope.
func TestThinning(t *testing.T) {
	rng := rand.New(rand.NewPCG(17, 18))
	x, y := seal(rng, 100_000, 5, 1e-4, 100_000, 0, 2)
	tx, ty, err := thinned(x, y)
	if err != nil {
		t.Fatal(err)
	}
	if len(tx) != mostPoints || len(ty) != mostPoints {
		t.Fatalf("%d and %d points", len(tx), len(ty))
	}
	f, err := foreseen(x, y, 20)
	if err != nil || f.Refused != "" || !(f.Lo < 150_000 && f.Hi > 150_000) || f.Hi-f.Lo > 10_000 {
		t.Errorf("%+v, %v, want about run 150 000", f, err)
	}
	if a, err := aged(x, y); err != nil || a.Points != 100_000 || a.From != 0 {
		t.Errorf("%+v, %v", a, err)
	}
}
