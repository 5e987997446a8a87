package guide

import (
	"context"
	"errors"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/alarm"
	"ovenward/acquire/calib"
	"ovenward/acquire/limit"
	"ovenward/acquire/quantity"
	"ovenward/acquire/store"
	"ovenward/acquire/survey"
	"ovenward/drivers"
	"ovenward/drivers/driverstest"
)

// fakeStation has one post, whose probe the test reads for it.
type fakeStation struct {
	mu    sync.Mutex
	post  acquire.Post
	away  bool
	calls []string
}

func (f *fakeStation) Stats() []acquire.Stats {
	f.mu.Lock()
	defer f.mu.Unlock()
	st := acquire.Stats{Post: &f.post, Condition: acquire.Seeing}
	if f.away {
		st.Condition = acquire.AwayNow
	}
	return []acquire.Stats{st}
}

func (f *fakeStation) Announce(_ int, r alarm.Rule, who, why string, _ time.Duration) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.away = true
	f.calls = append(f.calls, string(r)+" "+who+" "+why)
	return nil
}

func (f *fakeStation) Conclude(_ int, who string) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.away = false
	f.calls = append(f.calls, "back "+who)
	return nil
}

func (f *fakeStation) isAway() bool {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.away
}

func (f *fakeStation) said() string {
	f.mu.Lock()
	defer f.mu.Unlock()
	return strings.Join(f.calls, "; ")
}

// bench is a guide over a real record.
type bench struct {
	t       *testing.T
	dir     string
	record  *store.Store
	station *fakeStation
	guide   *Guide
	stop    func()
	seq     int64
	fail    *failing
}

// failing can refuse to keep a survey.
type failing struct {
	*store.Store
	mu  sync.Mutex
	err error
}

func (f *failing) KeepSurvey(ctx context.Context, id, oven string, steps []survey.Step, end *survey.Result) error {
	f.mu.Lock()
	err := f.err
	f.mu.Unlock()
	if err != nil {
		return err
	}
	return f.Store.KeepSurvey(ctx, id, oven, steps, end)
}

func (f *failing) set(err error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.err = err
}

func post() acquire.Post {
	day := time.Date(1999, 1, 1, 0, 0, 0, 0, time.UTC) // synctest begins at 2000
	return acquire.Post{Site: "Larkfield House", ID: "door", Oven: "small", Distance: 0.05, Stale: 2 * time.Second, Frequency: 2.45e9,
		Limit: limit.Limit{ID: "in-use", Value: 50, Distance: 0.05, Basis: limit.EmissionInUse, Source: "invented"},
		Probe: acquire.Probe{ID: "p", Response: time.Second, Range: 200, Floor: 0.2, Axes: 3,
			Certificate: &calib.Certificate{Number: "C-1", Laboratory: "none", Date: day, Due: day.AddDate(100, 0, 0), Factor: 1, U: 0.1, K: 2}}}
}

func open(t *testing.T, dir string) *bench {
	t.Helper()
	s, err := store.Open(dir, store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	b := &bench{t: t, dir: dir, record: s, station: &fakeStation{post: post()}, fail: &failing{Store: s}}
	if err := s.Register([]acquire.Post{b.station.post}, time.Now()); err != nil {
		t.Fatal(err)
	}
	s.Correction(0, calib.Correct(b.station.post.Nature(), b.station.post.Probe.Certificate, 50))
	past, err := s.Past(0, 0)
	if err != nil {
		t.Fatal(err)
	}
	b.seq = past.LastSeq
	b.guide = New(Options{Record: b.fail, Station: func() Station { return b.station }, Site: "Larkfield House", Now: time.Now,
		Ovens: []survey.Oven{{ID: "small", Power: 1100, Stirrer: 4, Door: survey.Door{Width: 0.2, Height: 0.12, Hinge: survey.Left, Depth: 0.15}}}})
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan struct{})
	go func() { defer close(done); _ = b.guide.Run(ctx) }()
	b.stop = func() { cancel(); <-done }
	return b
}

// close ends all; what the guide had in memory is gone.
func (b *bench) close() {
	b.t.Helper()
	b.stop()
	if err := b.record.Close(); err != nil {
		b.t.Fatal(err)
	}
}

// read lets the probe read a value in W/m² for a time, of the bubble's clock.
func (b *bench) read(s float64, lasting time.Duration) {
	for end := time.Now().Add(lasting); time.Now().Before(end); time.Sleep(100 * time.Millisecond) { // the bubble's clock
		b.seq++
		digits := int64(s * 100)
		v := acquire.Sample{Seq: b.seq, At: time.Now().UTC(), Mono: time.Duration(b.seq) * 100 * time.Millisecond, Said: []byte("said"), S: quantity.PowerDensity(s),
			Reading: drivers.Reading{HasValue: true, Value: drivers.Decimal{Digits: digits, Exp: -2}, Unit: "W/m2"}}
		b.record.Append(0, []acquire.Sample{v})
		b.guide.Observe(0, []acquire.Sample{v})
	}
}

func (b *bench) do(id string, a survey.Act) {
	b.t.Helper()
	a.Who = "A. Hand"
	if err := b.guide.Do(b.t.Context(), id, a); err != nil {
		b.t.Fatal(err)
	}
}

func (b *bench) phase(id string) survey.Phase {
	v, ok := b.guide.View(id)
	if !ok {
		return survey.Ended
	}
	return v.Phase
}

// on goes one phase on.
func (b *bench) on(id string, s float64) {
	b.t.Helper()
	volume, celsius := 275.0, 20.0
	switch b.phase(id) {
	case survey.WaterWanted:
		b.do(id, survey.Act{Kind: survey.Watered, Volume: &volume, Celsius: &celsius})
	case survey.Checking:
		for _, name := range []string{survey.CheckBattery, survey.CheckZero} {
			b.do(id, survey.Act{Kind: survey.Checked, Check: &survey.Check{Name: name, Outcome: survey.CheckGood, Text: "looked at"}})
		}
		b.do(id, survey.Act{Kind: survey.WentOn})
	case survey.BackgroundReady, survey.SweepReady, survey.HoldReady, survey.StageOver, survey.Finishing:
		b.do(id, survey.Act{Kind: survey.WentOn})
	case survey.BackgroundHold:
		s = 0
	}
	b.read(s, time.Second)
}

// told checks that begin and end of a survey are events.
func (b *bench) told(first, last string) {
	b.t.Helper()
	events, err := b.record.Events(b.t.Context(), 0, 100)
	if err != nil {
		b.t.Fatal(err)
	}
	var said []string
	for _, e := range events {
		if e.Kind == acquire.KindSurvey {
			said = append(said, e.Text)
		}
	}
	if len(said) != 2 || !strings.Contains(said[0], first) || !strings.Contains(said[1], last) {
		b.t.Errorf("events: %q", said)
	}
}

// TestSurveySurvivesCrashes goes through a whole survey and loses the daemon in
// every phase: each time it goes on where it was.
func TestSurveySurvivesCrashes(t *testing.T) {
	dir := t.TempDir()
	synctest.Test(t, func(t *testing.T) {
		b := open(t, dir)
		id, err := b.guide.Begin(t.Context(), Order{Oven: "small", Who: "A. Hand"})
		if err != nil {
			t.Fatal(err)
		}
		if !b.station.isAway() || !strings.Contains(b.station.said(), "away A. Hand survey "+id) {
			t.Errorf("the post is told %q", b.station.said())
		}
		if _, err := b.guide.Begin(t.Context(), Order{Oven: "small", Who: "B. Hand"}); err == nil {
			t.Error("two surveys with one probe")
		}
		crashed := map[survey.Phase]bool{}
		places := 0
		for range 400 {
			p := b.phase(id)
			if p == survey.Ended {
				break
			}
			if !crashed[p] {
				crashed[p] = true
				reads := 5.0
				if p == survey.BackgroundHold {
					reads = 0
				}
				b.read(reads, 2*time.Second) // so that the record has the samples
				was := b.phase(id)
				b.close()
				b = open(t, dir)
				time.Sleep(200 * time.Millisecond) // the bubble's clock
				if is := b.phase(id); is != was {
					t.Errorf("after a crash in %q it is at %q", was, is)
				}
				if v, _ := b.guide.View(id); v.Place < places {
					t.Errorf("after a crash at place %d it is at %d", places, v.Place)
				}
			}
			b.on(id, 5)
			if v, ok := b.guide.View(id); ok {
				places = v.Place
			}
		}
		time.Sleep(5 * time.Second) // the bubble's clock
		if len(crashed) < 9 {
			t.Errorf("crashed in %v only", crashed)
		}
		b.checkWhole(id)
		b.close()
	})
}

// TestASurveyTakesUpWhatExceededWithoutItsCorrection: a reading whose correction the record
// has lost counts as the probe indicated it when a survey is taken up again.
func TestASurveyTakesUpWhatExceededWithoutItsCorrection(t *testing.T) {
	dir := t.TempDir()
	synctest.Test(t, func(t *testing.T) {
		b := open(t, dir)
		id, err := b.guide.Begin(t.Context(), Order{Oven: "small", Who: "A. Hand"})
		if err != nil {
			t.Fatal(err)
		}
		for b.phase(id) != survey.Sweeping {
			b.on(id, 5)
		}
		b.stop() // it kept no step of what comes now
		b.read(90, time.Second)
		if err := b.record.Close(); err != nil {
			t.Fatal(err)
		}
		if out, err := exec.Command(driverstest.Program(t, "sqlite3"), filepath.Join(dir, store.FileName), "DELETE FROM corrections").CombinedOutput(); err != nil {
			t.Fatalf("%s: %v", out, err)
		}
		b = open(t, dir)
		time.Sleep(200 * time.Millisecond) // the bubble's clock
		b.do(id, survey.Act{Kind: survey.GaveUp, Text: "enough"})
		time.Sleep(5 * time.Second) // the bubble's clock
		r, err := b.record.SurveyResult(t.Context(), id)
		if err != nil || r == nil {
			t.Fatalf("no result is kept: %v", err)
		}
		if r.Verdict.Outcome != limit.Exceeds || len(r.Notes) != 1 || !strings.Contains(r.Notes[0].Text, "uncalibrated") {
			t.Errorf("the survey is judged %s %q, with the notes %q", r.Verdict.Outcome, r.Verdict.Reasons, r.Notes)
		}
		b.close()
	})
}

// TestASurveyTakesNothingBelowTheLimitForSeenWithoutItsCorrection: how high the field was in
// that part of a sweep nobody knows, so that it is made again, and the survey may be within.
func TestASurveyTakesNothingBelowTheLimitForSeenWithoutItsCorrection(t *testing.T) {
	dir := t.TempDir()
	synctest.Test(t, func(t *testing.T) {
		b := open(t, dir)
		id, err := b.guide.Begin(t.Context(), Order{Oven: "small", Who: "A. Hand"})
		if err != nil {
			t.Fatal(err)
		}
		for b.phase(id) != survey.Sweeping {
			b.on(id, 5)
		}
		b.read(5, 3*time.Second)
		b.close()
		if out, err := exec.Command(driverstest.Program(t, "sqlite3"), filepath.Join(dir, store.FileName), "DELETE FROM corrections").CombinedOutput(); err != nil {
			t.Fatalf("%s: %v", out, err)
		}
		b = open(t, dir)
		time.Sleep(200 * time.Millisecond) // the bubble's clock
		for range 100 {
			if b.phase(id) == survey.Sweeping {
				b.read(5, time.Second)
			}
		}
		if v, _ := b.guide.View(id); v.Phase != survey.SweepReady || !strings.Contains(v.Said, "make it again") {
			t.Errorf("after the sweep it is at %q, and says %q", v.Phase, v.Said)
		}
		for range 400 {
			if b.phase(id) != survey.Ended {
				b.on(id, 5)
			}
		}
		time.Sleep(5 * time.Second) // the bubble's clock
		b.checkWhole(id)
		b.close()
	})
}

// checkWhole looks at a survey that has ended within.
func (b *bench) checkWhole(id string) {
	t := b.t
	t.Helper()
	r, err := b.record.SurveyResult(t.Context(), id)
	if err != nil || r == nil {
		t.Fatalf("no result is kept: %v", err)
	}
	if r.State != survey.Complete || r.Verdict.Outcome != limit.Within || r.Raw == nil || r.Raw.N < 100 {
		t.Errorf("%s, %s %q, raw %+v", r.State, r.Verdict.Outcome, r.Verdict.Reasons, r.Raw)
	}
	if b.station.isAway() {
		t.Error("the post is not told that its probe is back")
	}
	b.told("begins", "complete, within")
	kept, err := b.record.Evidence(t.Context(), "door")
	if err != nil || len(kept) != 1 || kept[0].What != id || !kept[0].From.Equal(r.Begun) || !kept[0].To.Equal(r.Ended) {
		t.Errorf("kept whatever its age is %+v, %v; want %v to %v", kept, err, r.Begun, r.Ended)
	}
}

// What cannot be recorded now is said, and recorded later; nothing is lost.
func TestStepsWaitForTheRecord(t *testing.T) {
	dir := t.TempDir()
	synctest.Test(t, func(t *testing.T) {
		b := open(t, dir)
		defer b.close()
		id, err := b.guide.Begin(t.Context(), Order{Oven: "small", Who: "A. Hand"})
		if err != nil {
			t.Fatal(err)
		}
		b.fail.set(errors.New("no room"))
		b.do(id, survey.Act{Kind: survey.Noted, Text: "dented"})
		if v, _ := b.guide.View(id); !strings.Contains(v.Said, "not yet recorded") {
			t.Errorf("it is not said: %q", v.Said)
		}
		time.Sleep(time.Second) // the bubble's clock
		b.fail.set(nil)
		time.Sleep(time.Second) // the bubble's clock
		steps, err := b.record.SurveySteps(t.Context(), id)
		if err != nil || len(steps) != 2 || steps[1].Text != "dented" {
			t.Errorf("%+v, %v", steps, err)
		}
		if v, _ := b.guide.View(id); v.Said != "" {
			t.Errorf("said %q", v.Said)
		}
	})
}

// A mark of a walk back is taken from the samples, and is an event.
func TestMarkOfAWalkBack(t *testing.T) {
	dir := t.TempDir()
	synctest.Test(t, func(t *testing.T) {
		b := open(t, dir)
		defer b.close()
		type outcome struct {
			m   survey.Mark
			err error
		}
		take := func(ctx context.Context) outcome {
			done := make(chan outcome, 1)
			go func() {
				m, err := b.guide.Mark(ctx, "door", MarkOrder{Who: "A. Hand", Distance: 0.2, Turn: 5 * time.Second})
				done <- outcome{m, err}
			}()
			b.read(3, 16*time.Second)
			return <-done
		}
		if o := take(t.Context()); o.err != nil || o.m.Value != 3 || o.m.Distance != 0.2 || !(o.m.U > 0) || !b.station.isAway() {
			t.Errorf("%+v, %v", o.m, o.err)
		}
		ctx, cancel := context.WithTimeout(t.Context(), 3*time.Second)
		defer cancel()
		if o := take(ctx); !errors.Is(o.err, context.DeadlineExceeded) {
			t.Errorf("who went gets %+v, %v", o.m, o.err)
		}
		if o := take(t.Context()); o.err != nil {
			t.Errorf("after somebody went: %v", o.err)
		}
		for _, o := range []MarkOrder{{Distance: 0.2}, {Who: "A"}, {Who: "A", Distance: 0.2, Turn: time.Hour}} {
			if _, err := b.guide.Mark(t.Context(), "door", o); err == nil {
				t.Errorf("%+v makes a mark", o)
			}
		}
		if _, err := b.guide.Mark(t.Context(), "other", MarkOrder{Who: "A", Distance: 1}); !errors.Is(err, acquire.ErrNoPost) {
			t.Error(err)
		}
		time.Sleep(2 * time.Second) // the bubble's clock
		events, err := b.record.Events(t.Context(), 0, 10)
		if err != nil || len(events) != 2 || !strings.Contains(events[0].Text, "mark of a walk back at 200 mm") {
			t.Errorf("%+v, %v", events, err)
		}
	})
}

// A survey whose steps are damaged is given up, and stands in nobody's way; nor does one
// whose result is.
func TestDamagedSurveyIsGivenUp(t *testing.T) {
	value := 60.0
	carried := survey.Step{N: 3, Kind: survey.WasAbove, Text: "60 W/m² at the seal, above the limit"}
	there, swept := carried, survey.Step{N: 3, Kind: survey.Swept, Peak: &survey.Peak{Value: &value}}
	there.Peak = swept.Peak
	const torn = "UPDATE survey_steps SET step = '{' WHERE n = 2"
	for _, c := range []struct {
		second int         // the number of its second step
		third  survey.Step // what is above the limit at a place exceeds, whatever else is lost
		want   limit.Outcome
		ended  bool
		sql    string
		why    string
	}{
		{second: 3, third: survey.Step{N: 4, Kind: survey.Noted}, want: limit.NotDecided, why: "step 2 is missing"},
		{second: 2, third: there, want: limit.Exceeds, sql: torn, why: "one is damaged"},
		{second: 2, third: swept, want: limit.Exceeds, sql: torn, why: "one is damaged"},
		{second: 2, third: carried, want: limit.NotDecided, sql: torn, why: "one is damaged"},
		{second: 2, third: there, ended: true, sql: "UPDATE surveys SET result = '{'"},
	} {
		dir := t.TempDir()
		synctest.Test(t, func(t *testing.T) {
			b := open(t, dir)
			c.third.At = time.Now()
			steps := []survey.Step{{N: 1, At: time.Now(), Who: "A. Hand", Kind: survey.Began, Setup: &survey.Setup{ID: "torn", Post: "door", Limit: limit.Limit{ID: "in-use", Value: 50}}},
				{N: c.second, At: time.Now(), Who: "A. Hand", Kind: survey.Noted, Text: "x"}, c.third}
			var end *survey.Result
			if c.ended {
				end = &survey.Result{ID: "torn", Ended: time.Now(), State: survey.Complete}
			}
			if err := b.record.KeepSurvey(t.Context(), "torn", "small", steps, end); err != nil {
				t.Fatal(err)
			}
			if !c.ended {
				if _, err := b.guide.Begin(t.Context(), Order{Oven: "small", Who: "A"}); err == nil || !strings.Contains(err.Error(), "torn is under way") {
					t.Errorf("beside one that is not taken up yet: %v", err)
				}
			}
			b.close()
			if out, err := exec.Command(driverstest.Program(t, "sqlite3"), filepath.Join(dir, store.FileName), c.sql).CombinedOutput(); err != nil {
				t.Fatalf("%s: %v", out, err)
			}
			b = open(t, dir)
			defer b.close()
			time.Sleep(time.Second) // the bubble's clock
			r, err := b.record.SurveyResult(t.Context(), "torn")
			if !c.ended && (err != nil || r == nil || r.State != survey.Abandoned || !strings.Contains(r.Why, c.why)) {
				t.Errorf("%+v, %v", r, err)
			}
			if !c.ended && r != nil && (r.Verdict.Outcome != c.want || r.Oven.ID != "small" || r.Limit.ID != "in-use" || r.Limit.Value != 50 || len(r.Next) == 0) {
				t.Errorf("oven %q: %+v by %+v, want %s", r.Oven.ID, r.Verdict, r.Limit, c.want)
			}
			if _, err := b.guide.Begin(t.Context(), Order{Oven: "small", Who: "A"}); err != nil {
				t.Error(err)
			}
		})
	}
}
