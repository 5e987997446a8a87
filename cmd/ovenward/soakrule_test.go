package main

import (
	"strings"
	"testing"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/calib"
	"ovenward/acquire/cycle/soak"
	"ovenward/acquire/limit"
	"ovenward/acquire/store"
	"ovenward/cmd/internal/report/gather"
	"ovenward/config"
)

// benchPost is an invented post at an oven of its own.
func benchPost(id, oven string, l limit.Limit) acquire.Post {
	return acquire.Post{Site: "Larkfield House", ID: id, Oven: oven, OvenPlace: "test room", Distance: 0.05,
		Probe: acquire.Probe{ID: "probe-" + id, Period: time.Second, Response: time.Second, Range: 200, Floor: 0.1, Axes: 3,
			Certificate: &calib.Certificate{Number: "LH-17", Date: begun().AddDate(-1, 0, 0), Due: begun().AddDate(5, 0, 0), Factor: 1, U: 0.1, K: 2}},
		Limit: l, RunGap: 90 * time.Second, Silent: time.Minute, Stale: 5 * time.Second, Stuck: time.Hour}
}

func begun() time.Time { return time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC) }

// A soak report says what the site stated of whose runs they are, beside the ovens
// that the record knows.
func TestSoakReportSaysWhoseRuns(t *testing.T) {
	inUse := limit.Limit{ID: "in use", Value: 50, Distance: 0.05, Basis: limit.EmissionInUse, Source: "a standard"}
	for _, tc := range []struct {
		alone        bool
		whose, lacks string
	}{
		{true, "those of oven combi: when the test was planned, the configuration says that nothing else that emits is near; the record knows other ovens (counter)", "cannot tell"},
		{false, "the record knows other ovens too (counter), and cannot tell whether one of them was seen", "those of oven"},
	} {
		record, err := store.Open(t.TempDir(), store.Options{})
		if err != nil {
			t.Fatal(err)
		}
		defer record.Close()
		posts := []acquire.Post{benchPost("bench", "combi", inUse), benchPost("hall", "counter", inUse)}
		if err := record.Register(posts, begun()); err != nil {
			t.Fatal(err)
		}
		file := &config.File{Ovens: []config.Oven{{ID: "combi"}, {ID: "counter"}}, Posts: []config.Post{{ID: "bench", Oven: "combi", Alone: tc.alone}, {ID: "hall", Oven: "counter"}}}
		e := eyes{record: record, posts: posts, station: func() []acquire.Stats { return nil }}
		tests := planner{eyes: e, zone: time.UTC, now: begun, counted: &operations{of: map[string]int64{}}, ovenOf: ovenOf(file)}
		if tests.Keeper, err = soak.NewKeeper(t.Context(), record, e, begun, func(soak.Plan, soak.Mark) {}); err != nil {
			t.Fatal(err)
		}
		plan := soak.Plan{ID: "d1", Post: "bench", Procedure: "door cycling", Source: "our own", Operations: 10, Whose: "what a client says does not count"}
		if err := tests.Plan(t.Context(), plan, "A. Tester"); err != nil {
			t.Fatal(err)
		}
		s, err := gather.Soak(t.Context(), record.Reader, gather.SoakQuery{ID: "d1", By: begun().Add(time.Hour), Per: "day", Zone: time.UTC})
		if err != nil {
			t.Fatal(err)
		}
		said := ""
		for _, c := range s.Conditions {
			if c.Name == "Whose runs" {
				said = c.Value.Text
			}
		}
		if !strings.Contains(said, tc.whose) || strings.Contains(said, tc.lacks) {
			t.Errorf("nothing near %v: %q", tc.alone, said)
		}
	}
}
