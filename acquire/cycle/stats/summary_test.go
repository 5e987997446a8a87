package stats

import (
	"math"
	"math/rand/v2"
	"reflect"
	"slices"
	"testing"
	"time"

	"gonum.org/v1/gonum/stat"

	"ovenward/acquire/quantity"
)

// TestQuantilesWithinTheirBound compares with gonum's exact ones, over three very
// different distributions, merged from a hundred parts.
func TestQuantilesWithinTheirBound(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	worst := 0.0
	for name, draw := range map[string]func() float64{
		"log-normal":  func() float64 { return math.Exp(2 * rng.NormFloat64()) },
		"two lumps":   func() float64 { return []float64{0.05, 40}[rng.IntN(2)] * (1 + 0.05*rng.Float64()) },
		"nearly flat": func() float64 { return 3 + 1e-3*rng.Float64() },
	} {
		var q Quantiles
		var x, w []float64
		for range 100 {
			var part Quantiles
			for range 50 {
				held := time.Duration(1 + rng.Int64N(int64(time.Second)))
				x, w = append(x, draw()), append(w, float64(held))
				part.Add(x[len(x)-1], held)
			}
			q.Merge(&part)
		}
		stat.SortWeighted(x, w)
		for _, p := range []float64{0, 0.001, 0.05, 0.25, 0.5, 0.75, 0.9, 0.99, 0.999, 1} {
			want := stat.Quantile(p, stat.Empirical, x, w)
			off := math.Abs(q.At(p)-want) / want
			if worst = max(worst, off); off > RelativeError*(1+1e-9) {
				t.Errorf("%s: %g of the time at or below %g, gonum %g: off by %.3g %%", name, p, q.At(p), want, 100*off)
			}
		}
	}
	t.Logf("worst %.3f %%", 100*worst)
	if worst < RelativeError/10 {
		t.Error("the bound was never near: this test says little")
	}
}

func TestQuantilesAtTheEnds(t *testing.T) {
	var q Quantiles
	if !math.IsNaN(q.At(0.5)) {
		t.Error("nothing has a median")
	}
	q.Add(-1, time.Second)
	q.Add(0, time.Second)
	q.Add(1e-9, time.Second)
	q.Add(5, time.Second)
	q.Add(math.Inf(1), time.Second)
	q.Add(math.NaN(), time.Hour)
	q.Add(7, 0)
	for p, want := range map[float64]float64{0: 0, 0.6: 0, 0.81: math.Inf(1), 1: math.Inf(1)} {
		if got := q.At(p); got != want {
			t.Errorf("%g: %g, want %g", p, got, want)
		}
	}
	if got := q.At(0.8); math.Abs(got-5) > 0.05 || q.Total() != 5*time.Second {
		t.Errorf("%g, %v", got, q.Total())
	}
	// Size does not grow with what comes.
	for x := Least; x < Most; x *= 1.001 {
		q.Add(x, 1)
	}
	if len(q.held) > 1160 {
		t.Errorf("%d buckets", len(q.held))
	}
}

// pieces invents a stretch with runs, an exceedance here and there, over range and
// unseen time.
func pieces(rng *rand.Rand, n int) []Piece {
	at := time.Date(2030, 1, 1, 0, 0, 0, 0, time.UTC)
	var all []Piece
	for i := range n {
		p := Piece{At: at, For: time.Duration(1+rng.IntN(3)) * 100 * time.Millisecond, On: i/50%2 == 0, S: quantity.PowerDensity(0.1 * rng.Float64())}
		if p.On {
			p.S = quantity.PowerDensity(40 * rng.Float64() * rng.Float64() * 2)
			p.Over = rng.IntN(200) == 0
		}
		p.Uncalibrated = i%7 == 3
		all = append(all, p)
		if at = at.Add(p.For); rng.IntN(100) == 0 {
			at = at.Add(time.Minute)
		}
	}
	return all
}

// TestSummariesMerge: however a stretch is cut, the parts give the whole.
func TestSummariesMerge(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 6))
	for range 20 {
		all := pieces(rng, 2000)
		whole := NewSummary(50)
		merged := NewSummary(50)
		for i := 0; i < len(all); {
			part := NewSummary(50)
			for range 1 + rng.IntN(300) {
				if i < len(all) {
					part.Add(all[i])
					i++
				}
			}
			merged.Merge(&part)
		}
		for _, p := range all {
			whole.Add(p)
		}
		if !reflect.DeepEqual(whole.Levels, merged.Levels) || whole.Seen() != merged.Seen() || whole.Uncalibrated != merged.Uncalibrated || whole.Uncalibrated == 0 || !reflect.DeepEqual(whole.Peaks, merged.Peaks) || whole.On.OverRange != merged.On.OverRange ||
			whole.On.Quantiles.At(0.9) != merged.On.Quantiles.At(0.9) || digits(whole.On.Moments.Mean, merged.On.Moments.Mean) < 12 ||
			digits(whole.Off.Moments.Deviation(), merged.Off.Moments.Deviation()) < 11 {
			t.Fatalf("merged %+v\nwhole  %+v", merged, whole)
		}
		checkSummary(t, whole, all)
	}
}

// checkSummary counts again, the plain way.
func checkSummary(t *testing.T, s Summary, all []Piece) {
	t.Helper()
	var above, seen time.Duration
	count := 0
	for i, p := range all {
		seen += p.For
		if !p.Over && p.S <= 50 {
			continue
		}
		above += p.For
		if i == 0 || !(all[i-1].Over || all[i-1].S > 50) || !all[i-1].At.Add(all[i-1].For).Equal(p.At) {
			count++
		}
	}
	sorted := slices.Clone(all)
	slices.SortStableFunc(sorted, func(a, b Piece) int {
		switch {
		case higher(Peak{a.At, a.S, a.Over}, Peak{b.At, b.S, b.Over}):
			return -1
		case higher(Peak{b.At, b.S, b.Over}, Peak{a.At, a.S, a.Over}):
			return 1
		}
		return 0
	})
	for i, p := range s.Peaks.List() {
		if want := sorted[i]; p.S != want.S || !p.At.Equal(want.At) || p.Over != want.Over {
			t.Fatalf("peak %d is %+v, want %+v", i, p, want)
		}
	}
	e, ok := s.Above(50)
	if !ok || e.Above != above || e.Count != count || s.Seen() != seen || count == 0 {
		t.Fatalf("%d exceedances for %v of %v, want %d for %v of %v", e.Count, e.Above, s.Seen(), count, above, seen)
	}
}

func TestEmptySummaries(t *testing.T) {
	a, b := NewSummary(0), NewSummary(0)
	a.Merge(&b)
	a.Add(Piece{At: time.Unix(0, 0), S: 1})
	if !a.Levels[0].First.IsZero() || a.Seen() != 0 || len(a.Peaks.List()) != 0 {
		t.Errorf("%+v", a)
	}
	b.Add(Piece{At: time.Unix(5, 0), For: time.Second, S: 1})
	a.Merge(&b)
	if e := a.Levels[0]; e.Count != 1 || !e.First.Equal(time.Unix(5, 0)) { // any value is above a level of 0
		t.Errorf("%+v", a)
	}
	// What was not counted throughout is not known of the whole.
	c := NewSummary(0, 7)
	c.Merge(&b)
	if _, ok := c.Above(7); ok || len(c.Levels) != 1 {
		t.Errorf("%+v", c.Levels)
	}
}

func BenchmarkAdd(b *testing.B) {
	all := pieces(rand.New(rand.NewPCG(7, 8)), 4096)
	s := NewSummary(50)
	i := 0
	b.ReportAllocs()
	for b.Loop() {
		s.Add(all[i&4095])
		i++
	}
}
