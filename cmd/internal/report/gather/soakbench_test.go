package gather

import (
	"bytes"
	"errors"
	"io"
	"strings"
	"testing"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/cycle/history"
	"ovenward/acquire/cycle/soak"
	"ovenward/acquire/cycle/stats"
	"ovenward/acquire/quantity"
	"ovenward/acquire/store"
	"ovenward/cmd/internal/report"
)

// longSoak keeps what so many days of a soak test come to: 500 runs a day and the sums of
// the hours. It is invented; no samples stand behind it.
func longSoak(tb testing.TB, days int) *store.Store {
	tb.Helper()
	s, err := store.Open(tb.TempDir(), store.Options{})
	if err != nil {
		tb.Fatal(err)
	}
	tb.Cleanup(func() { s.Close() })
	p := post()
	begin := time.Date(2031, 1, 1, 0, 0, 0, 0, time.UTC)
	if err := s.Register([]acquire.Post{p}, begin); err != nil {
		tb.Fatal(err)
	}
	operations, hours := days*500, days*24
	plan := soak.Plan{ID: "door-7", Oven: p.Oven, Post: p.ID, Procedure: "door cycling", Source: "our own", LimitID: p.Limit.ID, Level: p.Limit.Value, Guard: 5, Operations: int64(operations),
		Checkpoints: []int64{int64(operations / 2)}}
	if err := s.PlanSoak(tb.Context(), plan, "A. Tester", begin); err != nil {
		tb.Fatal(err)
	}
	end := begin.AddDate(0, 0, days)
	for _, m := range []soak.Mark{{Kind: soak.Started, At: begin}, {Kind: soak.Operations, Count: int64(operations), From: soak.FromInput, At: end},
		{Kind: soak.Surveyed, Checkpoint: int64(operations / 2), Outcome: "within", At: end}, {Kind: soak.Finished, At: end}} {
		if m.Soak, m.Who, m.Entered = "door-7", "A. Tester", m.At; err == nil {
			_, err = s.MarkSoak(tb.Context(), m)
		}
	}
	for h := 0; h < hours && err == nil; h += 24 {
		var runs []history.Run
		var sums []history.Hour
		for i := h; i < h+24; i++ {
			at := begin.Add(time.Duration(i) * time.Hour)
			sum := stats.NewSummary(p.Limit.Value)
			for k := range 120 {
				sum.Add(stats.Piece{At: at.Add(time.Duration(k) * 30 * time.Second), For: 30 * time.Second, S: quantity.PowerDensity(0.01 + float64(k%9)), On: k%9 > 0})
			}
			sums = append(sums, history.Hour{From: at, Sum: sum})
		}
		for i := h / 24 * 500; i < (h/24+1)*500; i++ {
			at := begin.Add(time.Duration(i) * (24 * time.Hour / 500))
			level := quantity.PowerDensity(4 + 1e-5*float64(i) + 0.1*float64(i*7919%1000)/1000)
			runs = append(runs, history.Run{Number: int64(i + 1), Start: at, End: at.Add(40 * time.Second), On: 40 * time.Second, Begun: true, Dose: 160, Mean: level, Deviation: 0.1, Median: level, P95: level, Peak: level + 1, PeakAt: at})
		}
		err = s.KeepHistory(tb.Context(), p.ID, history.State{Hours: begin.Add(time.Duration(h+24) * time.Hour), Ended: begin, Runs: int64(len(runs))}, runs, sums)
	}
	if err != nil {
		tb.Fatal(err)
	}
	return s
}

// BenchmarkSoakReport makes the PDF of a soak test of 100 000 operations in 200 days:
// within 2 s is asked for.
func BenchmarkSoakReport(b *testing.B) {
	s := longSoak(b, 200)
	b.ReportAllocs()
	for b.Loop() {
		r, err := Soak(b.Context(), s.Reader, SoakQuery{ID: "door-7", Zone: time.UTC, Version: "test"})
		if err != nil {
			b.Fatal(err)
		}
		if r.Counts.Runs != 100_000 || len(r.Stretches) != 200 {
			b.Fatalf("%d runs, %d days", r.Counts.Runs, len(r.Stretches))
		}
		if err := r.Document().PDF(io.Discard, report.Papers()[0]); err != nil {
			b.Fatal(err)
		}
	}
}

// TestRunsOfALongTestFromAnInstantOn: 10 500 runs are too many to list one by one; those
// from an instant on are listed, and the report says since when.
func TestRunsOfALongTestFromAnInstantOn(t *testing.T) {
	s := longSoak(t, 21)
	q := SoakQuery{ID: "door-7", Zone: time.UTC, Per: history.PerRun, Version: "test"}
	if _, err := Soak(t.Context(), s.Reader, q); !errors.Is(err, history.ErrMany) {
		t.Fatalf("10 500 runs: %v", err)
	}
	q.From = time.Date(2031, 1, 21, 0, 0, 0, 0, time.UTC) // the last day
	r, err := Soak(t.Context(), s.Reader, q)
	if err != nil {
		t.Fatal(err)
	}
	if len(r.Stretches) != 500 || r.Stretches[0].Name != "run 10001" || r.Counts.Runs != 10_500 {
		t.Errorf("%d runs of the last day, the first %q; %d of the test", len(r.Stretches), r.Stretches[0].Name, r.Counts.Runs)
	}
	var b bytes.Buffer
	if err := r.Document().CSV(&b); err != nil || !strings.Contains(b.String(), `"Statistics by run, from 2031-01-21 00:00:00 UTC"`) {
		t.Errorf("%v, since when is not said", err)
	}
}
