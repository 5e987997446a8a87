package survey

import (
	"testing"
	"time"

	"ovenward/acquire/calib"
	"ovenward/acquire/limit"
)

// guidedBy is a survey of a small invented door, and its clock.
type guidedBy struct {
	t     *testing.T
	s     *Survey
	now   time.Time
	steps []Step

	turned bool
	unsure bool // readings lie beyond what the certificate covers
}

func smallOven() Oven {
	return Oven{ID: "small", Power: 1100, Stirrer: 4, Door: Door{Width: 0.2, Height: 0.12, Hinge: Left, Depth: 0.15}}
}

func begin(t *testing.T, change ...func(*Setup)) *guidedBy {
	t.Helper()
	p, _ := FindProcedure("us-field", nil)
	plan, err := NewPlan(smallOven(), p, Hand{Response: time.Second, Axes: 3}, false)
	if err != nil {
		t.Fatal(err)
	}
	setup := Setup{ID: "small-1", Plan: plan, Limit: limit.Limit{ID: "in-use", Value: 50, Distance: 0.05, Basis: limit.EmissionInUse, Source: "invented"},
		Instrument: Instrument{Probe: "p", Certificate: "C-1", Response: 1, Range: 5000, Floor: 0.2, Axes: 3}, Spread: calib.Spread{Rel: 0.1, K: 2}}
	for _, c := range change {
		c(&setup)
	}
	g := &guidedBy{t: t, now: epoch()}
	g.s, g.steps = Start(setup, "A. Hand", g.now)
	return g
}

func (g *guidedBy) do(a Act) {
	g.t.Helper()
	a.Who = "A. Hand"
	steps, err := g.s.Do(a, g.now)
	if err != nil {
		g.t.Fatalf("in %q: %v", g.s.Phase(), err)
	}
	g.steps = append(g.steps, steps...)
}

func (g *guidedBy) read(s float64, lasting time.Duration) {
	for end := g.now.Add(lasting); g.now.Before(end) && g.s.Phase() != Ended; {
		g.now = g.now.Add(100 * time.Millisecond)
		g.steps = append(g.steps, g.s.Observe(Reading{At: g.now, S: s, HasValue: true, Unsure: g.unsure})...)
		g.steps = append(g.steps, g.s.Tick(g.now)...)
	}
}

func (g *guidedBy) wait(lasting time.Duration) {
	g.now = g.now.Add(lasting)
	g.steps = append(g.steps, g.s.Tick(g.now)...)
}

func (g *guidedBy) until(p Phase, s float64, most time.Duration) {
	g.t.Helper()
	for end := g.now.Add(most); g.s.Phase() != p && g.now.Before(end); {
		g.read(s, 100*time.Millisecond)
	}
	if g.s.Phase() != p {
		g.t.Fatalf("after %v the survey is at %q, want %q (%s)", most, g.s.Phase(), p, g.s.said)
	}
}

func (g *guidedBy) water(celsius float64) {
	g.t.Helper()
	v := 275.0
	g.do(Act{Kind: Watered, Volume: &v, Celsius: &celsius})
}

// toSweep brings it to the first sweep, the oven running.
func (g *guidedBy) toSweep() {
	g.t.Helper()
	g.do(Act{Kind: WentOn})
	g.do(Act{Kind: WentOn})
	g.until(WaterWanted, 0.05, 10*time.Second)
	g.water(20)
}

// whole makes the rest of the survey, each place reading s.
func (g *guidedBy) whole(s float64) {
	g.t.Helper()
	for range 200 {
		switch g.s.Phase() {
		case SweepReady, HoldReady, StageOver:
			g.do(Act{Kind: WentOn, Turned: g.turned})
		case WaterWanted:
			g.water(20)
		case Finishing, Ended:
			return
		}
		g.read(s, time.Second)
	}
	g.t.Fatalf("the survey does not end: %q", g.s.Phase())
}

func (g *guidedBy) finish() Result {
	g.t.Helper()
	g.do(Act{Kind: WentOn})
	return g.s.Result()
}
