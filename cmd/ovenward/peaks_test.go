package main

import (
	"context"
	"fmt"
	"io"
	"log/slog"
	"math/rand/v2"
	"testing"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/alarm"
	"ovenward/acquire/calib"
	"ovenward/acquire/limit"
	"ovenward/acquire/store"
	"ovenward/drivers"
	"ovenward/drivers/textline"
	"ovenward/metrics"
)

// peaky is a probe beside an oven whose field has short peaks. While the clock
// jumps from slot to slot, others look at the newest value now and then.
type peaky struct {
	*rig
	peaks []time.Duration // when each begins
	looks func(at time.Duration)
}

const (
	peakSpan  = 200 * time.Millisecond
	peakEvery = 125 * time.Second // and up to a minute more
	peakLevel = 60.0              // W/m², among 5
)

func (p *peaky) in(at time.Duration) bool {
	for _, from := range p.peaks {
		if at >= from && at < from+peakSpan {
			return true
		}
	}
	return false
}

func (p *peaky) SleepUntil(ctx context.Context, at time.Time) error {
	p.looks(time.Duration(p.past.Load()))
	return p.rig.SleepUntil(ctx, at)
}

func (p *peaky) Receive(_ func([]byte) (int, []byte), _ time.Time, dst []drivers.Frame) ([]drivers.Frame, error) {
	v := 5 + 0.1*p.rng.NormFloat64()
	if p.in(p.asked.Sub(p.begin)) {
		v += peakLevel - 5
	}
	p.line = fmt.Appendf(p.line[:0], "%.3f,mW/cm2,OK", v/10)
	return append(dst, drivers.Frame{Bytes: p.line, Departed: p.asked, Arrived: p.asked.Add(time.Millisecond)}), nil
}

// glance is what somebody sees who looks every so often: at the newest value, or at
// the highest of the present and the last minute.
type glance struct {
	every, next time.Duration
	highest     bool
	seen        map[int]bool // peaks
}

func (g *glance) look(p *peaky, s *acquire.Stats, at time.Duration) {
	if at < g.next {
		return
	}
	g.next += g.every
	value, back := s.Newest.S, peakSpan+time.Second
	if g.highest {
		value, back = s.Counts.Peak, 2*time.Minute
	}
	for i, from := range p.peaks {
		if value > peakLevel/2 && at >= from && at < from+back {
			g.seen[i] = true
		}
	}
}

// TestNoPeakIsMissed: peaks of 0.2 s in the readings are each in the record, in the
// histogram and its maximum, and raise an alarm each; who scrapes a gauge misses most.
func TestNoPeakIsMissed(t *testing.T) {
	const span = 3 * time.Hour
	rng := rand.New(rand.NewPCG(4, 2))
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	p := &peaky{rig: &rig{begin: time.Now(), stop: cancel, rng: rng, end: span}}
	for at := 5 * time.Second; at < span-3*time.Minute; at += peakEvery + time.Duration(rng.Int64N(int64(time.Minute))) {
		p.peaks = append(p.peaks, at)
	}
	record, err := store.Open(t.TempDir(), store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer record.Close()
	p.room = func() bool { return record.Stats().Pending < 50_000 }
	posts := []acquire.Post{peakyPost(t, p)}
	if err := record.Register(posts, p.Now()); err != nil {
		t.Fatal(err)
	}
	numbers := metrics.New(metrics.Options{Posts: posts, Site: "Larkfield House"})
	station, err := acquire.New(acquire.Options{Posts: posts, Recorder: record, Past: func(int) (acquire.Past, error) { return acquire.Past{}, nil },
		Observers: []acquire.Observer{numbers}, Log: slog.New(slog.NewTextHandler(io.Discard, nil)), Now: p.Now, Sleeper: p})
	if err != nil {
		t.Fatal(err)
	}
	gauges := []*glance{{every: 15 * time.Second, seen: map[int]bool{}}, {every: time.Second, seen: map[int]bool{}}, {every: 15 * time.Second, highest: true, seen: map[int]bool{}}}
	p.looks = func(at time.Duration) {
		if all := station.Stats(); all[0].Newest.Seq > 0 {
			for _, g := range gauges {
				g.look(p, &all[0], at)
			}
		}
	}
	if err := station.Run(ctx); err != nil {
		t.Fatal(err)
	}
	for record.Stats().Pending > 0 {
		<-time.After(time.Millisecond)
	}
	checkPeaks(t, p, record, numbers)
	for _, g := range gauges {
		missed := 1 - float64(len(g.seen))/float64(len(p.peaks))
		t.Logf("looked at every %v, highest %v: misses %.1f %% of %d peaks", g.every, g.highest, 100*missed, len(p.peaks))
		if g.highest && missed > 0 || !g.highest && missed < 0.5 {
			t.Errorf("every %v, highest %v: %d of %d peaks are seen", g.every, g.highest, len(g.seen), len(p.peaks))
		}
	}
}

// checkPeaks holds record, alarms and histogram against the peaks that were.
func checkPeaks(t *testing.T, p *peaky, record *store.Store, numbers *metrics.Collector) {
	t.Helper()
	above, in := 0, map[int]bool{}
	for s, err := range record.Samples(t.Context(), "bench", time.Time{}, time.Time{}) {
		if err != nil {
			t.Fatal(err)
		}
		if s.S < peakLevel/2 {
			continue
		}
		above++
		at := s.At.Sub(p.begin.Round(0))
		for i, from := range p.peaks {
			if at >= from && at < from+peakSpan+5*time.Millisecond {
				in[i] = true
			}
		}
	}
	if len(in) != len(p.peaks) {
		t.Errorf("the record has %d of %d peaks", len(in), len(p.peaks))
	}
	raised := 0
	for e, err := range record.Changes(t.Context(), p.begin.Add(-time.Hour), p.begin.Add(24*time.Hour)) {
		if err != nil {
			t.Fatal(err)
		}
		if e.Alarm.Rule == alarm.WarningOf("peak") && (e.Alarm.Reason == alarm.Raised || e.Alarm.Reason == alarm.RaisedAgain) {
			raised++
		}
	}
	if raised != len(p.peaks) {
		t.Errorf("%d alarms of %d peaks", raised, len(p.peaks))
	}
	if counted := countedAbove(t, numbers, peakLevel/2); counted != uint64(above) || above < len(p.peaks) {
		t.Errorf("the histogram counts %d samples above %g W/m², the record %d", counted, peakLevel/2, above)
	}
}

// countedAbove is how many samples the histogram has above a bound between two buckets.
func countedAbove(t *testing.T, c *metrics.Collector, level float64) (n uint64) {
	t.Helper()
	all, err := c.Registry().Gather()
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range all {
		if f.GetName() != "ovenward_sample_power_density_watts_per_square_meter" {
			continue
		}
		h := f.GetMetric()[0].GetHistogram()
		below := uint64(0)
		for _, b := range h.GetBucket() {
			if b.GetUpperBound() <= level {
				below = b.GetCumulativeCount()
			}
		}
		n = h.GetSampleCount() - below
	}
	return n
}

func peakyPost(t *testing.T, p *peaky) acquire.Post {
	t.Helper()
	protocol, err := textline.New(textline.Options{Query: "READ?\n", Terminator: "\n", DecimalMark: '.', Separator: ",", ValueColumn: 1, UnitColumn: 2, StatusColumn: 3,
		Units: []string{"mW/cm2"}, OK: []string{"OK"}})
	if err != nil {
		t.Fatal(err)
	}
	return acquire.Post{Site: "Larkfield House", ID: "bench", Oven: "combi", OvenPlace: "test room", Distance: 0.05, Turned: true,
		Probe: acquire.Probe{ID: "quick", Port: "quick", Protocol: protocol, Period: 100 * time.Millisecond, Timeout: 50 * time.Millisecond, Response: 100 * time.Millisecond, Range: 200, Floor: 0.1, Axes: 3,
			Dial:        func(context.Context) (drivers.Link, error) { return p, nil },
			Certificate: &calib.Certificate{Number: "LH-17", Laboratory: "Larkfield Metrology", Date: p.begin.AddDate(-1, 0, 0), Due: p.begin.AddDate(5, 0, 0), Factor: 1, U: 0.1, K: 2}},
		Limit:     limit.Limit{ID: "in use", Value: 50, Distance: 0.05, Basis: limit.EmissionInUse, Source: "a standard"},
		Sustained: limit.SustainedRule{Unbroken: 3 * time.Second, Summed: 10 * time.Second, Within: time.Minute, Clear: 90 * time.Second},
		Rules:     []acquire.Rule{{Rule: alarm.WarningOf("peak"), Priority: alarm.Medium, Level: peakLevel / 2, OffDelay: 5 * time.Second}},
		RunGap:    90 * time.Second, Silent: 1000 * time.Hour, Stale: 5 * time.Second, Stuck: 1000 * time.Hour}
}
