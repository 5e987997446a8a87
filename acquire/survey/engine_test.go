package survey

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"ovenward/acquire/limit"
	"ovenward/acquire/quantity"
)

func TestWholeSurveyIsWithin(t *testing.T) {
	g := begin(t)
	g.toSweep()
	g.whole(5)
	r := g.finish()
	if r.State != Complete || r.Verdict.Outcome != limit.Within || len(r.Places) != len(g.s.Setup.Plan.Sweeps) || r.NextCheck.Sub(r.Ended) < 360*24*time.Hour {
		t.Errorf("%s, %+v, %d places, next check %v", r.State, r.Verdict, len(r.Places), r.NextCheck)
	}
	for _, p := range r.Places {
		if !p.Settled || *p.Value != 5 || p.Held < 5 || *p.U < 1 {
			t.Errorf("place %d: %+v", p.N, p)
		}
	}
	if len(r.Stages) < 2 {
		t.Errorf("%d stages: this test does not see water changed", len(r.Stages))
	}
	for _, st := range r.Stages {
		if d := st.Ended.Sub(st.Begun).Seconds(); d > st.Allowed+0.2 {
			t.Errorf("stage %d lasted %g s of %g", st.N, d, st.Allowed)
		}
	}
}

// Without proof that the oven generated nothing is within: a field that is not
// there proves nothing, a load that warmed does.
func TestWithinWantsProof(t *testing.T) {
	for _, tc := range []struct {
		end  float64 // °C; 0: not taken
		want limit.Outcome
	}{{0, limit.NotDecided}, {29, limit.NotDecided}, {30, limit.Within}} {
		g := begin(t)
		g.toSweep()
		for range 200 {
			if p := g.s.Phase(); tc.end > 0 && (p == StageOver || p == Finishing) {
				end := tc.end
				g.do(Act{Kind: TookTemperature, Celsius: &end})
				if p == Finishing {
					break
				}
			}
			if g.s.Phase() == Finishing {
				break
			}
			if p := g.s.Phase(); p == SweepReady || p == HoldReady || p == StageOver {
				g.do(Act{Kind: WentOn})
			} else if p == WaterWanted {
				g.water(20)
			}
			g.read(0.06, time.Second)
		}
		if r := g.finish(); r.Verdict.Outcome != tc.want {
			t.Errorf("end at %g °C: %s, want %s: %q", tc.end, r.Verdict.Outcome, tc.want, r.Verdict.Reasons[:1])
		} else if tc.want == limit.NotDecided && !strings.Contains(fmt.Sprint(r.Verdict.Reasons, r.Next), "generated") {
			t.Errorf("the reason is not said: %q %q", r.Verdict.Reasons, r.Next)
		}
	}
}

// A one-axis probe that was turned for the maximum at each hold can be within.
func TestOneAxisTurned(t *testing.T) {
	for turned, want := range map[bool]limit.Outcome{true: limit.Within, false: limit.NotDecided} {
		g := begin(t, func(s *Setup) { s.Instrument.Axes = 1 })
		g.turned = turned
		g.toSweep()
		g.whole(5)
		if r := g.finish(); r.Verdict.Outcome != want {
			t.Errorf("turned %v: %s, want %s: %q", turned, r.Verdict.Outcome, want, r.Verdict.Reasons)
		}
	}
}

// Once above the limit, 'step back' stays until the place is held, though the value
// has fallen.
func TestStepBackStays(t *testing.T) {
	g := begin(t)
	g.toSweep()
	g.do(Act{Kind: WentOn})
	g.read(60, time.Second)
	g.read(1, time.Second)
	if v := g.s.View(g.now, time.Second); !slices.Contains(v.Warn, StepBack) || v.Level != "below" {
		t.Errorf("%q, level %s", v.Warn, v.Level)
	}
	g.until(HoldReady, 1, 20*time.Second)
	g.do(Act{Kind: WentOn})
	g.until(SweepReady, 1, 20*time.Second)
	if v := g.s.View(g.now, time.Second); slices.Contains(v.Warn, StepBack) {
		t.Errorf("at the next place: %q", v.Warn)
	}
	if p := g.s.Result().Places[0]; p.Verdict.Outcome != limit.Exceeds || !strings.Contains(fmt.Sprint(p.Verdict.Reasons), "which the hold did not find again") {
		t.Errorf("above in the sweep alone: %+v", p.Verdict)
	}
}

// Each lack takes 'within' away, and none takes 'exceeds' away.
func TestWhatLacksTakesWithinAway(t *testing.T) {
	for name, change := range map[string]func(*Setup){
		"uncalibrated": func(s *Setup) { s.Lacking = "certificate overdue" },
		"slow probe":   func(s *Setup) { s.Instrument.Response = 3.5 },
		"one axis":     func(s *Setup) { s.Instrument.Axes = 1 },
		"battery":      func(s *Setup) { s.Checks = []Check{{CheckBattery, CheckBad, "low"}} },
		"zero":         func(s *Setup) { s.Checks = []Check{{CheckZero, CheckNotDone, "none was taken"}} },
		"too far":      func(s *Setup) { s.Plan.Procedure.Distance = 0.06 },
		"warm water":   func(s *Setup) { s.Plan.Procedure.Water = Range{10, 5} },
		"other load":   func(s *Setup) { s.Plan.Procedure.Load = Range{500, 15} },
	} {
		for s, want := range map[float64]limit.Outcome{5: limit.NotDecided, 60: limit.Exceeds} {
			g := begin(t, change)
			g.toSweep()
			g.whole(s)
			if r := g.finish(); r.Verdict.Outcome != want {
				t.Errorf("%s at %g W/m²: %s, want %s", name, s, r.Verdict.Outcome, want)
			}
		}
	}
}

func TestHarm(t *testing.T) {
	for _, tc := range []struct {
		name  string
		r     Reading
		ends  bool
		limit quantity.PowerDensity
	}{
		{"above", Reading{S: 51, HasValue: true}, false, 50},
		{"nearly ten times", Reading{S: 499, HasValue: true}, false, 50},
		{"ten times", Reading{S: 500, HasValue: true}, true, 50},
		{"100 mW/cm²", Reading{S: 1000, HasValue: true}, true, 5000},
		{"below that", Reading{S: 999, HasValue: true}, false, 5000},
		{"over range", Reading{OverRange: true}, true, 50},
		{"fault", Reading{S: 5000, HasValue: true, Fault: true}, false, 50},
	} {
		g := begin(t, func(s *Setup) { s.Limit.Value = tc.limit })
		g.toSweep()
		g.do(Act{Kind: WentOn})
		g.read(1, time.Second)
		g.now = g.now.Add(100 * time.Millisecond)
		tc.r.At = g.now
		g.s.Observe(tc.r)
		if ended := g.s.State() == Stopped; ended != tc.ends {
			t.Errorf("%s: ended %v, want %v", tc.name, ended, tc.ends)
		}
		v := g.s.View(g.now, time.Second)
		above := tc.ends || tc.r.S > float64(tc.limit) && !tc.r.Fault
		if said := slices.Contains(v.Warn, StepBack); said != above {
			t.Errorf("%s: 'step back' is said: %v, want %v (%q)", tc.name, said, above, v.Warn)
		}
		if r := g.s.Result(); tc.ends && tc.name != "100 mW/cm²" && (r.Verdict.Outcome != limit.Exceeds || !slices.Contains(r.Cautions, Lethal)) {
			t.Errorf("%s: %s, cautions %q", tc.name, r.Verdict.Outcome, r.Cautions)
		}
		if _, err := g.s.Do(Act{Kind: WentOn, Who: "A"}, g.now); tc.ends && err == nil {
			t.Errorf("%s: it goes on after its end", tc.name)
		}
	}
}

// A hold settles by the probe's response and noise: after a large step later than
// after a small one, never before a turn of the stirrer, and not while it rises.
func TestSettling(t *testing.T) {
	settle := func(read func(time.Duration) float64) time.Duration {
		g := begin(t)
		g.toSweep()
		g.do(Act{Kind: WentOn})
		g.until(HoldReady, 1, 30*time.Second)
		g.do(Act{Kind: WentOn})
		from := g.now
		for g.s.Phase() == Holding && g.now.Sub(from) < time.Minute {
			g.read(read(g.now.Sub(from)), 100*time.Millisecond)
		}
		if p := g.s.places[1]; !p.Settled {
			return 0
		}
		return g.now.Sub(from)
	}
	small := settle(func(time.Duration) float64 { return 5 })
	large := settle(func(at time.Duration) float64 {
		if at < 500*time.Millisecond {
			return 45
		}
		return 5
	})
	if small < 4*time.Second || small > 7*time.Second {
		t.Errorf("settled after %v, want a response and a turn of 4 s", small)
	}
	if large < small+time.Second {
		t.Errorf("after a large step it settled in %v, after a small one in %v", large, small)
	}
	rising := settle(func(at time.Duration) float64 { return 5 + at.Seconds() })
	if rising != 0 {
		t.Errorf("a value that rises settled after %v", rising)
	}
}

func TestActsThatDoNotFit(t *testing.T) {
	g := begin(t)
	zero, cold := 0.0, 20.0
	for _, a := range []Act{
		{Kind: Watered, Volume: &cold, Celsius: &cold}, {Kind: WentBack}, {Kind: TookTemperature, Celsius: &cold}, {Kind: Held}, {Kind: Forced},
		{Kind: Checked}, {Kind: Checked, Check: &Check{Name: CheckCertificate, Outcome: CheckGood}}, {Kind: Noted}, {Kind: WentOn, Phase: Holding}, {Kind: WentOn, Place: 7},
	} {
		a.Who = "A. Hand"
		if _, err := g.s.Do(a, g.now); err == nil || g.s.Phase() != Checking {
			t.Errorf("%+v is done in the checks: %v", a, err)
		}
	}
	if _, err := g.s.Do(Act{Kind: WentOn}, g.now); err == nil {
		t.Error("nobody goes on")
	}
	g.do(Act{Kind: WentOn})
	g.do(Act{Kind: WentOn})
	g.until(WaterWanted, 0.05, 10*time.Second)
	if _, err := g.s.Do(Act{Kind: Watered, Who: "A", Volume: &zero, Celsius: &cold}, g.now); err == nil || !strings.Contains(err.Error(), "never run it empty") {
		t.Errorf("an empty oven: %v", err)
	}
}

// Pulling comes after the closed-door places, and only when each is clearly below
// the limit.
func TestPullOnlyAfterACleanPass(t *testing.T) {
	for s, pulled := range map[float64]bool{5: true, 45: false, -30: false} {
		g := begin(t, func(set *Setup) {
			p, err := NewPlan(smallOven(), set.Plan.Procedure, Hand{Response: time.Second, Axes: 3}, true)
			if err != nil {
				t.Fatal(err)
			}
			set.Plan = p
		})
		g.toSweep()
		g.whole(s)
		r := g.finish()
		got := slices.ContainsFunc(r.Places, func(p Place) bool { return p.Pulled })
		if got != pulled || !slices.Contains(r.Cautions, PullCaution) {
			t.Errorf("at %g W/m²: pulled %v, want %v", s, got, pulled)
		}
		if !pulled && !strings.Contains(fmt.Sprint(r.Conditions), "no pulling on the door") {
			t.Errorf("why nobody pulled is not said: %v", r.Conditions)
		}
	}
}

// What was read beyond what the certificate covers before the hold, whose readings are
// calibrated, takes 'within' away and never 'exceeds', also once the survey is taken up again;
// and nobody pulls on a door that was swept so.
func TestReadUncalibratedBeforeTheHold(t *testing.T) {
	for name, unsure := range map[string]Phase{"background": BackgroundHold, "sweep": Sweeping, "nothing": Ended} {
		for s, want := range map[float64]limit.Outcome{5: limit.NotDecided, 60: limit.Exceeds} {
			if unsure == Ended && s == 5 {
				want = limit.Within
			}
			g := begin(t, func(set *Setup) {
				p, err := NewPlan(smallOven(), set.Plan.Procedure, Hand{Response: time.Second, Axes: 3}, true)
				if err != nil {
					t.Fatal(err)
				}
				set.Plan = p
			})
			g.unsure = unsure == BackgroundHold
			g.toSweep()
			g.do(Act{Kind: WentOn})
			g.unsure = unsure == Sweeping
			g.read(s, time.Second)
			g.unsure = false
			g.whole(s)
			r := g.finish()
			again, err := Resume(g.steps)
			if err != nil {
				t.Fatal(err)
			}
			if r.Verdict.Outcome != want || again.Result().Verdict.Outcome != want {
				t.Errorf("%s at %g W/m²: %+v, taken up again %s, want %s", name, s, r.Verdict, again.Result().Verdict.Outcome, want)
			}
			if reasons := fmt.Sprint(r.Verdict.Reasons); want == limit.NotDecided && !strings.Contains(reasons, "was read beyond what the certificate covers") {
				t.Errorf("%s: reasons are %s", name, reasons)
			}
			if want == limit.NotDecided && !strings.Contains(fmt.Sprint(r.Next), "certificate is in force") {
				t.Errorf("%s: next is %q", name, r.Next)
			}
			pulled := slices.ContainsFunc(r.Places, func(p Place) bool { return p.Pulled })
			if pulled != (s == 5 && unsure != Sweeping) {
				t.Errorf("%s at %g W/m²: pulled %v", name, s, pulled)
			}
		}
	}
}

func TestComparison(t *testing.T) {
	last := func(v, u float64) *Last {
		return &Last{ID: "before", Ended: epoch().AddDate(-1, 0, 0), Outcome: limit.Within, Places: []Place{{N: 1, Surface: Front, Cell: 1, Value: &v, U: &u}}}
	}
	for _, tc := range []struct {
		was  float64
		want string
	}{{2, "it rose by more"}, {5.5, "no change beyond"}, {20, "it fell by more"}} {
		g := begin(t, func(s *Setup) { s.Last = last(tc.was, 0.5) })
		g.toSweep()
		g.whole(5)
		if c := g.finish().Comparison; c == nil || !strings.Contains(c.Text, tc.want) || len(c.Cells) != 1 {
			t.Errorf("was %g, is 5: %+v, want %q", tc.was, c, tc.want)
		}
	}
	// Over range is above any value: no lower one passes for the highest, nor for its cell's.
	places := func(over bool, v ...float64) (all []Place) {
		for i := range v {
			all = append(all, Place{N: i + 1, Surface: Front, Cell: i + 1, Value: &v[i]})
		}
		if over {
			all = append(all, Place{N: 9, Surface: Front, Cell: 1, OverRange: true})
		}
		return all
	}
	for _, tc := range []struct {
		was, is []Place
		want    string
		cells   int
	}{
		{places(false, 5, 4), places(true, 3, 4), "the field is over the probe's range, the highest value was " + shown(5), 1},
		{places(true, 5, 4), places(false, 3, 4), "the highest value is " + shown(4) + ", the field was over the probe's range on", 1},
		{places(true, 5), places(true, 3), "the field is over the probe's range, as it was on", 0},
		{places(true), places(false), "no highest value to compare", 0},
		{places(false, 5), places(false, 3), "it was " + shown(5), 1},
	} {
		c := compare(Last{Ended: epoch(), Places: tc.was}, Result{Places: tc.is})
		if !strings.Contains(c.Text, tc.want) || len(c.Cells) != tc.cells || (c.Change != nil) != strings.Contains(c.Text, "cannot be told") {
			t.Errorf("%+v, want %q and %d cells", c, tc.want, tc.cells)
		}
	}
}

// The next check is due within the months that the procedure says, where the last has
// no such day too.
func TestNextCheckAtTheEndOfAMonth(t *testing.T) {
	s := &Survey{state: Complete, ended: time.Date(2026, 8, 31, 15, 0, 0, 0, time.UTC)}
	r := Result{Verdict: Verdict{Outcome: limit.Within}, Procedure: Procedure{Valid: 6}}
	if s.next(&r); r.NextCheck.Format(time.DateOnly) != "2027-02-28" {
		t.Errorf("%s: %q", r.NextCheck, r.Next)
	}
}
