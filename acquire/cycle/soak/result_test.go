package soak

import (
	"context"
	"errors"
	"iter"
	"math"
	"strings"
	"testing"
	"time"

	"ovenward/acquire/cycle/history"
	"ovenward/acquire/limit"
	"ovenward/acquire/quantity"
)

// source is a record in memory: a sample a second, and the runs in them.
type source struct {
	samples []history.Sample
	runs    []history.Run
}

func (s *source) PastSamples(_ context.Context, _ string, from, to time.Time) iter.Seq2[[]history.Sample, error] {
	return func(yield func([]history.Sample, error) bool) {
		var batch []history.Sample
		for _, x := range s.samples {
			if !x.At.Before(from) && x.At.Before(to) {
				batch = append(batch, x)
			}
		}
		if len(batch) > 0 {
			yield(batch, nil)
		}
	}
}

func (s *source) PastHours(context.Context, string, time.Time, time.Time) iter.Seq2[history.Hour, error] {
	return func(func(history.Hour, error) bool) {}
}

func (s *source) HistoryState(context.Context, string) (history.State, error) {
	return history.State{}, nil
}

func (s *source) PastRuns(_ context.Context, _ string, from, to time.Time) iter.Seq2[history.Run, error] {
	return func(yield func(history.Run, error) bool) {
		for _, r := range s.runs {
			if !r.Start.Before(from) && r.Start.Before(to) && !yield(r, nil) {
				return
			}
		}
	}
}

// tried is a finished test of ten minutes that shows all that within asks for.
type tried struct {
	plan  Plan
	marks []Mark
	src   source
	lacks func(time.Time, quantity.PowerDensity) []string
	by    time.Duration
}

func wholeTest() *tried {
	x := &tried{plan: plan(), by: time.Hour, lacks: func(time.Time, quantity.PowerDensity) []string { return nil }}
	x.plan.Operations, x.plan.Checkpoints = 10, []int64{10}
	x.marks = []Mark{{Kind: Started, At: at(0)}, {Kind: Operations, Count: 10, From: FromInput, At: at(9 * time.Minute)},
		{Kind: Surveyed, Checkpoint: 10, Outcome: "within", Survey: "s-1", At: at(10 * time.Minute)}, {Kind: Finished, At: at(10 * time.Minute)}}
	for i := -300; i < 1200; i++ {
		s := history.Sample{At: at(time.Duration(i) * time.Second), S: 0.01, Valid: true}
		if i >= 200 && i < 300 {
			s.S = 20
		}
		x.src.samples = append(x.src.samples, s)
	}
	x.src.runs = []history.Run{{Number: 1, Start: at(200 * time.Second), End: at(300 * time.Second), Begun: true, On: 100 * time.Second, Mean: 20, Peak: 20}}
	return x
}

func (x *tried) result(t *testing.T) Result {
	t.Helper()
	l := New(x.plan)
	for _, m := range x.marks {
		m.Who = "A. Tester"
		if err := l.Take(m); err != nil {
			t.Fatal(err)
		}
	}
	w := Watched{Post: history.Post{ID: "bench", Options: history.Options{Floor: 0.1, Response: time.Second, Gap: 90 * time.Second, Stale: 3 * time.Second}}, Lacks: x.lacks}
	r, err := Make(t.Context(), &x.src, l, w, at(x.by), time.UTC)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// TestWithinIsEarned: one thing amiss, and the test does not say within; what exceeds
// does so whatever else is amiss.
// checkUnseen: what is listed as blind is what was not seen.
func checkUnseen(t *testing.T, name string, r Result) {
	t.Helper()
	blind := time.Duration(0)
	for _, g := range r.Blind.Longest() {
		blind += g.To.Sub(g.From)
	}
	if blind != r.Unseen || r.Blind.For != blind {
		t.Errorf("%s: %v unseen, listed %v", name, r.Unseen, r.Blind)
	}
}

func TestWithinIsEarned(t *testing.T) {
	drop := func(x *tried, kind Kind) {
		kept := x.marks[:0]
		for _, m := range x.marks {
			if m.Kind != kind {
				kept = append(kept, m)
			}
		}
		x.marks = kept
	}
	sample := func(x *tried, second int) *history.Sample { return &x.src.samples[300+second] }
	for name, tc := range map[string]struct {
		spoil func(*tried)
		want  Outcome
		why   string
	}{
		"nothing":   {func(*tried) {}, Within, "with 1 runs"},
		"by word":   {func(x *tried) { x.marks[2].Survey = "" }, Within, "by word alone, without a survey of this record: the checkpoint at 10"},
		"under way": {func(x *tried) { drop(x, Finished); x.by = 10 * time.Minute }, NotDecided, "the test is running: 10 of 10 operations, 10 min active"},
		"aborted":   {func(x *tried) { x.marks[3].Kind, x.marks[3].Text = Aborted, "broken" }, NotDecided, "the test is aborted"},
		"blind for some seconds": {func(x *tried) {
			for i := 100; i < 110; i++ {
				sample(x, i).Valid = false
			}
		}, NotDecided, "nothing was seen"},
		"uncalibrated for 50 s": {func(x *tried) {
			for i := 400; i < 450; i++ {
				sample(x, i).Uncalibrated = true
			}
		}, NotDecided, "for 50 s of 10 min the readings were not covered by a certificate"},
		"above, uncalibrated": {func(x *tried) { s := sample(x, 250); s.S, s.Uncalibrated = 60, true }, Exceeds, "1 times, for 1 s in all"},
		"a cut in the record": {func(x *tried) { x.src.samples = append(x.src.samples[:400:400], x.src.samples[460:]...) }, NotDecided, "for 58 s of 10 min nothing was seen"},
		"no run":              {func(x *tried) { x.src.runs = nil }, NotDecided, "nothing shows that the oven generated"},
		"no checkpoint":       {func(x *tried) { x.plan.Checkpoints = nil; drop(x, Surveyed) }, NotDecided, "no checkpoint"},
		"a survey undecided":  {func(x *tried) { x.marks[2].Outcome = "not decided" }, NotDecided, "checkpoint at 10 is not decided"},
		"near the limit":      {func(x *tried) { sample(x, 250).S = 46 }, NotDecided, "nearer to the limit than its uncertainty"},
		"no uncertainty":      {func(x *tried) { x.plan.Guard = 0 }, NotDecided, "uncertainty at the limit was not known"},
		"no number":           {func(x *tried) { x.plan.Guard = quantity.PowerDensity(math.NaN()) }, NotDecided, "uncertainty at the limit was not known"},
		"the certificate ran out": {func(x *tried) {
			x.lacks = func(when time.Time, highest quantity.PowerDensity) []string {
				if when.After(begin) && highest == 20 {
					return []string{"certificate 7 was due"}
				}
				return nil
			}
		}, NotDecided, "certificate 7 was due"},
		"judged by a mean": {func(x *tried) { x.plan.Mean = 6 * time.Minute; sample(x, 250).S = 60 }, NotDecided, "whether its mean over 6 min was"},
		"above for a second, in a test that is aborted": {func(x *tried) {
			x.marks[3].Kind, x.marks[3].Text = Aborted, "broken"
			sample(x, 250).S = 60
		}, Exceeds, "above limit in use 1 times, for 1 s in all"},
		"over range": {func(x *tried) { s := sample(x, 250); s.S, s.Over = 200, true }, Exceeds, "over the probe's range for 1 s"},
		"a survey":   {func(x *tried) { x.marks[2].Outcome = "exceeds" }, Exceeds, "survey of the checkpoint at 10 exceeds"},
	} {
		x := wholeTest()
		tc.spoil(x)
		r := x.result(t)
		checkUnseen(t, name, r)
		if said := strings.Join(r.Reasons, "; "); r.Outcome != tc.want || !strings.Contains(said, tc.why) || strings.Contains(said, " ns") {
			t.Errorf("%s: %s: %s; want %s: %s", name, r.Outcome, said, tc.want, tc.why)
		}
	}
}

// TestEveryDecisionRule: a highest value below the limit, less than its uncertainty below
// it, as little above it, and farther above it, by each rule that the limit may name. The
// uncertainty is 5 W/m² and the limit 50.
func TestEveryDecisionRule(t *testing.T) {
	for rule, want := range map[limit.Rule][4]Outcome{
		"":                      {Within, NotDecided, Exceeds, Exceeds},
		limit.GuardedAcceptance: {Within, NotDecided, Exceeds, Exceeds},
		limit.SimpleAcceptance:  {Within, Within, Exceeds, Exceeds},
		limit.GuardedRejection:  {Within, Within, NotDecided, Exceeds},
	} {
		for i, highest := range []quantity.PowerDensity{44, 47, 53, 56} {
			x := wholeTest()
			x.plan.Rule, x.plan.Guard = rule, 5
			x.src.samples[300+250].S = highest
			if r := x.result(t); r.Outcome != want[i] || len(r.Reasons) == 0 {
				t.Errorf("%q, %v: %s, %q; want %s", rule, highest, r.Outcome, r.Reasons, want[i])
			}
			// An uncertainty that is not known takes nothing away from exceeds, and earns no within.
			x.plan.Guard = 0
			if r := x.result(t); (r.Outcome == Exceeds) != (highest > 50) || r.Outcome == Within {
				t.Errorf("%q, %v, no uncertainty: %s, %q", rule, highest, r.Outcome, r.Reasons)
			}
		}
	}
	x := wholeTest()
	x.plan.Rule, x.plan.Guard = limit.GuardedRejection, 5
	s := &x.src.samples[300+250]
	s.S, s.Over = 51, true
	if r := x.result(t); r.Outcome != Exceeds {
		t.Errorf("over range by guarded rejection: %s, %q", r.Outcome, r.Reasons)
	}
}

// TestATestWithPauses: what happens in a pause is not of the test.
func TestATestWithPauses(t *testing.T) {
	x := wholeTest()
	x.marks = []Mark{{Kind: Started, At: at(0)}, {Kind: Operations, Count: 10, From: FromInput, At: at(4 * time.Minute)}, {Kind: Paused, Text: "the night", At: at(5*time.Minute + 30*time.Second)},
		{Kind: Resumed, At: at(7 * time.Minute)}, {Kind: Surveyed, Checkpoint: 10, Outcome: "within", Survey: "s-1", At: at(10 * time.Minute)}, {Kind: Finished, At: at(10 * time.Minute)}}
	x.src.samples[300+360].S = 80 // in the pause
	x.src.samples[300+361].Valid = false
	r := x.result(t)
	if r.Outcome != Within || r.Active != 8*time.Minute+30*time.Second || r.Unseen != 0 {
		t.Errorf("%s, %v active, %v unseen: %q", r.Outcome, r.Active, r.Unseen, r.Reasons)
	}
	if len(r.Parts) != 1 || r.Parts[0].Runs != 1 || r.Parts[0].Operations != 10 || r.Parts[0].Active != r.Active {
		t.Errorf("%+v", r.Parts)
	}
}

// TestNoForecastWithoutItsGround: without runs nothing is told of a trend, and without
// an uncertainty nothing of when the guard band is reached.
func TestNoForecastWithoutItsGround(t *testing.T) {
	x := wholeTest()
	x.src.runs = nil
	k := x.result(t).Trend
	if !math.IsNaN(k.Age.Kendall.P) || !math.IsNaN(k.Age.Slope.Slope) || k.Runs.Refused == "" || k.Days.Refused == "" {
		t.Errorf("of no run: %+v", k)
	}
	x = wholeTest()
	x.plan.Guard = 0
	for i := range 40 {
		at := at(time.Duration(i) * time.Second)
		x.src.runs = append(x.src.runs, history.Run{Number: int64(i + 2), Start: at, End: at, Begun: true, Mean: quantity.PowerDensity(10 + 0.5*float64(i))})
	}
	x.src.runs = x.src.runs[1:]
	if k := x.result(t).Trend; !strings.Contains(k.Days.Refused, "uncertainty at the limit is not known") || !math.IsNaN(k.Runs.Hi) || k.Age.Points != 40 {
		t.Errorf("without an uncertainty: %+v", k)
	}
}

// TestStatisticsOfATest parts one that was paused over the turn of an hour.
func TestStatisticsOfATest(t *testing.T) {
	x := wholeTest()
	x.plan.Checkpoints = []int64{4, 10}
	x.marks = []Mark{{Kind: Started, At: at(0)}, {Kind: Operations, Count: 4, From: FromInput, At: at(4 * time.Minute)}, {Kind: Surveyed, Checkpoint: 4, Outcome: "within", At: at(4 * time.Minute)},
		{Kind: Paused, Text: "the night", At: at(6 * time.Minute)}, {Kind: Resumed, At: at(7 * time.Minute)}, {Kind: Operations, Count: 6, From: FromImport, At: at(9 * time.Minute)}}
	x.src.samples[300+250].S = 60
	l, err := Fold(x.plan, named(x.marks))
	if err != nil {
		t.Fatal(err)
	}
	p := history.Post{ID: "bench", Options: history.Options{Floor: 0.1, Response: time.Second, Gap: 90 * time.Second, Stale: 3 * time.Second}}
	for per, want := range map[history.Per][]Part{
		history.PerRun:  {{Name: "run 1", Runs: 1, Operations: -1, Active: 100 * time.Second}},
		history.PerHour: {{Name: "2030-03-04 08:00 UTC", Runs: 1, Operations: -1, Active: 9 * time.Minute}},
		history.PerDay:  {{Name: "2030-03-04", Runs: 1, Operations: -1, Active: 9 * time.Minute}},
		PerCheckpoint:   {{Name: "up to the checkpoint at 4 operations", Runs: 1, Operations: 4, Active: 4 * time.Minute}, {Name: "since the last checkpoint", Operations: 10, Active: 5 * time.Minute}},
		PerTest:         {{Name: "the whole test", Runs: 1, Operations: -1, Active: 9 * time.Minute}},
	} {
		got, err := Statistics(t.Context(), &x.src, l, p, per, time.Time{}, at(10*time.Minute), time.UTC)
		if err != nil || len(got) != len(want) {
			t.Fatalf("%s: %d parts, %v: %+v", per, len(got), err, got)
		}
		counted, on, highest := 0, time.Duration(0), quantity.PowerDensity(0)
		for i, w := range want {
			g := got[i]
			if g.Name != w.Name || g.Runs != w.Runs || g.Operations != w.Operations || g.Active != w.Active {
				t.Errorf("%s: %+v, want %+v", per, g, w)
			}
			above, ok := g.Sum.Above(50)
			on, highest = on+g.Sum.On.Quantiles.Total(), max(highest, g.Sum.Peaks.List()[0].S)
			if counted += above.Count; !ok {
				t.Errorf("%s: exceedances are not counted", per)
			}
		}
		if counted != 1 || highest != 60 || on != 100*time.Second {
			t.Errorf("%s: %d exceedances, on %v, highest %g", per, counted, on, highest)
		}
	}
	if _, err := Statistics(t.Context(), &x.src, l, p, "moon", time.Time{}, at(10*time.Minute), time.UTC); err == nil {
		t.Error("a test is parted by moons")
	}
	// Of a part of a test only what lies in it: the run began before.
	got, err := Statistics(t.Context(), &x.src, l, p, PerTest, at(250*time.Second), at(10*time.Minute), time.UTC)
	if err != nil || len(got) != 1 || got[0].Runs != 0 || got[0].From != at(250*time.Second) || got[0].Sum.On.Quantiles.Total() != 50*time.Second {
		t.Errorf("since the middle of the run: %+v, %v", got, err)
	}
	if got, err = Statistics(t.Context(), &x.src, l, p, history.PerRun, at(250*time.Second), at(10*time.Minute), time.UTC); err != nil || len(got) != 0 {
		t.Errorf("runs since the middle of the only one: %+v, %v", got, err)
	}
	if _, err = Statistics(t.Context(), &x.src, l, p, PerCheckpoint, at(time.Second), at(10*time.Minute), time.UTC); !errors.Is(err, ErrSince) {
		t.Errorf("checkpoints since an instant: %v", err)
	}
}

// TestDaysOfATest: they are the site's, and end where its clocks spring over midnight.
func TestDaysOfATest(t *testing.T) {
	zone, err := time.LoadLocation("America/Santiago")
	if err != nil {
		t.Fatal(err)
	}
	begin := time.Date(2026, 9, 5, 20, 0, 0, 0, zone)
	l := &Life{Active: []Span{{From: begin}}}
	var got []string
	for _, c := range l.days(begin.Add(30*time.Hour), zone) {
		got = append(got, c.name+" to "+c.at.In(zone).Format("02 15:04"))
	}
	if want := "2026-09-05 to 06 01:00, 2026-09-06 to 07 00:00, 2026-09-07 to 07 03:00"; strings.Join(got, ", ") != want {
		t.Errorf("%q, want %q", got, want)
	}
}

// past gives runs one after the other.
func past(runs []history.Run) Runs {
	return func(yield func(history.Run, error) bool) {
		for _, r := range runs {
			if !yield(r, nil) {
				return
			}
		}
	}
}

func named(marks []Mark) []Mark {
	for i := range marks {
		marks[i].Who = "A. Tester"
	}
	return marks
}

// TestAStepIsToldByTheNumberOfARun: of many runs, some of which were not wholly seen and
// the first of which is not run 1, the step is told by the number that its run has.
func TestAStepIsToldByTheNumberOfARun(t *testing.T) {
	const first, stepped, n = 501, 2000, 3000
	var runs []history.Run
	for i := range int64(n) {
		r := history.Run{Number: first + i, Start: at(time.Duration(i) * time.Minute), Begun: i%7 > 0, Mean: quantity.PowerDensity(5 + 0.01*float64(i*7919%13))}
		if r.Number > stepped {
			r.Mean += 3
		}
		runs = append(runs, r)
	}
	k, err := TrendOf(past(runs), 50)
	if err != nil || k.Age.Step == nil {
		t.Fatalf("%+v, %v", k, err)
	}
	if off := k.StepAfter - stepped; off < -n/512-2 || off > n/512+2 {
		t.Errorf("a step after run %d, want %d: of the runs told from it is no. %d", k.StepAfter, stepped, k.Age.From)
	}
	if k, err = TrendOf(past(runs[:900]), 50); err != nil || k.Age.Step != nil || k.StepAfter != 0 {
		t.Errorf("without a step: after run %d, %v", k.StepAfter, err)
	}
}
