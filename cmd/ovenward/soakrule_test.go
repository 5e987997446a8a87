package main

import (
	"database/sql"
	"encoding/json"
	"errors"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/calib"
	"ovenward/acquire/cycle"
	past "ovenward/acquire/cycle/history"
	"ovenward/acquire/cycle/soak"
	"ovenward/acquire/cycle/stats"
	"ovenward/acquire/limit"
	"ovenward/acquire/quantity"
	"ovenward/acquire/store"
	"ovenward/acquire/survey"
	"ovenward/cmd/internal/report"
	"ovenward/cmd/internal/report/gather"
	"ovenward/config"
	"ovenward/drivers"
)

// benchPost is an invented post at an oven of its own.
func benchPost(id, oven string, l limit.Limit) acquire.Post {
	return acquire.Post{Site: "Larkfield House", ID: id, Oven: oven, OvenPlace: "test room", Distance: 0.05,
		Probe: acquire.Probe{ID: "probe-" + id, Period: time.Second, Response: time.Second, Range: 200, Floor: 0.1, Axes: 3,
			Certificate: &calib.Certificate{Number: "LH-17", Date: begun().AddDate(-1, 0, 0), Due: begun().AddDate(5, 0, 0), Factor: 1, U: 0.1, K: 2}},
		Limit: l, RunGap: 90 * time.Second, Silent: time.Minute, Stale: 5 * time.Second, Stuck: time.Hour}
}

func begun() time.Time { return time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC) }

// A soak report says what the site stated of whose runs they are, beside the ovens
// that the record knows, and names the decision rule that the limit had.
func TestSoakReportSaysWhoseRuns(t *testing.T) {
	inUse := limit.Limit{ID: "in use", Value: 50, Distance: 0.05, Basis: limit.EmissionInUse, Source: "a standard", Rule: limit.SimpleAcceptance}
	for _, tc := range []struct {
		alone        bool
		whose, lacks string
	}{
		{true, "those of oven combi, as stated when the test was planned: the configuration says that nothing else that emits is near; the record knows other ovens (counter)", "cannot tell"},
		{false, "the record knows other ovens too (counter), and cannot tell whether one of them was seen; contact relay said of 2 of 3 runs that oven combi was switched to heat; of what contacts said of the oven's power, event 1 is damaged in the record, and left out", "those of oven"},
	} {
		record, err := store.Open(t.TempDir(), store.Options{})
		if err != nil {
			t.Fatal(err)
		}
		defer record.Close()
		posts := []acquire.Post{benchPost("bench", "combi", inUse), benchPost("hall", "counter", inUse)}
		if err := record.Register(posts, begun()); err != nil {
			t.Fatal(err)
		}
		file := &config.File{Ovens: []config.Oven{{ID: "combi"}, {ID: "counter"}}, Posts: []config.Post{{ID: "bench", Oven: "combi", Alone: tc.alone}, {ID: "hall", Oven: "counter"}}}
		e := eyes{record: record, posts: posts, station: func() []acquire.Stats { return nil }}
		tests := planner{eyes: e, zone: time.UTC, now: begun, counted: &operations{of: map[string]int64{}}, ovenOf: ovenOf(file)}
		if tests.Keeper, err = soak.NewKeeper(t.Context(), record, e, begun, func(soak.Plan, soak.Mark) {}); err != nil {
			t.Fatal(err)
		}
		plan := soak.Plan{ID: "d1", Post: "bench", Procedure: "door cycling", Source: "our own", Operations: 10, Whose: "what a client says does not count", Rule: limit.GuardedRejection}
		if err := tests.Plan(t.Context(), plan, "A. Tester"); err != nil {
			t.Fatal(err)
		}
		if err := tests.Mark(t.Context(), soak.Mark{Soak: "d1", Kind: soak.Started, Who: "A. Tester"}); err != nil {
			t.Fatal(err)
		}
		var runs []past.Run
		for i := range int64(3) {
			at := begun().Add(time.Duration(i+1) * 10 * time.Minute)
			runs = append(runs, past.Run{Number: i + 1, Start: at, End: at.Add(2 * time.Minute), On: time.Minute, Begun: true, Mean: 5, Peak: 6, PeakAt: at})
		}
		if err := record.KeepHistory(t.Context(), "bench", past.State{Runs: 3, Ended: runs[2].End}, runs, nil); err != nil {
			t.Fatal(err)
		}
		raw, err := json.Marshal(cycle.Switched{Contact: "relay", Oven: "combi", From: runs[0].Start, To: runs[1].End})
		if err != nil {
			t.Fatal(err)
		}
		record.Record(acquire.Event{At: runs[2].End, Post: "bench", Kind: acquire.KindPower, Text: "damaged", Raw: raw[:len(raw)-1]})
		record.Record(acquire.Event{At: runs[2].End, Post: "bench", Kind: acquire.KindPower, Text: "contact relay said so", Raw: raw})
		waitFor(t, 10*time.Second, "the event to be written", func() bool {
			said, err := record.Switched(t.Context(), "bench", "combi", runs[0].Start)
			return errors.As(err, new(*store.LeftOut)) && len(said) == 1
		})
		s, err := gather.Soak(t.Context(), record.Reader, gather.SoakQuery{ID: "d1", By: begun().Add(time.Hour), Per: "day", Zone: time.UTC})
		if err != nil {
			t.Fatal(err)
		}
		said := s.Conditions[slices.IndexFunc(s.Conditions, func(c report.Pair) bool { return c.Name == "Whose runs" })].Value.Text
		if !strings.Contains(said, tc.whose) || strings.Contains(said, tc.lacks) {
			t.Errorf("nothing near %v: %q", tc.alone, said)
		}
		if kept := tests.Life("d1").Plan.Rule; kept != inUse.Rule || s.Plan.Limit.Rule != inUse.Rule {
			t.Errorf("the limit had the rule %q, the plan keeps %q, the report says %q", inUse.Rule, kept, s.Plan.Limit.Rule)
		}
	}
}

// meansAbove is a record of six hours whose six-minute mean is above 50 W/m² twice.
func meansAbove(t *testing.T, post acquire.Post) *store.Store {
	t.Helper()
	field := func(at time.Duration) quantity.PowerDensity {
		switch {
		case at >= 2*time.Hour && at < 2*time.Hour+10*time.Minute, at >= 4*time.Hour && at < 4*time.Hour+8*time.Minute:
			return 80 // the mean is above 50 from 225 s on
		case at >= 5*time.Hour && at < 5*time.Hour+4*time.Minute:
			return 70 // and never here
		case at%time.Minute < 4*time.Second:
			return 120 // single values
		}
		return 0.02
	}
	record, err := store.Open(t.TempDir(), store.Options{CommitEvery: 5 * time.Millisecond})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { record.Close() })
	if err := record.Register([]acquire.Post{post}, begun()); err != nil {
		t.Fatal(err)
	}
	record.Correction(0, calib.Correction{ZeroAt: begun(), ZeroBy: "R. Okafor", Certificate: post.Probe.Certificate, Spread: calib.Spread{Rel: 0.05, Abs: 0.02, K: 2}})
	var batch []acquire.Sample
	for n := range int64(6 * 3600) {
		at := time.Duration(n) * time.Second
		if at > 4*time.Hour+7*time.Minute && at < 4*time.Hour+7*time.Minute+40*time.Second {
			continue // what is not seen while the mean is above makes no second exceedance
		}
		d := drivers.Decimal{Digits: int64(100 * field(at)), Exp: -3}
		batch = append(batch, acquire.Sample{Seq: n + 1, At: begun().Add(at), Said: []byte(d.String()), Reading: drivers.Reading{Value: d, HasValue: true, Unit: "mW/cm2"}})
	}
	record.Append(0, batch)
	waitFor(t, 20*time.Second, "the record to be written", func() bool { return record.Stats().Pending == 0 })
	return record
}

// The stop rule of a test by a limit with an averaging time counts what that limit
// does: means whose lower bound is above it, not single values; the same in small
// steps as at once, and from kept hours as from samples.
func TestStopRuleJudgesTheMean(t *testing.T) {
	public := limit.Limit{ID: "public", Value: 50, Averaging: 6 * time.Minute, Basis: limit.ExposurePublic, Source: "a standard"}
	post := benchPost("bench", "combi", public)
	record := meansAbove(t, post)
	e := eyes{record: record, posts: []acquire.Post{post}}
	plan := soak.Plan{ID: "d1", Post: "bench", Oven: "combi", LimitID: "public", Level: 50, Mean: public.Averaging}
	end := begun().Add(6 * time.Hour)
	check := func(how string, got stats.Exceedances) {
		t.Helper()
		// 80 W/m² from the first: above from 225 s on until the window holds 225 s of it less.
		if got.Count != 2 || got.Above < 14*time.Minute || got.Above > 16*time.Minute {
			t.Errorf("%s: %d exceedances of the mean, for %v", how, got.Count, got.Above)
		}
	}
	whole := func(how string) {
		t.Helper()
		got, over, err := e.Above(t.Context(), plan, begun(), end)
		if err != nil || over {
			t.Fatal(over, err)
		}
		check(how, got)
	}
	whole("from samples")
	e.posts[0].Probe.Range = 3 // since then
	whole("by the range of then")
	e.posts[0].Probe.Range = post.Probe.Range
	steps := stats.Exceedances{Level: 50}
	for at := begun().Add(110 * time.Minute); at.Before(begun().Add(270 * time.Minute)); at = at.Add(31 * time.Second) {
		got, _, err := e.Above(t.Context(), plan, at, at.Add(31*time.Second))
		if err != nil {
			t.Fatal(err)
		}
		steps.Merge(got)
	}
	check("in small steps", steps)
	if err := past.NewFollower(record, []past.Post{historyOf(post)}).Once(t.Context(), end); err != nil {
		t.Fatal(err)
	}
	whole("from kept hours")
	// The second is none where the post came nearer in its middle: no place shows enough of it.
	plan.Level = 55
	for want := 2; want > 0; want-- {
		if got, _, err := e.Above(t.Context(), plan, begun(), end); err != nil || got.Count != want {
			t.Errorf("%d exceedances of the mean, %v; want %d", got.Count, err, want)
		}
		nearer := post
		nearer.Distance /= 2
		if err := record.Register([]acquire.Post{nearer}, begun().Add(4*time.Hour+230*time.Second)); err != nil {
			t.Fatal(err)
		}
	}
	plan.Mean, plan.Level = 0, 50
	if got, _, err := e.Above(t.Context(), plan, begun(), end); err != nil || got.Count < 300 {
		t.Errorf("of single values %d exceed, %v: this tries nothing", got.Count, err)
	}
}

// A test whose stop rule found means above the limit exceeds, as seen now, after another
// start and in its report; and so does one that somebody ended before the rule was reached,
// with what its last seconds showed.
func TestAMeanThatStopsATestIsItsVerdict(t *testing.T) {
	public := limit.Limit{ID: "public", Value: 50, Averaging: 6 * time.Minute, Basis: limit.ExposurePublic, Source: "a standard"}
	post := benchPost("bench", "combi", public)
	record := meansAbove(t, post)
	for _, tc := range []struct {
		id          string
		rule, state string
		allowed     int
		ended       time.Duration // by somebody; 0: by a rule
		rejects     limit.Rule
		want        soak.Outcome
		why         string
	}{
		{"by-rule", "2 exceedances of limit public; the rule is 2", "stopped by a rule", 2, 0, "", soak.Exceeds, "the mean over 6 min was above limit public"},
		{"by-hand", "", "aborted", 5, 2*time.Hour + 5*time.Minute, "", soak.Exceeds, "the mean over 6 min was above limit public"},
		{"not-looked", "", "aborted", 5, 2*time.Hour + 5*time.Minute, "", soak.Exceeds, "the mean over 6 min was above limit public"},
		{"before", "", "aborted", 1, 2*time.Hour + 200*time.Second, "", soak.NotDecided, "whether its mean over 6 min was, single values do not show"},
		{"spared", "2 exceedances of limit public; the rule is 1", "stopped by a rule", 1, 0, limit.GuardedRejection, soak.NotDecided, "by no more than its uncertainty, 6 mW/cm², which guarded rejection does not reject"},
		{"rejected", "2 exceedances of limit public; the rule is 1", "stopped by a rule", 1, 0, limit.GuardedRejection, soak.Exceeds, "by more than its uncertainty, 1 mW/cm²"},
	} {
		now := begun()
		e := eyes{record: record, posts: []acquire.Post{post}, station: func() []acquire.Stats { return nil }}
		start := func() planner {
			k, err := soak.NewKeeper(t.Context(), record, e, func() time.Time { return now }, func(soak.Plan, soak.Mark) {})
			if err != nil {
				t.Fatal(err)
			}
			return planner{Keeper: k, eyes: e, zone: time.UTC, now: func() time.Time { return now }, counted: &operations{of: map[string]int64{}}, ovenOf: func(string) (string, string) { return "", "" }}
		}
		tests := start()
		plan := soak.Plan{ID: tc.id, Post: "bench", Oven: "combi", Procedure: "door cycling", Source: "our own", LimitID: "public", Level: 50, Mean: public.Averaging, Operations: 10,
			Rule: tc.rejects, Guard: map[string]quantity.PowerDensity{"spared": 60, "rejected": 10}[tc.id], Stop: soak.Stop{Exceedances: tc.allowed}}
		if err := tests.Keeper.Plan(t.Context(), plan, "A. Tester"); err != nil {
			t.Fatal(err)
		}
		say := func(kind soak.Kind) {
			if err := tests.Mark(t.Context(), soak.Mark{Soak: tc.id, Kind: kind, Who: "A. Tester", Text: "why"}); err != nil {
				t.Fatal(err)
			}
		}
		look := func() { tests.Look(t.Context(), func(err error) { t.Error(err) }) }
		if say(soak.Started); tc.ended > 0 {
			now = begun().Add(time.Hour)
			look()
			now = begun().Add(tc.ended)
			say(soak.Aborted)
			if tc.id == "not-looked" { // the program ended with the test
				tests = start()
			}
			now = now.Add(10 * time.Second)
		} else {
			now = begun().Add(6 * time.Hour)
		}
		look()
		look()
		check := func(when, outcome string, reasons []string) {
			if said := strings.Join(reasons, "; "); outcome != string(tc.want) || !strings.Contains(said, tc.why) {
				t.Errorf("%s, %s: %s, %q; want %s, %q", tc.id, when, outcome, said, tc.want, tc.why)
			}
		}
		for _, when := range []string{"now", "after another start"} {
			r, err := tests.Result(t.Context(), tc.id)
			if err != nil {
				t.Fatal(err)
			}
			check(when, string(r.Outcome), r.Reasons)
			marks := r.Life.Log
			if last := marks[len(marks)-1]; string(r.Life.State) != tc.state || tc.rule != "" && last.Text != tc.rule || len(marks) > 3 {
				t.Errorf("%s, %s: %s, %+v", tc.id, when, r.Life.State, marks)
			}
			tests = start()
		}
		s, err := gather.Soak(t.Context(), record.Reader, gather.SoakQuery{ID: tc.id, Zone: time.UTC})
		if err != nil {
			t.Fatal(err)
		}
		check("in its report", map[limit.Outcome]string{limit.Exceeds: "exceeds", limit.NotDecided: "not decided", limit.Within: "within"}[s.Outcome], s.Reasons)
	}
}

// What there is no such act for is told first, before who does it is asked for.
func TestAnUnknownActOfASoakTestIsTold(t *testing.T) {
	var out, problem strings.Builder
	if code := soakCommand(t.Context(), []string{"dance", "d1"}, &out, &problem); code != 1 || !strings.Contains(problem.String(), `there is no "dance"; see ovenward soak --help`) || out.Len() > 0 {
		t.Errorf("%d, %q, %q", code, out.String(), problem.String())
	}
}

// TestTheDaemonSaysWhatAPostLackedInATest: of a test that has earned all else, what page
// and API show asks how its post stood, as its report does.
func TestTheDaemonSaysWhatAPostLackedInATest(t *testing.T) {
	inUse := limit.Limit{ID: "in use", Value: 50, Distance: 0.05, Basis: limit.EmissionInUse, Source: "a standard"}
	for distance, want := range map[quantity.Length]struct {
		outcome soak.Outcome
		why     string
	}{0.05: {soak.Within, "the whole test was seen"}, 1: {soak.NotDecided, "measured at 1 m, the limit is for 50 mm"}} {
		post := benchPost("bench", "combi", inUse)
		post.Distance = distance
		record, err := store.Open(t.TempDir(), store.Options{CommitEvery: 5 * time.Millisecond})
		if err != nil {
			t.Fatal(err)
		}
		defer record.Close()
		if err := record.Register([]acquire.Post{post}, begun()); err != nil {
			t.Fatal(err)
		}
		record.Correction(0, calib.Correction{ZeroAt: begun(), ZeroBy: "R. Okafor", Certificate: post.Probe.Certificate, Spread: calib.Spread{Rel: 0.05, Abs: 0.02, K: 2}})
		var batch []acquire.Sample
		for n := range int64(3600) { // the oven runs for three minutes of each twenty
			d := drivers.Decimal{Digits: 20 + n%3, Exp: -3}
			if n%1200 >= 300 && n%1200 < 480 {
				d.Digits = 250
			}
			batch = append(batch, acquire.Sample{Seq: n + 1, At: begun().Add(time.Duration(n) * time.Second), Said: []byte(d.String()), Reading: drivers.Reading{Value: d, HasValue: true, Unit: "mW/cm2"}})
		}
		record.Append(0, batch)
		if err := record.Flush(t.Context()); err != nil {
			t.Fatal(err)
		}
		if err := past.NewFollower(record, []past.Post{historyOf(post)}).Once(t.Context(), begun().Add(time.Hour)); err != nil {
			t.Fatal(err)
		}
		now := begun().Add(10 * time.Second)
		e := eyes{record: record, posts: []acquire.Post{post}, station: func() []acquire.Stats { return nil }}
		tests := planner{eyes: e, zone: time.UTC, now: func() time.Time { return now }, counted: &operations{of: map[string]int64{}}, ovenOf: func(string) (string, string) { return "", "" }}
		if tests.Keeper, err = soak.NewKeeper(t.Context(), record, e, tests.now, func(soak.Plan, soak.Mark) {}); err != nil {
			t.Fatal(err)
		}
		if err := tests.Plan(t.Context(), soak.Plan{ID: "d1", Post: "bench", Procedure: "door cycling", Source: "our own", Operations: 30, Checkpoints: []int64{30}}, "A. Tester"); err != nil {
			t.Fatal(err)
		}
		for _, m := range []soak.Mark{{Kind: soak.Started}, {Kind: soak.Operations, Count: 30, From: soak.FromInput}, {Kind: soak.Surveyed, Checkpoint: 30, Outcome: "within"}, {Kind: soak.Finished}} {
			m.Soak, m.Who = "d1", "A. Tester"
			if err := tests.Mark(t.Context(), m); err != nil {
				t.Fatal(err)
			}
			now = now.Add(15 * time.Minute)
		}
		r, err := tests.Result(t.Context(), "d1")
		if err != nil {
			t.Fatal(err)
		}
		if said := strings.Join(r.Reasons, "; "); r.Outcome != want.outcome || !strings.Contains(said, want.why) {
			t.Errorf("at %s: %s: %s", distance, r.Outcome, said)
		}
	}
}

// A damaged survey decides no checkpoint of a soak test, but that it exceeded.
func TestADamagedSurveyDecidesNoCheckpoint(t *testing.T) {
	dir := t.TempDir()
	record, err := store.Open(dir, store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	for id, outcome := range map[string]limit.Outcome{"within": limit.Within, "above": limit.Exceeds, "well": limit.Within} {
		began := []survey.Step{{N: 1, At: begun(), Who: "A. Tester", Kind: survey.Began, Setup: &survey.Setup{ID: id, Post: "bench"}}}
		if err := record.KeepSurvey(t.Context(), id, "combi", began, &survey.Result{ID: id, Ended: begun().Add(time.Hour), State: survey.Complete, Verdict: survey.Verdict{Outcome: outcome}}); err != nil {
			t.Fatal(err)
		}
	}
	if err := record.Close(); err != nil {
		t.Fatal(err)
	}
	db, err := sql.Open("sqlite", filepath.Join(dir, store.FileName))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := db.Exec("UPDATE surveys SET result = '{' WHERE id <> 'well'"); err != nil {
		t.Fatal(err)
	}
	if err := db.Close(); err != nil {
		t.Fatal(err)
	}
	if record, err = store.Open(dir, store.Options{}); err != nil {
		t.Fatal(err)
	}
	defer record.Close()
	tests, life := planner{eyes: eyes{record: record}}, &soak.Life{Plan: soak.Plan{Oven: "combi"}, Active: []soak.Span{{From: begun()}}}
	for id, want := range map[string]string{"within": "", "above": "exceeds", "well": "within"} {
		got, err := tests.surveyed(t.Context(), life, soak.Mark{Survey: id})
		if got != want || (want == "") != (err != nil) || err != nil && !strings.Contains(err.Error(), "what survey within found is damaged") {
			t.Errorf("%s: %q, %v", id, got, err)
		}
	}
}
