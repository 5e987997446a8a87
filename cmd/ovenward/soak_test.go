package main

import (
	"context"
	"fmt"
	"io"
	"log/slog"
	"math"
	"math/rand/v2"
	"os"
	"sync/atomic"
	"testing"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/calib"
	past "ovenward/acquire/cycle/history"
	"ovenward/acquire/cycle/soak"
	"ovenward/acquire/limit"
	"ovenward/acquire/store"
	"ovenward/drivers"
	"ovenward/drivers/textline"
)

const (
	soakPeriod    = 172800 * time.Millisecond // of an operation: 100 000 of them last 200 days
	soakFrom      = time.Minute               // of each
	soakOn        = 40 * time.Second
	soakOperation = "door cycling"
)

// rig is a probe at an oven whose door is worked, on a clock of its own that jumps
// from slot to slot: the real station, protocol, judgement and record as fast as they
// go, with commits on the host's time.
type rig struct {
	begin  time.Time     // with a monotonic reading
	past   atomic.Int64  // ns since begin
	worked time.Duration // from then on the oven rests
	end    time.Duration
	stop   context.CancelFunc
	rng    *rand.Rand
	room   func() bool // whether the record keeps up
	asked  time.Time
	line   []byte
}

func (r *rig) Now() time.Time { return r.begin.Add(time.Duration(r.past.Load())) }

// SleepUntil is acquire.Sleeper.
func (r *rig) SleepUntil(ctx context.Context, at time.Time) error {
	for !r.room() && ctx.Err() == nil {
		select {
		case <-time.After(time.Millisecond): // of the host: the record is written in its time
		case <-ctx.Done():
		}
	}
	if d := at.Sub(r.begin); d > time.Duration(r.past.Load()) {
		r.past.Store(int64(d))
	}
	if time.Duration(r.past.Load()) >= r.end {
		r.stop()
	}
	return ctx.Err()
}

// level is the field beside the door while the oven emits, W/m²: it rises by a
// fifth over 200 days.
func level(at time.Duration) float64 { return 20 * (1 + 0.2*at.Hours()/24/200) }

func (r *rig) value(at time.Duration) float64 {
	if in := at%soakPeriod - soakFrom; in >= 0 && in < soakOn && at < r.worked {
		return level(at) * (1 + 0.02*r.rng.NormFloat64())
	}
	return 0.02 * math.Abs(r.rng.NormFloat64())
}

func (r *rig) Send(_ []byte, _ time.Time) (time.Time, int, error) {
	r.asked = r.Now()
	return r.asked, 0, nil
}

func (r *rig) Receive(_ func([]byte) (int, []byte), _ time.Time, dst []drivers.Frame) ([]drivers.Frame, error) {
	r.line = fmt.Appendf(r.line[:0], "%.3f,mW/cm2,OK", r.value(r.asked.Sub(r.begin))/10)
	return append(dst, drivers.Frame{Bytes: r.line, Departed: r.asked, Arrived: r.asked.Add(time.Millisecond)}), nil
}

func (r *rig) Close() error { return nil }

// rigPost is the post that the rig stands at.
func rigPost(t testing.TB, r *rig) acquire.Post {
	t.Helper()
	protocol, err := textline.New(textline.Options{Query: "READ?\n", Terminator: "\n", DecimalMark: '.', Separator: ",", ValueColumn: 1, UnitColumn: 2, StatusColumn: 3,
		Units: []string{"mW/cm2"}, OK: []string{"OK"}})
	if err != nil {
		t.Fatal(err)
	}
	return acquire.Post{Site: "Larkfield House", ID: "bench", Oven: "combi", OvenPlace: "test room", Distance: 0.05, Turned: true,
		Probe: acquire.Probe{ID: "rig", Port: "rig", Protocol: protocol, Period: time.Second, Timeout: 500 * time.Millisecond, Response: time.Second, Range: 200, Floor: 0.1, Axes: 3,
			Dial:        func(context.Context) (drivers.Link, error) { return r, nil },
			Certificate: &calib.Certificate{Number: "LH-17", Laboratory: "Larkfield Metrology", Date: r.begin.AddDate(-1, 0, 0), Due: r.begin.AddDate(5, 0, 0), Factor: 1, U: 0.1, K: 2}},
		Limit:     limit.Limit{ID: "in use", Value: 50, Distance: 0.05, Basis: limit.EmissionInUse, Source: "a standard"},
		Sustained: limit.SustainedRule{Unbroken: 3 * time.Second, Summed: 10 * time.Second, Within: time.Minute, Clear: 90 * time.Second},
		RunGap:    90 * time.Second, Silent: 1000 * time.Hour, Stale: 5 * time.Second, Stuck: 1000 * time.Hour}
}

// workThrough waits until the rig has worked, counts its operations and follows the
// record meanwhile.
func workThrough(t testing.TB, r *rig, record *store.Store, follower *past.Follower, wanted int64, done <-chan error, mark func(soak.Mark)) {
	t.Helper()
	counted := int64(0)
	count := func() {
		if n := min(wanted, int64(time.Duration(r.past.Load())/soakPeriod)); n > counted {
			mark(soak.Mark{Kind: soak.Operations, Count: n - counted, From: soak.FromInput})
			counted = n
		}
	}
	for running := true; running; {
		select {
		case err := <-done:
			if err != nil {
				t.Fatal(err)
			}
			running = false
		case <-time.After(100 * time.Millisecond): // as the daemon: on the host's time
			if err := follower.Once(t.Context(), r.Now()); err != nil {
				t.Fatal(err)
			}
		}
		count()
	}
	for record.Stats().Pending > 0 {
		<-time.After(time.Millisecond)
	}
	if err := follower.Once(t.Context(), r.Now()); err != nil {
		t.Fatal(err)
	}
}

// worked runs a soak test of so many operations and returns the result, how fast it
// ran in times of real time, and how long the result took to make.
func worked(t testing.TB, wanted int64) (soak.Result, float64, time.Duration) {
	t.Helper()
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	r := &rig{begin: time.Now(), stop: cancel, rng: rand.New(rand.NewPCG(17, 1)), worked: time.Duration(wanted) * soakPeriod, end: time.Duration(wanted)*soakPeriod + 30*time.Minute}
	r.past.Store(int64(10 * time.Second))
	record, err := store.Open(t.TempDir(), store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer record.Close()
	r.room = func() bool { return record.Stats().Pending < 50_000 }
	post := rigPost(t, r)
	posts := []acquire.Post{post}
	if err := record.Register(posts, r.Now()); err != nil {
		t.Fatal(err)
	}
	station, err := acquire.New(acquire.Options{Posts: posts, Recorder: record, Past: func(int) (acquire.Past, error) { return acquire.Past{}, nil },
		Log: slog.New(slog.NewTextHandler(io.Discard, nil)), Now: r.Now, Sleeper: r})
	if err != nil {
		t.Fatal(err)
	}
	e := eyes{record: record, posts: posts, station: station.Stats}
	tests := planner{eyes: e, zone: time.UTC, now: r.Now, counted: &operations{of: map[string]int64{}}, ovenOf: func(string) (string, string) { return "combi", "it stands alone" }}
	if tests.Keeper, err = soak.NewKeeper(ctx, record, e, r.Now, func(soak.Plan, soak.Mark) {}); err != nil {
		t.Fatal(err)
	}
	if err := tests.Plan(ctx, soak.Plan{ID: "door-7", Post: "bench", Procedure: soakOperation, Source: "our own, edition 2", Operations: wanted}, "A. Tester"); err != nil {
		t.Fatal(err)
	}
	mark := func(m soak.Mark) {
		m.Soak, m.Who = "door-7", "A. Tester"
		if err := tests.Mark(context.WithoutCancel(ctx), m); err != nil {
			t.Error(err)
		}
	}
	mark(soak.Mark{Kind: soak.Started})
	follower := past.NewFollower(record, []past.Post{historyOf(post)})
	done := make(chan error, 1)
	started := time.Now()
	go func() { done <- station.Run(ctx) }()
	workThrough(t, r, record, follower, wanted, done, mark)
	speed := float64(r.past.Load()) / float64(time.Since(started))
	mark(soak.Mark{Kind: soak.Finished})
	if s := record.Stats(); s.Lost > 0 {
		t.Errorf("%d samples were lost", s.Lost)
	}
	began := time.Now()
	result, err := tests.Result(t.Context(), "door-7")
	if err != nil {
		t.Fatal(err)
	}
	return result, speed, time.Since(began)
}

// checkWorked holds a result against what the rig did.
func checkWorked(t testing.TB, r soak.Result, operations int64) {
	t.Helper()
	if r.Life.Operations != operations || int64(r.Runs) != operations {
		t.Errorf("%d operations and %d runs, want %d of both", r.Life.Operations, r.Runs, operations)
	}
	span := time.Duration(operations) * soakPeriod
	median := float64(r.Whole.On.Quantiles.At(0.5))
	if want := (level(0) + level(span)) / 2; math.Abs(median/want-1) > 0.02 || math.Abs(r.Whole.On.Moments.Mean/want-1) > 0.01 {
		t.Errorf("while on the median is %g W/m² and the mean %g, want about %g", median, r.Whole.On.Moments.Mean, want)
	}
	on := r.Whole.On.Quantiles.Total()
	if want := time.Duration(operations) * soakOn; math.Abs(float64(on)/float64(want)-1) > 0.03 {
		t.Errorf("on for %v, want %v", on, want)
	}
	if above, ok := r.Whole.Above(50); !ok || above.Count != 0 || r.Outcome != soak.NotDecided || r.Unseen > 2*time.Second {
		t.Errorf("%d exceedances, %s, unseen %v: %q", above.Count, r.Outcome, r.Unseen, r.Reasons)
	}
	perRun := (level(span) - level(0)) / float64(operations)
	if s := r.Trend.Age.Slope; !(s.Lo <= perRun*1.1 && s.Hi >= perRun*0.9) || r.Trend.Age.Kendall.P > 0.01 {
		t.Errorf("a slope of %g to %g a run, want %g; p %g", s.Lo, s.Hi, perRun, r.Trend.Age.Kendall.P)
	}
}

// TestSoakOfTenDays is the gate's part of what BenchmarkSoak does.
func TestSoakOfTenDays(t *testing.T) {
	days := int64(10)
	if raced {
		days = 1
	}
	if os.Getenv("OVENWARD_COUNTS") == "full" && !raced {
		days = 200
	}
	operations := days * 500
	result, speed, took := worked(t, operations)
	t.Logf("%d operations: %.0f times real time, result in %v", operations, speed, took)
	checkWorked(t, result, operations)
}

// BenchmarkSoak runs a soak test of 100 000 operations, 200 days at 1 Hz: at least
// 20 000 times as fast as real time is asked for, and the result within 2 s.
func BenchmarkSoak(b *testing.B) {
	for range b.N {
		result, speed, took := worked(b, 100_000)
		checkWorked(b, result, 100_000)
		b.ReportMetric(speed, "×real-time")
		b.ReportMetric(took.Seconds(), "s/result")
	}
}
