package guide

import (
	"context"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
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

// byTool changes the record in dir by a program that is not ours.
func byTool(t *testing.T, dir, sql string) {
	t.Helper()
	if out, err := exec.Command(driverstest.Program(t, "sqlite3"), filepath.Join(dir, store.FileName), sql).CombinedOutput(); err != nil {
		t.Fatalf("%s: %v", out, err)
	}
}

// begin begins a survey of the door.
func (b *bench) begin() (id string) {
	b.t.Helper()
	id, err := b.guide.Begin(b.t.Context(), Order{Oven: "small", Who: "A. Hand"})
	if err != nil {
		b.t.Fatal(err)
	}
	return id
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
