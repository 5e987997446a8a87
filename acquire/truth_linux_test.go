package acquire_test

import (
	"context"
	"log/slog"
	"slices"
	"sync"
	"testing"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/calib"
	"ovenward/acquire/limit"
	"ovenward/drivers/serialport"
	"ovenward/drivers/simulate"
	"ovenward/drivers/textline"
)

// TestInstantsAgainstTheTruth reads a simulated probe over a real pty and the
// real serial path, and holds each stamp against the instant at which the
// instrument took the value: p99 at most 1 ms and half the round trip, no
// answer lost, none twice.
func TestInstantsAgainstTheTruth(t *testing.T) {
	report(t, against(t, 100, 3*time.Second))
}

func BenchmarkInstants(b *testing.B) {
	for b.Loop() {
		e := against(b, 100, 3*time.Second)
		b.ReportMetric(float64(quantile(e.off, 0.5).Nanoseconds())/1e3, "p50-us")
		b.ReportMetric(float64(quantile(e.off, 0.99).Nanoseconds())/1e3, "p99-us")
		b.ReportMetric(float64(quantile(e.beyond, 0.99).Nanoseconds())/1e3, "p99-beyond-half-round-trip-us")
		b.ReportMetric(float64(e.samples), "samples")
	}
}

type stampErrors struct {
	off     []time.Duration // distance of stamp and truth, sorted
	beyond  []time.Duration // how far the truth lies outside the stamp's half round trip, sorted
	samples int
	answers int
	unmet   int
	told    int // polls counted as not answered in time
}

func report(t *testing.T, e stampErrors) {
	t.Logf("%d answers, %d samples; stamp to truth p50 %v, p99 %v, max %v; beyond half the round trip p99 %v",
		e.answers, e.samples, quantile(e.off, 0.5), quantile(e.off, 0.99), e.off[len(e.off)-1], quantile(e.beyond, 0.99))
	if got := quantile(e.beyond, 0.99); got > time.Millisecond {
		t.Errorf("p99 of stamps lies %v beyond half the round trip, want at most 1 ms", got)
	}
	if e.unmet != 0 {
		t.Errorf("%d samples say what the instrument did not say next", e.unmet)
	}
	// On a busy machine an answer can come after its time-out; then it is told.
	if e.samples+e.told < e.answers-2 || e.samples > e.answers {
		t.Errorf("%d samples of %d answers, %d told as not in time", e.samples, e.answers, e.told)
	}
}

func quantile(sorted []time.Duration, q float64) time.Duration {
	return sorted[min(int(q*float64(len(sorted))), len(sorted)-1)]
}

// kept is a Recorder that keeps samples and what they said.
type kept struct {
	mu      sync.Mutex
	samples []acquire.Sample
	said    []string
}

func (k *kept) Append(_ int, batch []acquire.Sample) {
	k.mu.Lock()
	defer k.mu.Unlock()
	for _, s := range batch {
		k.said = append(k.said, string(s.Said))
		s.Said = nil
		k.samples = append(k.samples, s)
	}
}
func (k *kept) Record(acquire.Event)             {}
func (k *kept) Correction(int, calib.Correction) {}
func (k *kept) Err() error                       { return nil }

func against(t testing.TB, rate int, span time.Duration) stampErrors {
	t.Helper()
	var mu sync.Mutex
	var truth []simulate.Answer
	o := simulate.Scripted(1, 1, simulate.Pattern{On: time.Hour, Level: 20})
	o.Probes[0].NoiseSD, o.Probes[0].Decimals = 1, 6
	o.OnAnswer = func(a simulate.Answer) {
		mu.Lock()
		defer mu.Unlock()
		truth = append(truth, a)
	}
	k, err := simulate.New(o)
	if err != nil {
		t.Fatal(err)
	}
	if err := k.Listen(); err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	ended := make(chan error, 1)
	go func() { ended <- k.Run(ctx) }()
	path, dial := k.Port("probe-1")
	if dial == nil {
		dial = serialport.Dial(serialport.Options{Path: path})
	}
	proto, err := textline.New(textline.Options{Query: "READ?\n", Separator: ",", ValueColumn: 1, UnitColumn: 2, StatusColumn: 3,
		Units: []string{"mW/cm2"}, OK: []string{"OK"}, OverRange: []string{"OVER"}, BatteryLow: []string{"LOBAT"}, Fault: []string{"FAULT"}})
	if err != nil {
		t.Fatal(err)
	}
	rec := &kept{}
	period := time.Second / time.Duration(rate)
	s, err := acquire.New(acquire.Options{
		Posts: []acquire.Post{{ID: "door", Probe: acquire.Probe{ID: "probe-1", Protocol: proto, Dial: dial, Port: path, Period: period,
			Timeout: period, Range: 2000, Floor: 0.1, Axes: 3},
			Limit:     limit.Limit{ID: "test", Value: 1000, Basis: limit.EmissionInUse, Source: "invented for this test"},
			Sustained: limit.SustainedRule{Unbroken: 3 * time.Second, Summed: 10 * time.Second, Within: time.Minute, Clear: 90 * time.Second},
			RunGap:    time.Minute, Silent: 10 * time.Second, Stale: 5 * time.Second, Stuck: time.Minute}},
		Recorder: rec, Past: func(int) (acquire.Past, error) { return acquire.Past{}, nil },
		Log: slog.New(slog.DiscardHandler), Now: time.Now, Sleeper: acquire.PreciseSleeper(),
	})
	if err != nil {
		t.Fatal(err)
	}
	watching, stop := context.WithTimeout(ctx, span)
	defer stop()
	if err := s.Run(watching); err != nil {
		t.Fatal(err)
	}
	cancel()
	if err := <-ended; err != nil {
		t.Fatal(err)
	}
	if err := k.Close(); err != nil {
		t.Fatal(err)
	}
	e := compare(rec, truth)
	c := s.Stats()[0].Counts
	e.told = int(c.Unanswered - c.Late) // what came late is a sample
	return e
}

// compare matches samples and answers by what was said, in order.
func compare(rec *kept, truth []simulate.Answer) stampErrors {
	e := stampErrors{samples: len(rec.samples), answers: len(truth)}
	next := 0
	for i, s := range rec.samples {
		at := next
		for at < len(truth) && truth[at].Line != rec.said[i] {
			at++
		}
		if at == len(truth) {
			e.unmet++
			continue
		}
		next = at + 1
		off := s.At.Sub(truth[at].Instant).Abs()
		e.off = append(e.off, off)
		e.beyond = append(e.beyond, max(off-s.AtU, 0))
	}
	slices.Sort(e.off)
	slices.Sort(e.beyond)
	return e
}
