package store

import (
	"context"
	"fmt"
	"iter"
	"math"
	"os"
	"testing"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/alarm"
	"ovenward/acquire/calib"
	"ovenward/acquire/limit"
	"ovenward/acquire/quantity"
	"ovenward/drivers"
)

func TestMain(m *testing.M) {
	if dir := os.Getenv(childEnv); dir != "" {
		child(dir)
		return
	}
	for env, process := range map[string]func(string){limitEnv: limited, readEnv: reader} {
		if dir := os.Getenv(env); dir != "" {
			process(dir)
			return
		}
	}
	os.Exit(m.Run())
}

// deadline bounds what tests wait for; a healthy run never comes near it.
const deadline = 20 * time.Second

// testReserve keeps tests from filling the disk.
const testReserve = 64 << 10

func open(t testing.TB, dir string, o Options) *Store {
	t.Helper()
	if o.reserve == 0 {
		o.reserve = testReserve
	}
	if o.Fault == nil && o.closes == 0 {
		o.closes = deadline // however busy the machine is
	}
	s, err := Open(dir, o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := s.Close(); err != nil && !t.Failed() {
			t.Log("at the end:", err)
		}
	})
	return s
}

func register(t testing.TB, s *Store, posts ...acquire.Post) {
	t.Helper()
	if err := s.Register(posts, noon()); err != nil {
		t.Fatal(err)
	}
}

func shut(t testing.TB, s *Store) {
	t.Helper()
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
}

func noon() time.Time { return time.Date(2031, 5, 20, 12, 0, 0, 123_000_000, time.UTC) }

func certificate() *calib.Certificate {
	return &calib.Certificate{Number: "LH-17", Laboratory: "Larkfield Metrology",
		Date: time.Date(2031, 1, 1, 0, 0, 0, 0, time.UTC), Due: time.Date(2032, 1, 1, 0, 0, 0, 0, time.UTC),
		Factor: 1.04, U: 0.12, K: 2}
}

func post(id string) acquire.Post {
	return acquire.Post{Site: "Larkfield House", ID: id, Oven: "combi " + id, OvenPlace: "by the pass", Distance: 0.05, Turned: true,
		Probe: acquire.Probe{ID: "probe " + id, Port: "/dev/ttyUSB0", Period: 100 * time.Millisecond, Timeout: 50 * time.Millisecond,
			Response: time.Second, Range: 200, Floor: 0.1, Axes: 1, ZeroBound: 1, Certificate: certificate()},
		Limit:     limit.Limit{ID: "in use", Value: 50, Distance: 0.05, Basis: limit.EmissionInUse, Source: "a standard"},
		Sustained: limit.SustainedRule{Unbroken: 3 * time.Second, Summed: 10 * time.Second, Within: time.Minute, Clear: 90 * time.Second},
		RunGap:    30 * time.Second, Silent: 5 * time.Second, Stale: 3 * time.Second, Stuck: time.Minute}
}

// sample is the sample with number seq, 100 ms after the one before it.
func sample(seq int64) acquire.Sample {
	v := drivers.Decimal{Digits: 1000 + seq%1000, Exp: -3}
	return acquire.Sample{Seq: seq, At: noon().Add(time.Duration(seq) * 100 * time.Millisecond), AtU: 2 * time.Millisecond,
		Said:    []byte(v.String() + " mW/cm2 OK"),
		Reading: drivers.Reading{Value: v, HasValue: true, Unit: "mW/cm2"}}
}

func samples(from, to int64) []acquire.Sample {
	var all []acquire.Sample
	for n := from; n <= to; n++ {
		all = append(all, sample(n))
	}
	return all
}

func raise(postID string, rule alarm.Rule, at time.Time) acquire.Event {
	a, reason := alarm.Alarm{Post: postID, Rule: rule, State: alarm.Normal}.Step(alarm.Appears, at)
	v, u := 61.5, math.NaN()
	return acquire.Event{At: at, Post: postID, Kind: acquire.KindAlarm, Text: "61.5 W/m² against 50 W/m²",
		Alarm: &alarm.Change{Alarm: a, From: alarm.Normal, Reason: reason, Verdict: &alarm.Grounds{
			Outcome: "exceeds", Value: &v, Uncertainty: &u, Limit: 50, LimitID: "in use", Source: "a standard", Reasons: []string{"above the limit"}}}}
}

func note(text string) acquire.Event {
	return acquire.Event{At: noon(), Kind: acquire.KindStation, Text: text}
}

// eventually waits until done says so, looking again each time the writer has
// committed or failed.
func eventually(t testing.TB, what string, done func() bool) {
	t.Helper()
	tick := time.NewTicker(time.Millisecond)
	defer tick.Stop()
	end := time.After(deadline)
	for !done() {
		select {
		case <-tick.C:
		case <-end:
			t.Fatalf("not within %s: %s", deadline, what)
		}
	}
}

// drained waits until everything told so far is committed.
func drained(t testing.TB, s *Store) {
	t.Helper()
	eventually(t, "everything is committed", func() bool {
		st := s.Stats()
		return st.Pending == 0 && st.PendingEvents == 0 && st.Err == nil && st.Oldest.IsZero()
	})
}

func collect(t testing.TB, seq iter.Seq2[StoredSample, error]) []StoredSample {
	t.Helper()
	var all []StoredSample
	for s, err := range seq {
		if err != nil {
			t.Fatal(err)
		}
		all = append(all, s)
	}
	return all
}

func everything(t testing.TB, r *Reader, postID string) []StoredSample {
	t.Helper()
	return collect(t, r.Samples(context.Background(), postID, time.Time{}, time.Time{}))
}

func events(t testing.TB, r *Reader) []acquire.Event {
	t.Helper()
	all, err := r.Events(context.Background(), 0, math.MaxInt32)
	if err != nil {
		t.Fatal(err)
	}
	return all
}

// numbers lists the numbers of samples as runs, such as "1-5 8-9".
func numbers(all []StoredSample) string {
	var s string
	for i := 0; i < len(all); {
		j := i
		for j+1 < len(all) && all[j+1].Seq == all[j].Seq+1 {
			j++
		}
		s += fmt.Sprintf(" %d-%d", all[i].Seq, all[j].Seq)
		i = j + 1
	}
	if s == "" {
		return "none"
	}
	return s[1:]
}

func closeTo(a, b quantity.PowerDensity) bool {
	return a == b || math.IsNaN(float64(a)) && math.IsNaN(float64(b)) || math.Abs(float64(a-b)) <= 1e-12*math.Abs(float64(b))
}

// valued is what sample seq says, in its own unit.
func valued(seq int64) quantity.PowerDensity {
	return quantity.PowerDensity(sample(seq).Reading.Value.Float())
}

// pass lets time pass in a bubble of synctest; nothing is waited for in earnest.
func pass(d time.Duration) { <-time.After(d) }

// merged merges what is committed into chunks; with all it seals them.
func merged(t testing.TB, s *Store, all bool) {
	t.Helper()
	done := make(chan error, 1)
	s.works <- func(w *writer) { done <- w.guard(func() error { return w.merge(all) }) }
	if err := <-done; err != nil {
		t.Fatal(err)
	}
}

// chunked has these samples of the first post committed, and sealed in a chunk.
func chunked(t testing.TB, s *Store, from, to int64) {
	t.Helper()
	s.Append(0, samples(from, to))
	flushed(t, s)
	merged(t, s, true)
}
