package main

import (
	"context"
	"fmt"
	"io"
	"log/slog"
	"math"
	"math/rand/v2"
	"runtime"
	"sync/atomic"
	"testing"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/alarm"
	"ovenward/acquire/calib"
	past "ovenward/acquire/cycle/history"
	"ovenward/acquire/limit"
	"ovenward/acquire/store"
	"ovenward/drivers"
	"ovenward/drivers/textline"
	"ovenward/metrics"
)

const (
	yearPeriod = 10 * time.Second
	day        = 24 * time.Hour
	leakFrom   = 12 * time.Hour // of each day, for leakLasts
	leakLasts  = 5 * time.Minute
)

// years is a rig whose oven runs for two minutes in each half hour, and leaks for
// five minutes at noon of each of its days.
type years struct {
	*rig
	asked time.Time
	line  []byte
	polls atomic.Int64
}

func (y *years) field(at time.Duration) float64 {
	noise := 1 + 0.02*y.rng.NormFloat64()
	switch in := at % day; {
	case in >= leakFrom && in < leakFrom+leakLasts:
		return 80 * noise
	case in%(30*time.Minute) >= 20*time.Minute && in%(30*time.Minute) < 22*time.Minute:
		return 20 * noise
	}
	return 0.02 * math.Abs(y.rng.NormFloat64())
}

func (y *years) Send(_ []byte, _ time.Time) (time.Time, int, error) {
	y.polls.Add(1)
	y.asked = y.Now()
	return y.asked, 0, nil
}

func (y *years) Receive(_ func([]byte) (int, []byte), _ time.Time, dst []drivers.Frame) ([]drivers.Frame, error) {
	y.line = fmt.Appendf(y.line[:0], "%.3f,mW/cm2,OK", y.field(y.asked.Sub(y.begin))/10)
	return append(dst, drivers.Frame{Bytes: y.line, Departed: y.asked, Arrived: y.asked.Add(time.Millisecond)}), nil
}

// yearPost is the post that the rig stands at.
func yearPost(t *testing.T, y *years) acquire.Post {
	t.Helper()
	protocol, err := textline.New(textline.Options{Query: "READ?\n", Terminator: "\n", DecimalMark: '.', Separator: ",", ValueColumn: 1, UnitColumn: 2, StatusColumn: 3,
		Units: []string{"mW/cm2"}, OK: []string{"OK"}})
	if err != nil {
		t.Fatal(err)
	}
	return acquire.Post{Site: "Larkfield House", ID: "bench", Oven: "combi", OvenPlace: "test room", Distance: 0.05, Turned: true,
		Probe: acquire.Probe{ID: "rig", Port: "rig", Protocol: protocol, Period: yearPeriod, Timeout: 5 * time.Second, Response: time.Second, Range: 200, Floor: 0.1, Axes: 3,
			Dial:        func(context.Context) (drivers.Link, error) { return y, nil },
			Certificate: &calib.Certificate{Number: "LH-17", Laboratory: "Larkfield Metrology", Date: y.begin.AddDate(-1, 0, 0), Due: y.begin.AddDate(5, 0, 0), Factor: 1, U: 0.1, K: 2}},
		Limit:     limit.Limit{ID: "in use", Value: 50, Distance: 0.05, Basis: limit.EmissionInUse, Source: "a standard"},
		Sustained: limit.SustainedRule{Unbroken: 30 * time.Second, Summed: time.Minute, Within: 10 * time.Minute, Clear: 10 * time.Minute},
		RunGap:    5 * time.Minute, Silent: time.Hour, Stale: 10 * time.Minute, Stuck: 1000 * day}
}

// TestFaultYear runs ten days, in the full counts a year, through the real station,
// protocol, judgement, record, metrics and history: no sample is lost, each day's leak
// is one alarm, nothing else is told, and memory is flat within 5 %.
func TestFaultYear(t *testing.T) {
	days := counts(10, 365)
	if raced {
		days = 2
	}
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	dir := t.TempDir()
	record, err := store.Open(dir, store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	y := &years{rig: &rig{begin: time.Now(), stop: cancel, rng: rand.New(rand.NewPCG(17, 2)), end: time.Duration(days) * day}}
	y.past.Store(int64(10 * time.Second))
	quarter := atomic.Int64{} // how many were measured
	y.room = func() bool {
		full := record.Stats().Pending >= 50_000
		return !full && y.past.Load() < (quarter.Load()+1)*int64(y.end)/4
	}
	posts := []acquire.Post{yearPost(t, y)}
	if err := record.Register(posts, y.Now()); err != nil {
		t.Fatal(err)
	}
	var station *acquire.Station
	collector := metrics.New(metrics.Options{Source: metrics.SourceFunc(func() []acquire.Stats { return station.Stats() }), Posts: posts, Site: "Larkfield House"})
	station, err = acquire.New(acquire.Options{Posts: posts, Recorder: record, Past: func(int) (acquire.Past, error) { return acquire.Past{}, nil },
		Observers: []acquire.Observer{collector}, Log: slog.New(slog.NewTextHandler(io.Discard, nil)), Now: y.Now, Sleeper: y})
	if err != nil {
		t.Fatal(err)
	}
	follower, registry := past.NewFollower(record, []past.Post{historyOf(posts[0])}), collector.Registry()
	done, started := make(chan error, 1), time.Now()
	go func() { done <- station.Run(ctx) }()
	beside := func() { // the samples' way
		if err := follower.Once(ctx, y.Now()); err != nil && ctx.Err() == nil {
			t.Fatal(err)
		}
		if _, err := registry.Gather(); err != nil {
			t.Fatal(err)
		}
		mend(t, station)
	}
	heap := quarters(t, y, record, &quarter, done, beside)
	speed := float64(y.past.Load()) / float64(time.Since(started))
	if err := record.Close(); err != nil {
		t.Fatal(err)
	}
	runtime.KeepAlive(station)
	t.Logf("%d days at %.0f times real time, %d polls; heap at the quarters %.3v MB", days, speed, y.polls.Load(), heap)
	checkYear(t, dir, days, y.polls.Load())
	checkHeap(t, heap, days)
}

// quarters waits until the year is over, and looks at the heap, MB, at each quarter.
// What is around the samples' way happens every 20 ms of the host.
func quarters(t *testing.T, y *years, record *store.Store, quarter *atomic.Int64, done <-chan error, beside func()) (heap []float64) {
	t.Helper()
	for running := true; running; {
		select {
		case err := <-done:
			if err != nil {
				t.Fatal(err)
			}
			running = false
		case <-time.After(20 * time.Millisecond):
			beside()
		}
		if len(heap) < 3 && y.past.Load() >= (quarter.Load()+1)*int64(y.end)/4 && record.Stats().Pending == 0 {
			if err := record.Flush(t.Context()); err != nil { // it waits for a merge under way
				t.Fatal(err)
			}
			heap = append(heap, settled())
			quarter.Add(1)
		}
	}
	for record.Stats().Pending > 0 {
		<-time.After(time.Millisecond)
	}
	return append(heap, settled())
}

// checkHeap holds the heap to being flat.
func checkHeap(t *testing.T, heap []float64, days int) {
	t.Helper()
	if len(heap) != 4 {
		t.Fatalf("memory was looked at %d times", len(heap))
	}
	for i, h := range heap[1:] {
		if h > heap[0]*1.05 && (days > 100 || h > heap[0]+2) {
			t.Errorf("the heap grew from %.3f MB to %.3f MB at quarter %d", heap[0], h, i+2)
		}
	}
}

// mend acknowledges and resets what has been seen to end, as people do.
func mend(t *testing.T, station *acquire.Station) {
	t.Helper()
	for _, a := range station.Alarms() {
		if a.State == alarm.LatchedUnacknowledged || a.State == alarm.LatchedAcknowledged {
			if err := station.Reset(a.ID, "A. Tester", "door adjusted"); err != nil {
				t.Error(err)
			}
		}
	}
}

// settled is the heap after collections, in MB.
func settled() float64 {
	runtime.GC()
	runtime.GC()
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	return float64(m.HeapAlloc) / 1e6
}

// checkYear holds the record against what the rig did.
func checkYear(t *testing.T, dir string, days int, polls int64) {
	t.Helper()
	r, err := store.OpenReadOnly(dir)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	// What the follower made beside is what verify makes again.
	if v, err := r.Verify(t.Context()); err != nil || !v.Intact() {
		t.Errorf("verify says %+v, %v", v, err)
	}
	n := int64(0)
	for s, err := range r.SamplesFrom(t.Context(), "bench", 0) {
		if err != nil {
			t.Fatal(err)
		}
		if n++; s.Seq != n {
			t.Fatalf("sample %d has number %d", n, s.Seq)
		}
	}
	if want := int64(days) * int64(day/yearPeriod); n < polls-1 || n > polls || n < want-2 {
		t.Errorf("%d samples of %d polls in %d slots", n, polls, want)
	}
	raised, other := 0, map[alarm.Rule]int{}
	for last, more := int64(0), true; more; {
		events, err := r.Events(t.Context(), last, 1000)
		if err != nil {
			t.Fatal(err)
		}
		for _, e := range events {
			last = e.ID
			switch {
			case e.Alarm == nil || e.Alarm.Rule == alarm.Record: // the record is written in the host's time, weeks of the rig's a second
			case e.Alarm.Rule != alarm.Exceeds:
				other[e.Alarm.Rule]++
			case e.Alarm.Reason == alarm.Raised || e.Alarm.Reason == alarm.RaisedAgain:
				if raised++; e.At.IsZero() {
					t.Error("an alarm without an instant")
				}
			}
		}
		more = len(events) > 0
	}
	if raised != days || len(other) > 0 {
		t.Errorf("%d exceedances in %d days, and others: %v", raised, days, other)
	}
}
