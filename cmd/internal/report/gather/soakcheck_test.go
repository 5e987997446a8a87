package gather

import (
	"bytes"
	"math"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/cycle/history"
	"ovenward/acquire/cycle/soak"
	"ovenward/acquire/cycle/stats"
	"ovenward/acquire/limit"
	"ovenward/acquire/quantity"
	"ovenward/acquire/store"
	"ovenward/acquire/survey"
	"ovenward/cmd/internal/report"
	"ovenward/drivers/driverstest"
)

// TestCheckpointsTellWhatTheirSurveysFound: of a survey that the record has the report
// tells the highest value and where it was; of one by word it is not known.
func TestCheckpointsTellWhatTheirSurveysFound(t *testing.T) {
	dir := t.TempDir()
	s, err := store.Open(dir, store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	p := post()
	begin := time.Date(2031, 1, 1, 0, 0, 0, 0, time.UTC)
	if err := s.Register([]acquire.Post{p}, begin); err != nil {
		t.Fatal(err)
	}
	low, value, u := 1.2, 31.5, 4.0
	for id, places := range map[string][]survey.Place{
		"s-1": {{N: 1, Sweep: "control panel", Surface: survey.Front, Cell: 6, Value: &low, U: &u}, {N: 2, Sweep: "door seam, top side", Surface: survey.Front, Cell: 2, Value: &value, U: &u}},
		"s-2": {{N: 2, Sweep: "door seam, top side", Surface: survey.Front, Cell: 2, OverRange: true}},
	} {
		begun := []survey.Step{{N: 1, At: begin, Who: "M. Ashdown", Kind: survey.Began, Setup: &survey.Setup{ID: id, Post: p.ID}}}
		if err := s.KeepSurvey(t.Context(), id, p.Oven, begun, &survey.Result{ID: id, Ended: begin, State: survey.Complete, Verdict: survey.Verdict{Outcome: limit.NotDecided, Worst: 2}, Places: places}); err != nil {
			t.Fatal(err)
		}
	}
	plan := soak.Plan{ID: "door-7", Title: "hinge of 2031", Conditions: "230 V, 1 L of water", Oven: p.Oven, Post: p.ID, Procedure: "door cycling", Source: "our own", LimitID: p.Limit.ID, Level: p.Limit.Value, Guard: 5, Operations: 30, Checkpoints: []int64{10, 20, 30}}
	if err := s.PlanSoak(t.Context(), plan, "A. Tester", begin); err != nil {
		t.Fatal(err)
	}
	r := marked(t, s, begin, time.Minute, soak.Mark{Kind: soak.Started}, soak.Mark{Kind: soak.Operations, Count: 30, From: soak.FromInput},
		soak.Mark{Kind: soak.Surveyed, Checkpoint: 10, Survey: "s-1", Outcome: "not decided"}, soak.Mark{Kind: soak.Surveyed, Checkpoint: 20, Survey: "s-2", Outcome: "not decided"},
		soak.Mark{Kind: soak.Surveyed, Checkpoint: 30, Outcome: "within"}, soak.Mark{Kind: soak.Finished})
	var b bytes.Buffer
	if err := r.Document().CSV(&b); err != nil || !strings.Contains(b.String(), "As stated when it was planned,\"230 V, 1 L of water\"") || !strings.Contains(b.String(), "Name,hinge of 2031") {
		t.Errorf("%v, the conditions or the name are not told: %s", err, b.String())
	}
	if !strings.Contains(b.String(), "Statistics by day of UTC") {
		t.Error("whose days the statistics are of is not told")
	}
	const where = "place 2, door seam, top side, front, cell 2"
	c := r.Checkpoints
	if len(c) != 3 || c[0].Value != 31.5 || c[0].U != 4 || c[0].Place != where || !math.IsInf(float64(c[1].Value), 1) || c[1].Place != where ||
		!math.IsNaN(float64(c[2].Value)) || c[2].Place != "" {
		t.Errorf("%+v", c)
	}
	// One that is damaged costs no other.
	if out, err := exec.Command(driverstest.Program(t, "sqlite3"), filepath.Join(dir, store.FileName), "UPDATE surveys SET result = '{' WHERE id = 's-1'").CombinedOutput(); err != nil {
		t.Fatalf("%s: %v", out, err)
	}
	if r, err = Soak(t.Context(), s.Reader, SoakQuery{ID: "door-7", Zone: time.UTC, Version: "test"}); err != nil {
		t.Fatal(err)
	}
	if c := r.Checkpoints; !math.IsNaN(float64(c[0].Value)) || !strings.Contains(c[0].Place, "damaged in the record") || c[1].Place != where {
		t.Errorf("beside a damaged one: %+v", c)
	}
}

// marked gives the soak test door-7 its marks, one each so often, and makes its report.
func marked(t *testing.T, s *store.Store, begin time.Time, every time.Duration, marks ...soak.Mark) *report.Soak {
	t.Helper()
	for i, m := range marks {
		m.Soak, m.Who, m.At = "door-7", "A. Tester", begin.Add(time.Duration(i)*every)
		m.Entered = m.At
		if _, err := s.MarkSoak(t.Context(), m); err != nil {
			t.Fatal(err)
		}
	}
	r, err := Soak(t.Context(), s.Reader, SoakQuery{ID: "door-7", Zone: time.UTC, Version: "test"})
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// TestASoakIsWithinByWhatWasCalibrated: of a time in which the probe was far below zero
// nothing was seen, and one that no certificate covered earns no within; the report says
// so of either.
func TestASoakIsWithinByWhatWasCalibrated(t *testing.T) {
	for name, tc := range map[string]struct {
		spoil func(x *acquire.Sample)
		want  soak.Outcome
		why   string
	}{
		"nothing": {func(*acquire.Sample) {}, soak.Within, "the whole test was seen"},
		"far below zero": {func(x *acquire.Sample) {
			x.Reading.Value.Digits, x.Quality = -200, acquire.UnderFloor|acquire.Uncalibrated
		}, soak.NotDecided, "for 60 s of 20 min nothing was seen"},
		"below zero, and recorded as calibrated": {func(x *acquire.Sample) { x.Reading.Value.Digits, x.Quality = -200, acquire.UnderFloor }, soak.NotDecided, "for 60 s of 20 min nothing was seen"},
		"a little below zero":                    {func(x *acquire.Sample) { x.Reading.Value.Digits, x.Quality = -2, acquire.UnderFloor }, soak.Within, "the whole test was seen"},
		"uncalibrated":                           {func(x *acquire.Sample) { x.Quality = acquire.Uncalibrated }, soak.NotDecided, "for 60 s of 20 min the readings were not covered by a certificate"},
	} {
		p := post()
		s, _ := recorded(t, p, func(n int, x *acquire.Sample) bool {
			if n >= 900 && n < 960 {
				tc.spoil(x)
			}
			return true
		})
		if err := s.Flush(t.Context()); err != nil {
			t.Fatal(err)
		}
		r := tested(t, s, 400*time.Second)
		if said := strings.Join(r.Reasons, "; "); soak.Outcome(r.Outcome) != tc.want || !strings.Contains(said, tc.why) {
			t.Errorf("%s: %s: %s; want %s: %s", name, r.Outcome, said, tc.want, tc.why)
		}
	}
}

// tested makes the report of a soak test of the whole record, but for its ends; a mark is
// entered each so often.
func tested(t *testing.T, s *store.Store, every time.Duration) *report.Soak {
	t.Helper()
	p := post()
	h := history.Post{ID: p.ID, Options: history.Options{Floor: p.Probe.Floor, Response: p.Probe.Response, Gap: p.RunGap, Stale: p.Stale, Levels: []quantity.PowerDensity{p.Limit.Value}}}
	if err := history.NewFollower(s, []history.Post{h}).Once(t.Context(), dusk().Add(length*time.Second)); err != nil {
		t.Fatal(err)
	}
	plan := soak.Plan{ID: "door-7", Oven: p.Oven, Post: p.ID, Procedure: "door cycling", Source: "our own", LimitID: p.Limit.ID, Level: p.Limit.Value, Guard: 5, Operations: 30, Checkpoints: []int64{30}}
	if err := s.PlanSoak(t.Context(), plan, "A. Tester", dusk()); err != nil {
		t.Fatal(err)
	}
	return marked(t, s, dusk().Add(100*time.Second), every, soak.Mark{Kind: soak.Started}, soak.Mark{Kind: soak.Operations, Count: 30, From: soak.FromInput},
		soak.Mark{Kind: soak.Surveyed, Checkpoint: 30, Outcome: "within"}, soak.Mark{Kind: soak.Finished})
}

// TestASoakIsWithinByHowThePostStoodThroughout: a probe that stood elsewhere for a while
// shows nothing of that while, though it is back in its place when the test ends.
func TestASoakIsWithinByHowThePostStoodThroughout(t *testing.T) {
	cases := elsewhere()
	cases["the whole test was seen"] = func(*acquire.Post) {}
	cases["below the limit by less than the expanded uncertainty"] = func(p *acquire.Post) { p.Doubt.Noise = 40 }
	for why, change := range cases {
		want := soak.NotDecided
		if why == "the whole test was seen" {
			want = soak.Within
		}
		r := tested(t, inTurn(t, 600, func(n int, p *acquire.Post) {
			if n == 1 || n == 2 {
				change(p)
			}
		}), 700*time.Second)
		if said := strings.Join(r.Reasons, "; "); soak.Outcome(r.Outcome) != want || !strings.Contains(said, why) {
			t.Errorf("%s: %s; want %s: %s", r.Outcome, said, want, why)
		}
	}
}

// TestWhatWasNotCountedIsNoZero: of a level that was not counted throughout a test the
// report gives no number of exceedances.
func TestWhatWasNotCountedIsNoZero(t *testing.T) {
	for level, want := range map[quantity.PowerDensity]string{50: ",Exceedances,0,", 20: ",Exceedances,not counted throughout,"} {
		r := soak.Result{Life: soak.New(soak.Plan{Level: level}), Whole: stats.NewSummary(50)}
		s := report.Soak{Counts: counts(&r)}
		var b bytes.Buffer
		if err := s.Document().CSV(&b); err != nil || !strings.Contains(b.String(), want) {
			t.Errorf("%v, no %q in:\n%s", err, want, b.String())
		}
	}
}
