package web

import (
	"context"
	"encoding/json"
	"io"
	"math"
	"net/http"
	"regexp"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/cycle/history"
	"ovenward/acquire/cycle/soak"
	"ovenward/acquire/cycle/stats"
	"ovenward/acquire/quantity"
)

// fakeSoaks keeps soak tests in memory.
type fakeSoaks struct {
	mu    sync.Mutex
	now   time.Time
	lives []*soak.Life
	calls []string
}

// soaking has one test that runs and one that is planned.
func soaking(now time.Time) *fakeSoaks {
	f := &fakeSoaks{now: now}
	p := soak.Plan{ID: "door-7", Title: "seal of the new type", Oven: "Galley oven", Post: "galley", Procedure: "door cycling", Source: "our own, edition 2", LimitID: "in-use", Level: 10, Guard: 1,
		Operations: 100_000, Checkpoints: []int64{10_000, 50_000}, Stop: soak.Stop{Exceedances: 3, Blind: 10 * time.Minute}}
	l := soak.New(p)
	for _, m := range []soak.Mark{{Kind: soak.Started, At: now.Add(-40 * 24 * time.Hour)}, {Kind: soak.Operations, Count: 11_000, From: soak.FromInput, At: now.Add(-30 * 24 * time.Hour)},
		{Kind: soak.Surveyed, Checkpoint: 10_000, Outcome: "within", Survey: "7", At: now.Add(-29 * 24 * time.Hour)}, {Kind: soak.Paused, Text: "the bench is cleaned", At: now.Add(-20 * 24 * time.Hour)},
		{Kind: soak.Resumed, At: now.Add(-19 * 24 * time.Hour)}, {Kind: soak.Operations, Count: 40_000, From: soak.FromInput, At: now.Add(-time.Hour)}} {
		m.Who, m.Soak = "R. Okafor", p.ID
		if err := l.Take(m); err != nil {
			panic(err)
		}
	}
	p.ID, p.Title = "hinge-2", ""
	f.lives = []*soak.Life{l, soak.New(p)}
	return f
}

func (f *fakeSoaks) options(o *Options) { o.Soaks, o.Past = f, f.past }

func (f *fakeSoaks) past(_ context.Context, post string, from, to time.Time) ([]history.Run, error) {
	if post != "galley" {
		return nil, nil
	}
	return someRuns(to.Add(-3*time.Hour), 30), nil
}

// someRuns are n invented runs, each a little stronger than the last.
func someRuns(at time.Time, n int) []history.Run {
	var out []history.Run
	for i := range n {
		s := 2 + 0.01*float64(i)
		r := history.Run{Number: int64(i + 1), Start: at.Add(time.Duration(i) * 5 * time.Minute), On: 40 * time.Second, Begun: i > 0, Dose: 80, Mean: quantity.PowerDensity(s), Deviation: 0.1,
			Median: quantity.PowerDensity(s), P95: quantity.PowerDensity(s * 1.05), Peak: quantity.PowerDensity(s * 1.1)}
		r.End, r.PeakAt = r.Start.Add(time.Minute), r.Start.Add(time.Second)
		if i == n-3 {
			r.Unseen = 12 * time.Second
		}
		out = append(out, r)
	}
	return out
}

// past gives runs one after the other.
func past(runs []history.Run) soak.Runs {
	return func(yield func(history.Run, error) bool) {
		for _, r := range runs {
			if !yield(r, nil) {
				return
			}
		}
	}
}

func drawnOf(runs []history.Run) (out []soak.Drawn) {
	for _, r := range runs {
		out = append(out, soak.Drawn{First: r.Number, Last: r.Number, Runs: 1, Mean: r.Mean, Lowest: r.Mean, Highest: r.Mean, Peak: r.Peak})
	}
	return out
}

func (f *fakeSoaks) Plan(_ context.Context, p soak.Plan, who string) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	p.Oven, p.LimitID, p.Level = "Galley oven", "in-use", 10
	if err := p.Check(); err != nil {
		return err
	}
	f.calls = append(f.calls, "plan "+p.ID+" by "+who)
	f.lives = append(f.lives, soak.New(p))
	return nil
}

func (f *fakeSoaks) Mark(_ context.Context, m soak.Mark) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	m.At = f.now
	for _, l := range f.lives {
		if l.Plan.ID == m.Soak {
			if err := l.Take(m); err != nil {
				return err
			}
			f.calls = append(f.calls, string(m.Kind)+" by "+m.Who)
			return nil
		}
	}
	return soak.ErrUnknown
}

func (f *fakeSoaks) Lives() []*soak.Life {
	f.mu.Lock()
	defer f.mu.Unlock()
	return append([]*soak.Life(nil), f.lives...)
}

func (f *fakeSoaks) Life(id string) *soak.Life {
	for _, l := range f.Lives() {
		if l.Plan.ID == id {
			return l
		}
	}
	return nil
}

func (f *fakeSoaks) Result(_ context.Context, id string) (soak.Result, error) {
	l, runs := f.Life(id), someRuns(f.now.Add(-3*time.Hour), 30)
	r := soak.Result{Life: l, By: f.now, Active: l.ActiveBy(f.now), Whole: stats.NewSummary(l.Plan.Level), Runs: len(runs), Drawn: drawnOf(runs),
		Outcome: soak.NotDecided, Reasons: []string{"the test is running"}}
	for i := range 400 {
		s := quantity.PowerDensity(2 + 0.001*float64(i))
		if i == 200 {
			s = 12
		}
		r.Whole.Add(stats.Piece{At: f.now.Add(time.Duration(i-400) * time.Second), For: time.Second, S: s, On: i%2 == 0})
	}
	r.Unseen = r.Active - r.Whole.Seen()
	r.Parts = []soak.Part{{Name: "up to the checkpoint at 10000 operations", To: f.now, Active: time.Hour, Operations: 11_000, Runs: 12, Sum: r.Whole}}
	beyond := stats.NewSummary(l.Plan.Level)
	beyond.Add(stats.Piece{At: f.now, For: time.Second, S: 200, On: true, Over: true})
	r.Parts = append(r.Parts, soak.Part{Name: "since the last checkpoint", From: f.now, To: f.now, Active: time.Second, Operations: 11_000, Sum: beyond})
	r.Days = []soak.Part{{Name: "2026-06-03", To: f.now, Active: time.Hour, Operations: -1, Runs: 12, Sum: r.Whole}}
	var err error
	r.Trend, err = soak.TrendOf(past(runs), 9)
	return r, err
}

func (f *fakeSoaks) Statistics(ctx context.Context, id string, per history.Per, from, to time.Time) ([]soak.Part, error) {
	r, err := f.Result(ctx, id)
	switch per {
	case "checkpoint":
		if !from.IsZero() {
			return nil, soak.ErrSince
		}
		return r.Parts, err
	case history.PerRun:
		run := someRuns(f.now.Add(-3*time.Hour), 1)[0]
		return []soak.Part{{Name: "run 1", From: run.Start, To: run.End, Operations: -1, Runs: 1, Run: &run, Sum: r.Whole}}, err
	case history.PerHour:
		if to.Sub(from) != 24*time.Hour {
			return nil, history.ErrMany
		}
		return r.Days[:1], err
	}
	return r.Days, err
}

// called says what was asked for since it was last asked.
func (f *fakeSoaks) called() string {
	f.mu.Lock()
	defer f.mu.Unlock()
	said := strings.Join(f.calls, "; ")
	f.calls = nil
	return said
}

func postForm(t *testing.T, s *Server, path, body string) (int, string) {
	t.Helper()
	r := visitors()[0].ask(http.MethodPost, path)
	r.Body, r.ContentLength = io.NopCloser(strings.NewReader(body)), int64(len(body))
	w := send(s, r)
	return w.Code, w.Body.String()
}

// TestASoakTestByTheAPI plans one, starts it, counts, pauses and refuses what cannot
// be so.
func TestASoakTestByTheAPI(t *testing.T) {
	f := soaking(noon())
	s := newServer(newFake(noon()), f.options)
	for _, step := range []struct {
		path, body string
		code       int
		want, call string
	}{
		{"/api/v1/soaks", `{"who":"R. Okafor","id":"latch-1","post":"galley","procedure":"door cycling","source":"our own","conditions":"230 V, 1 L of water","operations":"500","checkpoints":"100, 500","stop_blind":"10 min"}`, 200, `"conditions":"230 V, 1 L of water"`, "plan latch-1 by R. Okafor"},
		{"/api/v1/soaks", `{"who":"R. Okafor","id":"a b","post":"galley","procedure":"x","source":"y","operations":"many","stop_over_range":"maybe"}`, 422, "many", ""},
		{"/api/v1/soaks", `{"id":"latch-2","post":"galley","procedure":"x","source":"y","operations":"5"}`, 422, "write your name", ""},
		{"/api/v1/soaks/latch-1/operations", `{"who":"R. Okafor","operations":"5"}`, 409, "count while the test runs", ""},
		{"/api/v1/soaks/latch-1/start", `{"who":"R. Okafor"}`, 200, `"state":"running"`, "start by R. Okafor"},
		{"/api/v1/soaks/latch-1/operations", `{"who":"R. Okafor","operations":"120","from":"import"}`, 200, `"checkpoint_due":100`, "operations by R. Okafor"},
		{"/api/v1/soaks/latch-1/operations", `{"who":"R. Okafor","operations":"lots"}`, 422, "no whole number", ""},
		{"/api/v1/soaks/latch-1/operations", `{"who":"R. Okafor","operations":"1000000001"}`, 422, "operations: write a whole number of at most 1 000 000 000", ""},
		{"/api/v1/soaks/latch-1/operations", `{"who":"R. Okafor","operations":"99999999999999999999"}`, 422, "operations: write a whole number of at most 1 000 000 000", ""},
		{"/api/v1/soaks/latch-1/operations", `{"who":"R. Okafor","operations":"-9223372036854775808","why":"x"}`, 422, "operations: write a whole number of at most 1 000 000 000", ""},
		{"/api/v1/soaks", `{"who":"R. Okafor","id":"latch-3","post":"galley","procedure":"x","source":"y","operations":"9223372036854775807","checkpoints":"5 9999999999999","stop_exceedances":"4294967297","stop_overdue":"1e9"}`, 422,
			"operations: write a whole number of at most 1 000 000 000; stop_exceedances: write a whole number of at most 1 000 000 000; stop_overdue: \\\"1e9\\\" is no whole number; checkpoints: write a whole number of at most 1 000 000 000", ""},
		{"/api/v1/soaks/latch-1/checkpoint", `{"who":"R. Okafor","checkpoint":"100","outcome":"fine"}`, 422, "outcome: write within", ""},
		{"/api/v1/soaks/latch-1/checkpoint", `{"who":"R. Okafor","checkpoint":"100","outcome":"within","survey":"12"}`, 200, `"survey":"12"`, "checkpoint by R. Okafor"},
		{"/api/v1/soaks/latch-1/pause", `{"who":"R. Okafor"}`, 409, "say why", ""},
		{"/api/v1/soaks/latch-1/pause", `{"who":"R. Okafor","why":"the night"}`, 200, `"state":"paused"`, "pause by R. Okafor"},
		{"/api/v1/soaks/none/start", `{"who":"R. Okafor"}`, 404, "no soak test", ""},
	} {
		code, body := postForm(t, s, step.path, step.body)
		if call := f.called(); code != step.code || !strings.Contains(body, step.want) || call != step.call {
			t.Errorf("%s %s: %d %s, %q; want %d %q, %q", step.path, step.body, code, body, call, step.code, step.want, step.call)
		}
	}
	if page := textOf(get(t, s, "/soaks/latch-1").Body.String()); !strings.Contains(page, "230 V, 1 L of water") {
		t.Errorf("the page does not tell the conditions: %s", page)
	}
	w := get(t, s, "/api/v1/soaks/door-7/result")
	var res resultJSON
	if err := json.Unmarshal(w.Body.Bytes(), &res); err != nil || res.Outcome != "not decided" || res.Whole.Exceedances == nil || *res.Whole.Exceedances != 1 || float64(res.Whole.Highest) != 12 || res.Whole.Runs != 30 {
		t.Errorf("%v %+v", err, res)
	}
	w = get(t, s, "/api/v1/posts/galley/history?days=1")
	var runs runsOfJSON
	if err := json.Unmarshal(w.Body.Bytes(), &runs); err != nil || len(runs.Runs) != 30 || runs.Runs[0].Begun || float64(runs.Runs[27].Unseen) != 12 {
		t.Errorf("%v %+v", err, runs)
	}
}

// TestStatisticsByTheAPI asks for each parting of a soak test and of a post, and for
// what there is not.
func TestStatisticsByTheAPI(t *testing.T) {
	f := soaking(noon())
	s := newServer(newFake(noon()), func(o *Options) {
		f.options(o)
		o.OvenOf = func(string) (string, string) { return "", "other ovens are at this site" }
		o.Statistics = func(_ context.Context, post string, per history.Per, from, to time.Time) ([]history.Stretch, error) {
			if post != "galley" || to.Sub(from) != 7*24*time.Hour {
				return nil, history.ErrMany
			}
			sum := stats.NewSummary(50, 10)
			sum.Add(stats.Piece{At: from, For: time.Minute, S: 20, On: true})
			sum.Add(stats.Piece{At: from.Add(time.Minute), For: time.Minute, S: 100, Over: true, On: true})
			sum.Add(stats.Piece{At: from.Add(2 * time.Minute), For: time.Hour, S: 0.1, Uncalibrated: true})
			if per == history.PerAll {
				sum.Untold = time.Minute
			}
			return []history.Stretch{{From: from, To: to, Runs: 3, Sum: sum}}, nil
		}
	})
	for path, want := range map[string]int{"/api/v1/soaks/door-7/statistics": 200, "/api/v1/soaks/door-7/statistics?per=run": 200, "/api/v1/soaks/door-7/statistics?per=day": 200,
		"/api/v1/soaks/door-7/statistics?per=hour": 400, "/api/v1/soaks/door-7/statistics?per=hour&from=2026-06-02&to=2026-06-03": 200,
		"/api/v1/soaks/door-7/statistics?from=2026-06-02": 400, "/api/v1/soaks/door-7/statistics?per=day&to=soon": 400, "/api/v1/soaks/door-7/statistics?per=moon": 400, "/api/v1/soaks/none/statistics": 404,
		"/api/v1/posts/galley/statistics": 200, "/api/v1/posts/galley/statistics?per=moon": 400, "/api/v1/posts/none/statistics": 404,
		"/api/v1/posts/galley/statistics?from=soon": 400, "/api/v1/posts/galley/statistics?from=2026-06-03&to=2026-06-02": 400, "/api/v1/posts/galley/statistics?to=2026-06-03&from=2026-06-01": 400} {
		if w := get(t, s, path); w.Code != want {
			t.Errorf("%s: %d %s, want %d", path, w.Code, w.Body, want)
		}
	}
	var of statisticsJSON
	if err := json.Unmarshal(get(t, s, "/api/v1/posts/galley/statistics?per=hour").Body.Bytes(), &of); err != nil || len(of.Stretches) != 1 {
		t.Fatalf("%v %+v", err, of)
	}
	x := of.Stretches[0]
	if len(x.Exceeded) != 2 || x.Exceeded[0].Count != 1 || float64(x.Exceeded[1].Above) != 120 || float64(x.On) != 120 || float64(x.OverRange) != 60 || len(x.Highest10) != 3 ||
		float64(x.Highest10[1].Value) != 20 || len(x.OnLevels) != 2 || len(x.OffLevels) != 1 || float64(x.OffLevels[0].For) != 3600 || math.Abs(float64(x.OffMean)-0.1) > 1e-12 {
		t.Errorf("%+v", x)
	}
	if body := get(t, s, "/api/v1/posts/galley/statistics?per=hour").Body.String(); !strings.Contains(body, `"w_per_m2":null`) || !strings.Contains(body, `"to_w_per_m2":null`) {
		t.Errorf("over range is told as a value: %s", body)
	}
	for per, want := range map[history.Per]string{history.PerHour: `"uncalibrated_s":3600,`, history.PerAll: `"uncalibrated_s":null,`} {
		if body := get(t, s, "/api/v1/posts/galley/statistics?per="+string(per)).Body.String(); !strings.Contains(body, want) {
			t.Errorf("per %s: no %s in %s", per, want, body)
		}
	}
	if err := json.Unmarshal(get(t, s, "/api/v1/soaks/door-7/statistics?per=run").Body.Bytes(), &of); err != nil || len(of.Stretches) != 1 || of.Stretches[0].Run == nil || of.Soak != "door-7" {
		t.Errorf("%v %+v", err, of)
	}
	if body := get(t, s, "/api/v1/posts/galley/history").Body.String(); !strings.Contains(body, `"oven":null`) {
		t.Errorf("%.200s", body)
	}
	if page := textOf(get(t, s, "/runs").Body.String()); !strings.Contains(page, "Whose runs they are is not known: other ovens are at this site.") {
		t.Errorf("%s", page)
	}
}

// The name of the limit stands within the drawing, above its line.
func TestSoakChartNamesTheLimitInside(t *testing.T) {
	page := get(t, newServer(newFake(noon()), soaking(noon()).options), "/soaks/door-7").Body.String()
	m := regexp.MustCompile(`axis-text" x="8" y="([0-9.]+)">limit`).FindStringSubmatch(page)
	if m == nil {
		t.Fatal("no limit is named")
	}
	if y, err := strconv.ParseFloat(m[1], 64); err != nil || y < 13 {
		t.Errorf("a text of 13 px stands %s px below the top", m[1])
	}
}

// A post that does not see says of no oven that it runs now.
func TestNoRunIsToldOfABlindPost(t *testing.T) {
	f := soaking(noon())
	station := newFake(noon())
	for i := range station.stats {
		station.stats[i].Condition, station.stats[i].RunningSince = acquire.SilentNow, noon().Add(-90*time.Second)
	}
	station.stats[2].Condition = acquire.Seeing
	s := newServer(station, f.options)
	if page := textOf(get(t, s, "/runs").Body.String()); strings.Count(page, "It runs now") != 1 {
		t.Errorf("one oven is known to run, and the page says:\n%s", page)
	}
	if api := get(t, s, "/api/v1/posts").Body.String(); strings.Count(api, `"oven_known_to_run":null`) != 2 || !strings.Contains(api, `"oven_known_to_run":true`) {
		t.Errorf("one oven is known to run, and the API says %s", api)
	}
}

// TestPagesOfRunsAndSoaks reads what a person reads.
func TestPagesOfRunsAndSoaks(t *testing.T) {
	f := soaking(noon())
	station := newFake(noon())
	station.stats[0].Running, station.stats[0].RunningSince = true, noon().Add(-90*time.Second)
	s := newServer(station, f.options)
	page := textOf(get(t, s, "/runs").Body.String())
	for _, want := range []string{"door-7", "running", "51000 of 100000 operations counted", "The checkpoint at 50000 is due: make a survey of oven Galley oven and enter it.",
		"Comes to its end", "12 s of it not seen, so its figures are lower bounds", "10 earlier runs are not listed", "No run that ended in the last 7 days was seen here.", "It runs now, since 11:58:30 UTC."} {
		if !strings.Contains(page, want) {
			t.Errorf("the page of runs does not say %q:\n%s", want, page)
		}
	}
	page = textOf(get(t, s, "/soaks/door-7").Body.String())
	for _, want := range []string{"Soak test door-7", "seal of the new type", "door cycling (our own, edition 2)", "10000: within, 50000", "after 3 exceedances", "Not decided the test is running",
		"1 time, 1 s in all", "Told from the mean field of", "the bench is cleaned", "Enter the checkpoint's survey", "what the survey named below says", "since the last checkpoint 11000 0 over range over range over range", "Pause the test"} {
		if !strings.Contains(page, want) {
			t.Errorf("the page of a soak test does not say %q:\n%s", want, page)
		}
	}
	if page := textOf(get(t, s, "/soaks/hinge-2").Body.String()); !strings.Contains(page, "Start the test") || strings.Contains(page, "Pause the test") {
		t.Errorf("%s", page)
	}
	neverReassures(t, page)
}

// TestTheAPITellsAStepByItsRun: of 3 000 runs the step is found among 512 medians, and
// told by the number of a run.
func TestTheAPITellsAStepByItsRun(t *testing.T) {
	var runs []history.Run
	for i := range int64(3000) {
		r := history.Run{Number: i + 1, Start: time.Unix(60*i, 0), Begun: true, Mean: quantity.PowerDensity(5 + 0.01*float64(i*7919%13))}
		if r.Number > 2000 {
			r.Mean += 3
		}
		runs = append(runs, r)
	}
	f := soaking(noon())
	r, err := f.Result(t.Context(), "door-7")
	if err != nil {
		t.Fatal(err)
	}
	if r.Trend, err = soak.TrendOf(past(runs), 50); err != nil {
		t.Fatal(err)
	}
	if k := resultOf(&r).Trend; k.StepAt == nil || *k.StepAt < 1990 || *k.StepAt > 2010 || k.Points < 980 || k.Points > 1020 {
		t.Errorf("%+v, %v, want a step after run 2000 and a trend of those since", k, k.StepAt)
	}
}
