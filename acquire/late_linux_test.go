package acquire_test

import (
	"context"
	"fmt"
	"log/slog"
	"slices"
	"testing"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/limit"
	"ovenward/drivers/driverstest"
	"ovenward/drivers/serialport"
	"ovenward/drivers/textline"
)

// TestFaultLateOverAPTY has an instrument on a real line answer into the next slot,
// each third time, with the number of the question: every answer is a sample,
// once, and is stamped within half of its own round trip.
func TestFaultLateOverAPTY(t *testing.T) {
	const period = 100 * time.Millisecond
	pty := driverstest.OpenPTY(t)
	instrument := driverstest.Answer(t, pty, "\n", func(n int, _ string) string {
		if n%3 == 0 {
			<-time.After(period + period/2)
		}
		return fmt.Sprintf("%d.5\n", n)
	})
	proto, err := textline.New(textline.Options{Query: "READ?\n", ValueColumn: 1, Unit: "W/m2"})
	if err != nil {
		t.Fatal(err)
	}
	rec := &kept{}
	s, err := acquire.New(acquire.Options{
		Posts: []acquire.Post{{ID: "door", Probe: acquire.Probe{ID: "late", Protocol: proto, Port: pty.Path,
			Dial: serialport.Dial(serialport.Options{Path: pty.Path}), Period: period, Timeout: period, Range: 2000, Floor: 0.1, Axes: 3},
			Limit:     limit.Limit{ID: "test", Value: 1000, Basis: limit.EmissionInUse, Source: "invented for this test"},
			Sustained: limit.SustainedRule{Unbroken: 3 * time.Second, Summed: 10 * time.Second, Within: time.Minute, Clear: 90 * time.Second},
			RunGap:    time.Minute, Silent: 10 * time.Second, Stale: 5 * time.Second, Stuck: time.Minute}},
		Recorder: rec, Past: func(int) (acquire.Past, error) { return acquire.Past{}, nil },
		Log: slog.New(slog.DiscardHandler), Now: time.Now, Sleeper: acquire.PreciseSleeper(),
	})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithTimeout(t.Context(), 3*time.Second)
	defer cancel()
	if err := s.Run(ctx); err != nil {
		t.Fatal(err)
	}
	counts := s.Stats()[0].Counts
	asked := len(instrument.Seen())
	if len(rec.said) < asked-1 || len(rec.said) < 10 {
		t.Errorf("%d samples of %d questions", len(rec.said), asked)
	}
	for i, said := range rec.said {
		if slices.Contains(rec.said[:i], said) {
			t.Errorf("%q came twice", said)
		}
		late := i%3 == 0
		if u := rec.samples[i].AtU; late != (u > period/2) {
			t.Errorf("sample %d of %q is stamped ± %v", i, said, u)
		}
	}
	if want := uint64(len(rec.said)+2) / 3; counts.Late < want-1 || counts.Late > want || counts.DroppedBytes != 0 || counts.Missed < want-1 {
		t.Errorf("%d late (want about %d), %d bytes dropped, %d slots missed", counts.Late, want, counts.DroppedBytes, counts.Missed)
	}
}
