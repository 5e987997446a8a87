package store

import (
	"math"
	"testing"
	"time"

	"ovenward/acquire/cycle/history"
	"ovenward/acquire/quantity"
)

// TestRan: a run that reaches into the span is read, one that ended before is not,
// and where there are more runs than columns those of a column are one, with the
// highest peak of all.
func TestRan(t *testing.T) {
	s := open(t, t.TempDir(), Options{})
	register(t, s, post("combi"))
	var runs []history.Run
	for i := range int64(1000) { // a minute in each ten
		at := noon().Add(time.Duration(i) * 10 * time.Minute)
		runs = append(runs, history.Run{Number: i + 1, Start: at, End: at.Add(time.Minute), On: time.Minute, Peak: quantity.PowerDensity(i), PeakAt: at})
	}
	runs[500].Peak, runs[500].OverRange = quantity.PowerDensity(math.Inf(1)), time.Second
	runs[3].Peak = quantity.PowerDensity(math.NaN())
	if err := s.KeepHistory(t.Context(), "combi", history.State{Runs: 1000}, runs, nil); err != nil {
		t.Fatal(err)
	}
	ask := func(from, to time.Duration, n int) []Ran {
		t.Helper()
		got, err := s.Ran(t.Context(), "combi", noon().Add(from), noon().Add(to), n)
		if err != nil {
			t.Fatal(err)
		}
		return got
	}
	got := ask(30*time.Second, 45*time.Minute, 1000)
	if len(got) != 5 || !got[0].From.Equal(noon()) || !got[0].To.Equal(noon().Add(time.Minute)) || got[0].Runs != 1 || got[4].Peak != 4 || !math.IsNaN(float64(got[3].Peak)) {
		t.Errorf("in 45 min from the midst of a run: %+v", got)
	}
	if got = ask(2*time.Minute, 9*time.Minute, 100); len(got) != 0 {
		t.Errorf("between two runs: %+v", got)
	}
	got = ask(0, 10_000*time.Minute, 10)
	if len(got) != 10 || got[0].Runs != 100 || got[0].Peak != 99 || !math.IsInf(float64(got[5].Peak), 1) || !got[9].To.Equal(runs[999].End) {
		t.Errorf("in 10 columns: %+v", got)
	}
	if got, err := s.Ran(t.Context(), "other", noon(), noon().Add(time.Hour), 10); err != nil || len(got) != 0 {
		t.Errorf("of a post without runs: %+v %v", got, err)
	}
}
