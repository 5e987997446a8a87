package survey

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"testing"

	"ovenward/acquire/quantity"
)

// invented is a random walk back with its truth. Nothing in it is measured.
type invented struct {
	s0, n, background float64 // W/m² at the nearest mark
	nearest           float64
	walk              Walk
}

func (v invented) at(r float64) float64 {
	return v.s0*math.Pow(v.nearest/r, v.n) + v.background
}

func (v invented) distance(level float64) float64 {
	return v.nearest * math.Pow(v.s0/(level-v.background), 1/v.n)
}

// invent makes a walk of 5 to 12 marks over 5 : 1 to 20 : 1, with a scatter of 2 to
// 10 % and a noise of its own; every other one has holds with the oven off.
func invent(rng *rand.Rand) invented {
	between := func(a, b float64) float64 { return a * math.Pow(b/a, rng.Float64()) }
	v := invented{s0: between(5, 100), n: between(1, 3), nearest: between(0.04, 0.08)}
	span, marks := between(5, 20), 5+rng.IntN(8)
	noise, share := 0.02, between(0.02, 0.1)
	v.background = rng.Float64() * 0.2
	v.walk.Floor = 0.1
	hold := func(d quantity.Length, s float64) {
		u := math.Hypot(noise, share*s)
		v.walk.Marks = append(v.walk.Marks, Mark{Distance: d, Value: quantity.PowerDensity(s + u*rng.NormFloat64()), U: quantity.PowerDensity(u)})
	}
	for i := range marks {
		r := v.nearest * math.Pow(span, float64(i)/float64(marks-1))
		hold(quantity.Length(r), v.at(r))
	}
	if rng.IntN(2) == 0 {
		hold(quantity.Length(math.Inf(1)), v.background)
	}
	return v
}

// hits counts intervals that hold the truth.
type hits struct{ in, of int }

func (h *hits) count(e Estimate, truth float64) {
	h.of++
	if e.Lo <= truth && truth <= e.Hi {
		h.in++
	}
}

func (h hits) share() float64 { return 100 * float64(h.in) / float64(h.of) }

func (h hits) String() string { return fmt.Sprintf("%.2f %% of %d", h.share(), h.of) }

// TestIntervalsHoldTheTruth: 95 ± 1.5 % of the intervals hold the truth wherever
// no warning is given.
func TestIntervalsHoldTheTruth(t *testing.T) {
	rounds, allowed := 3000, 1.5
	if underRace {
		rounds, allowed = 200, 6
	}
	if os.Getenv("OVENWARD_COUNTS") == "full" {
		rounds = 100_000
	}
	rng := rand.New(rand.NewPCG(11, 12))
	var exponent, among, beyond, nearest, background hits
	answered, refused, warned := 0, 0, 0
	for range rounds {
		v := invent(rng)
		inside := v.at(v.nearest * 3)
		outside := v.background + (v.at(v.nearest*30)-v.background)*1.01
		s, err := FitWalk(v.walk, []Level{{Name: "inside", Value: quantity.PowerDensity(inside)}, {Name: "outside", Value: quantity.PowerDensity(outside)}})
		switch {
		case err != nil:
			t.Fatal(err)
		case len(s.Refused) > 0:
			refused++
			continue
		case len(s.Warnings) > 0:
			warned++
			continue
		}
		answered++
		exponent.count(s.N, v.n)
		nearest.count(s.S0, v.s0)
		background.count(s.Background, v.background)
		if r := s.Levels[0]; r.Where != Nowhere {
			among.count(r.Distance, v.distance(inside))
		}
		if r := s.Levels[1]; r.Where != Nowhere {
			beyond.count(r.Distance, v.distance(outside))
		}
	}
	t.Logf("%d answered, %d with a warning, %d refused; exponent %v, S0 %v, background %v, distances among the marks %v, beyond them %v",
		answered, warned, refused, exponent, nearest, background, among, beyond)
	for name, h := range map[string]hits{"exponent": exponent, "S0": nearest, "background": background, "distance among the marks": among, "distance beyond them": beyond} {
		if h.of < rounds/10 || math.Abs(h.share()-95) > allowed {
			t.Errorf("%s: %v of the intervals hold the truth, want 95 ± %g %%", name, h, allowed)
		}
	}
	if answered < rounds/4 {
		t.Errorf("only %d of %d walks have no warning: this test says little", answered, rounds)
	}
}
