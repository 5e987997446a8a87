package survey

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"ovenward/acquire/limit"
)

// What was above the limit at a place stays so, however often the place is made
// again and wherever between sweep and hold it was seen.
func TestRedoMendsNothing(t *testing.T) {
	for name, above := range map[string]func(*guidedBy){
		"in a sweep that was broken off": func(g *guidedBy) {
			g.do(Act{Kind: WentOn})
			g.read(60, time.Second)
		},
		"in a sweep that was made again": func(g *guidedBy) {
			g.do(Act{Kind: WentOn})
			g.until(HoldReady, 60, 30*time.Second)
		},
		"on the way to the mark": func(g *guidedBy) {
			g.do(Act{Kind: WentOn})
			g.until(HoldReady, 1, 30*time.Second)
			g.read(60, time.Second)
		},
		"in a hold that was broken off": func(g *guidedBy) {
			g.do(Act{Kind: WentOn})
			g.until(HoldReady, 1, 30*time.Second)
			g.do(Act{Kind: WentOn})
			g.read(60, 500*time.Millisecond)
		},
	} {
		g := begin(t)
		g.toSweep()
		above(g)
		g.do(Act{Kind: Redone})
		g.whole(5)
		r := g.finish()
		if p := r.Places[0]; p.Verdict.Outcome != limit.Exceeds || !strings.Contains(fmt.Sprint(p.Verdict.Reasons), "6 mW/cm²") {
			t.Errorf("%s: place 1: %+v", name, p.Verdict)
		}
		if r.Verdict.Outcome != limit.Exceeds || !slices.Contains(r.Cautions, Lethal) {
			t.Errorf("%s: %s, cautions %q", name, r.Verdict.Outcome, r.Cautions)
		}
		again, err := Resume(g.steps)
		if err != nil || again.Result().Verdict.Outcome != limit.Exceeds {
			t.Errorf("%s: taken up again: %v, %s", name, err, again.Result().Verdict.Outcome)
		}
	}
}

// What passes while the probe is carried is at no place: it warns, and no more.
func TestAboveWhileCarriedIsAtNoPlace(t *testing.T) {
	g := begin(t)
	g.read(60, time.Second)
	g.toSweep()
	g.whole(5)
	if r := g.finish(); r.Verdict.Outcome != limit.Within {
		t.Errorf("%+v", r.Verdict)
	}
}

// A field that ends the survey is an exceedance, though the load has just had its
// time and the oven is only about to be stopped. Before the oven was started no
// place can be named, and nobody is told to go on.
func TestFieldThatEndsTheSurveyExceeds(t *testing.T) {
	for name, c := range map[string]struct {
		to   func(*guidedBy)
		want limit.Outcome
	}{
		"oven to be stopped": {func(g *guidedBy) {
			g.toSweep()
			g.do(Act{Kind: WentOn})
			g.do(Act{Kind: StageEnded})
		}, limit.Exceeds},
		"water to be changed": {func(g *guidedBy) {
			g.toSweep()
			g.do(Act{Kind: StageEnded})
			g.do(Act{Kind: WentOn})
		}, limit.Exceeds},
		"before the oven was started": {func(*guidedBy) {}, limit.NotDecided},
	} {
		g := begin(t)
		c.to(g)
		g.now = g.now.Add(100 * time.Millisecond)
		g.s.Observe(Reading{At: g.now, OverRange: true})
		r := g.s.Result()
		if r.State != Stopped || r.Verdict.Outcome != c.want {
			t.Errorf("%s: %s, %+v", name, r.State, r.Verdict)
		}
		next := fmt.Sprint(r.Next)
		if c.want == limit.Exceeds && !strings.Contains(next, "Withdraw the oven") || strings.Contains(next, "Hold at every place") {
			t.Errorf("%s: next is %s", name, next)
		}
		if c.want == limit.NotDecided && !strings.Contains(next, "Keep away") {
			t.Errorf("%s: next is %s", name, next)
		}
	}
}

// Whatever keeps an oven from being decided, what to do better is said.
func TestWhatToImproveIsSaid(t *testing.T) {
	for name, c := range map[string]struct {
		change func(*Setup)
		off    float64 // W/m² with the oven off
		want   string
	}{
		"battery":    {func(s *Setup) { s.Checks = []Check{{CheckBattery, CheckBad, "low"}} }, 0.05, "battery"},
		"zero":       {func(s *Setup) { s.Checks = []Check{{CheckZero, CheckNotDone, "none was taken"}} }, 0.05, "zero"},
		"agreement":  {func(s *Setup) { s.Checks = []Check{{CheckAgreement, CheckBad, "reads half"}} }, 0.05, "agreement"},
		"background": {func(*Setup) {}, 6, "background"},
		"too far":    {func(s *Setup) { s.Plan.Procedure.Distance = 0.06 }, 0.05, "distance"},
	} {
		g := begin(t, c.change)
		g.do(Act{Kind: WentOn})
		g.do(Act{Kind: WentOn})
		g.until(WaterWanted, c.off, 10*time.Second)
		g.water(20)
		g.whole(c.off + 5)
		r := g.finish()
		if r.Verdict.Outcome != limit.NotDecided || len(r.Next) < 2 || !strings.Contains(fmt.Sprint(r.Next[1:]), c.want) {
			t.Errorf("%s: %s, next is %q", name, r.Verdict.Outcome, r.Next)
		}
	}
}

// A survey that was given up does not hide what it saw.
func TestGivenUpAboveTheLimitExceeds(t *testing.T) {
	g := begin(t)
	g.toSweep()
	g.do(Act{Kind: WentOn})
	g.until(HoldReady, 60, 30*time.Second)
	g.do(Act{Kind: GaveUp, Text: "no time"})
	r := g.s.Result()
	if r.Verdict.Outcome != limit.Exceeds || !strings.Contains(fmt.Sprint(r.Verdict.Reasons), "place 1, door seam, top side: 6 mW/cm² was seen") ||
		!slices.Contains(r.Cautions, Lethal) || !strings.Contains(fmt.Sprint(r.Next), "Withdraw the oven") {
		t.Errorf("%+v; next %q", r.Verdict, r.Next)
	}
}

// Why an oven is not decided is said once where many places share it.
func TestSharedReasonsAreSaidOnce(t *testing.T) {
	g := begin(t, func(s *Setup) { s.Checks = []Check{{CheckZero, CheckNotDone, "none was taken"}} })
	g.toSweep()
	g.whole(5)
	r := g.finish()
	if want := []string{"places 1, 2, 3, 4, 5, 6, 7: check of the probe, zero: none was taken"}; !slices.Equal(r.Verdict.Reasons, want) {
		t.Errorf("%q", r.Verdict.Reasons)
	}
	for _, c := range r.Conditions {
		if c.Name == "response of the probe" && (c.Want != "90 % of a step within 3 s" || !strings.HasPrefix(c.Was, "1 s; ")) {
			t.Errorf("%+v", c)
		}
	}
}

// What a sweep has seen above the limit is told by its highest value, not by its first.
func TestTheHighestOfASweepIsTold(t *testing.T) {
	g := begin(t)
	g.toSweep()
	g.do(Act{Kind: WentOn})
	g.read(51, time.Second)
	g.read(79, time.Second)
	g.until(HoldReady, 60, 30*time.Second)
	g.do(Act{Kind: GaveUp, Text: "the shift is over"})
	if r := g.s.Result(); !strings.Contains(strings.Join(r.Verdict.Reasons, "; "), "door seam, top side: 7.9 mW/cm²") {
		t.Errorf("%q", r.Verdict.Reasons)
	}
}

// What was said of the load before is not said beside what to do with the next.
func TestNothingOfTheOldLoadIsSaidBesideTheNext(t *testing.T) {
	g := begin(t)
	g.toSweep()
	g.until(StageOver, 0.06, 10*time.Minute)
	warm := 40.0
	g.do(Act{Kind: TookTemperature, Celsius: &warm})
	if v := g.s.View(g.now, time.Second); v.Phase != WaterWanted || v.Said != "" {
		t.Errorf("at %q it says %q beside %q", v.Phase, v.Said, v.Do)
	}
}

// Nothing is told finer than the probe's floor: what lies under it is its own noise.
func TestUnderTheFloorIsToldSo(t *testing.T) {
	g := begin(t)
	g.toSweep()
	g.do(Act{Kind: WentOn})
	g.read(0.06, time.Second)
	const want = "< 0.02 mW/cm²"
	if v := g.s.View(g.now, time.Second); v.Value != want || v.Best != "highest here: "+want || v.Off != "background, oven off: "+want {
		t.Errorf("%q, %q, %q", v.Value, v.Best, v.Off)
	}
	g.until(HoldReady, 0.06, 30*time.Second)
	g.do(Act{Kind: WentOn})
	g.until(SweepReady, 0.06, 30*time.Second)
	if v := g.s.View(g.now, time.Second); v.Said != "Place 1 is taken: "+want {
		t.Errorf("%q", v.Said)
	}
	was, is := 0.3, 0.06
	places := func(v *float64) []Place { return []Place{{N: 1, Surface: Front, Cell: 1, Value: v, U: v}} }
	c := compare(Last{Ended: epoch(), Places: places(&was), Floor: 0.5}, Result{Places: places(&is), Instruments: []Instrument{{Floor: 0.2}}})
	if c.Text != "the highest value is < 0.02 mW/cm², it was < 0.05 mW/cm² on 2026-06-03" || c.Change != nil {
		t.Errorf("%q, a change of %v", c.Text, c.Change)
	}
}

// A check that came out badly is told so also where nothing was written beside it.
func TestABadCheckWithoutWordsIsTold(t *testing.T) {
	g := begin(t)
	g.do(Act{Kind: Checked, Check: &Check{Name: CheckBattery, Outcome: CheckBad}})
	g.toSweep()
	g.whole(5)
	if r := g.finish(); !strings.Contains(fmt.Sprint(r.Verdict.Reasons), "check of the probe, battery: "+CheckBad) {
		t.Errorf("%q", r.Verdict.Reasons)
	}
}

// A value so far below zero that the zero is off is no small one: it is told as itself,
// on no side of the limit, and no survey is within over such a background.
func TestAZeroThatIsOffIsNotUnderTheFloor(t *testing.T) {
	g := begin(t)
	g.do(Act{Kind: WentOn})
	g.do(Act{Kind: WentOn})
	g.until(WaterWanted, -30, 10*time.Second)
	if v := g.s.View(g.now, time.Second); v.Value != "reads -3 mW/cm²" || v.Ratio != "the probe's zero is off" || v.Level != "unknown" || v.Off != "background, oven off: -3 mW/cm²" {
		t.Errorf("%q, %q, %q, %q", v.Value, v.Ratio, v.Level, v.Off)
	}
	g.water(20)
	g.whole(5)
	if r := g.finish(); r.Verdict.Outcome != limit.NotDecided || !strings.Contains(fmt.Sprint(r.Verdict.Reasons), "is -3 mW/cm²: the zero is off") {
		t.Errorf("%+v", r.Verdict)
	}
}

// What is above its limit does not read as the limit, and a turn of 2.5 s not as one of 2.
func TestFiguresOfAViewKeepWhatMatters(t *testing.T) {
	for ratio, want := range map[float64]string{52.1 / 50: "1.04", 1.0004: "1.0004", 1: "1", 0.9996: "0.9996", 0.4167: "0.42", 12.3: "12", 99.7: "100", 123.4: "123"} {
		if got := Times(ratio, 2); got != want {
			t.Errorf("%g times reads %q, want %q", ratio, got, want)
		}
	}
	g := begin(t, func(s *Setup) { s.Plan.TurnS = 2.5 })
	g.toSweep()
	g.do(Act{Kind: WentOn})
	g.until(HoldReady, 52.1, 30*time.Second)
	if v := g.s.View(g.now, time.Second); v.Ratio != "1.04 × limit" || v.Level != "above" {
		t.Errorf("%s, %q", v.Level, v.Ratio)
	}
	g.do(Act{Kind: WentOn})
	g.read(52.1, 2200*time.Millisecond)
	if v := g.s.View(g.now, time.Second); v.Settled != "not settled: 1.2 of 2.5 s of the stirrer's turn seen" {
		t.Errorf("%q", v.Settled)
	}
}

// What was seen above the limit at a place is told by its highest value, however the
// sweep or hold was broken off.
func TestTheHighestBeforeABreakIsTold(t *testing.T) {
	for name, c := range map[string]struct {
		hold bool
		off  Act
	}{
		"sweep, redo":            {false, Act{Kind: Redone}},
		"sweep, back":            {false, Act{Kind: WentBack}},
		"sweep, stopped by hand": {false, Act{Kind: StageEnded}},
		"sweep, given up":        {false, Act{Kind: GaveUp, Text: "no time"}},
		"hold, redo":             {true, Act{Kind: Redone}},
		"hold, stopped by hand":  {true, Act{Kind: StageEnded}},
		"hold, given up":         {true, Act{Kind: GaveUp, Text: "no time"}},
	} {
		g := begin(t)
		g.toSweep()
		g.do(Act{Kind: WentOn})
		if c.hold {
			g.until(HoldReady, 1, 30*time.Second)
			g.do(Act{Kind: WentOn})
		}
		g.read(51, time.Second)
		g.read(79, time.Second)
		g.read(60, 500*time.Millisecond)
		g.do(c.off)
		if g.s.Phase() != Ended {
			g.do(Act{Kind: GaveUp, Text: "no time"})
		}
		again, err := Resume(g.steps)
		if err != nil {
			t.Fatal(err)
		}
		for _, r := range []Result{g.s.Result(), again.Result()} {
			if !strings.Contains(fmt.Sprint(r.Verdict.Reasons), "7.9 mW/cm²") {
				t.Errorf("%s: %q", name, r.Verdict.Reasons)
			}
		}
	}
}

// A place whose sweep or hold reads so far below zero that the zero is off is not within,
// though the background before it was taken well and the oven generated.
func TestAHoldWhoseZeroIsOffIsNotWithin(t *testing.T) {
	for _, c := range []struct {
		swept, held float64
		want        string
	}{{5, -30, "the hold reads -3 mW/cm²: the zero is off"}, {-30, 5, "the sweep read -3 mW/cm² at most: the zero is off"}} {
		g := begin(t)
		g.toSweep()
		g.do(Act{Kind: WentOn})
		g.until(HoldReady, c.swept, 30*time.Second)
		g.do(Act{Kind: WentOn})
		g.until(SweepReady, c.held, 30*time.Second)
		g.whole(5)
		r := g.finish()
		if p := r.Places[0]; p.Verdict.Outcome != limit.NotDecided || !slices.Contains(p.Verdict.Reasons, c.want) || r.Verdict.Outcome != limit.NotDecided {
			t.Errorf("%+v, %s", p.Verdict, r.Verdict.Outcome)
		}
	}
}

// A field above the limit that was seen is what shows that the oven generated, so
// nothing beside it says that nothing does.
func TestAnExceedanceIsNotSaidToLackProof(t *testing.T) {
	g := begin(t)
	g.do(Act{Kind: WentOn})
	g.do(Act{Kind: WentOn})
	g.until(WaterWanted, 70, 10*time.Second) // so far above zero that no value proves a run
	g.water(20)
	g.whole(60)
	r := g.finish()
	if p := r.Places[0]; p.Verdict.Outcome != limit.Exceeds || strings.Contains(fmt.Sprint(p.Verdict.Reasons), "nothing shows") {
		t.Errorf("%+v", p.Verdict)
	}
}
