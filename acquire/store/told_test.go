package store

import (
	"context"
	"errors"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/alarm"
)

// tell keeps that a change of an alarm was told.
func tell(t *testing.T, s *Store, event int64, post string, rule alarm.Rule, at time.Time, outcome ToldOutcome) {
	t.Helper()
	if err := s.Keep(t.Context(), nil, []Told{{Courier: "mail", To: "x", MessageID: "m", Event: event, Post: post, Rule: string(rule),
		Queued: at, At: at, Attempts: 1, Outcome: outcome, Subject: "s", Text: "t"}}); err != nil {
		t.Fatal(err)
	}
}

// What was told is removed by age, and the record says so; what was told of an
// alarm that stands is kept as long as it does.
func TestWhatWasToldIsKeptForItsTime(t *testing.T) {
	var passed atomic.Int64
	begin := time.Now().Truncate(time.Second)
	o := Options{Retention: Retention{Told: 10 * 24 * time.Hour}, Now: func() time.Time { return begin.Add(time.Duration(passed.Load())) }}
	dir := t.TempDir()
	s := open(t, dir, o)
	register(t, s, post("fryer"), post("combi"))
	s.Record(raise("fryer", alarm.Exceeds, begin.Add(-time.Hour)))
	flushed(t, s)
	tell(t, s, 1, "fryer", alarm.Exceeds, begin.Add(-2*time.Hour), ToldAccepted)  // of an earlier occurrence
	tell(t, s, 2, "fryer", alarm.Exceeds, begin.Add(-time.Hour), ToldAccepted)    // of that which stands
	tell(t, s, 3, "combi", alarm.Silent, begin.Add(-time.Hour), ToldRefused)      // it has ended
	tell(t, s, 4, "combi", alarm.Silent, begin.Add(5*24*time.Hour), ToldAccepted) // not old
	look := func(after time.Duration, want ...int64) {
		t.Helper()
		passed.Store(int64(after))
		worked(s, func(w *writer) { w.retainedAt = time.Time{}; w.retaining() })
		flushed(t, s)
		var got []int64
		for _, x := range must(s.Told(t.Context(), ToldQuery{}, 100)) {
			got = append(got, x.Event)
		}
		if slices.Sort(got); !slices.Equal(got, want) {
			t.Errorf("after %s the record holds what was told of %v, want %v", after, got, want)
		}
	}
	look(9*24*time.Hour, 1, 2, 3, 4)
	look(11*24*time.Hour, 2, 4)
	flushed(t, s)
	events := must(s.Events(t.Context(), 0, 100))
	if !slices.ContainsFunc(events, func(e acquire.Event) bool {
		return strings.Contains(e.Text, "2 rows of what was told longer ago than 240h0m0s were removed")
	}) {
		t.Error("no event tells of the removal")
	}
	reset := raise("fryer", alarm.Exceeds, begin.Add(11*24*time.Hour))
	reset.Alarm.State = alarm.Normal
	s.Record(reset)
	flushed(t, s)
	look(16 * 24 * time.Hour)
	if r := must(s.Verify(t.Context())); !r.Intact() {
		t.Errorf("verify says %+v", r.Problems)
	}
	tell(t, s, 5, "combi", alarm.Silent, begin.Add(16*24*time.Hour), ToldAccepted)
	flushed(t, s)
	if r := must(s.Verify(t.Context())); !r.Intact() { // its number came again
		t.Errorf("verify says %+v", r.Problems)
	}
	shut(t, s)
	tells(t, dir, "UPDATE told SET courier = 'x'", "row 1 of table told")
	tells(t, dir, "DELETE FROM told", "row 1 of table told")
}

// Dead letters are found by their index.
func TestDeadLettersAreFoundByTheirIndex(t *testing.T) {
	s := open(t, t.TempDir(), Options{})
	defer shut(t, s)
	tell(t, s, 1, "fryer", alarm.Exceeds, time.Now(), ToldRefused)
	for _, tc := range []struct {
		q    ToldQuery
		want string
	}{{ToldQuery{Outcome: ToldRefused}, "told_refused"}, {ToldQuery{Outcome: ToldRefused, Before: 7}, "told_refused"}, {ToldQuery{Event: 1}, "told_event"}} {
		text, args := tc.q.sql(10)
		if plan := planOf(t, s, text, args...); !strings.Contains(plan, tc.want) {
			t.Errorf("%+v: %s; want it to use %s", tc.q, plan, tc.want)
		}
		if got := must(s.Told(t.Context(), tc.q, 10)); len(got) != 1 {
			t.Errorf("%+v: %+v", tc.q, got)
		}
	}
}

// planOf is how SQLite means to answer a query.
func planOf(t *testing.T, s *Store, query string, args ...any) string {
	t.Helper()
	var plan strings.Builder
	if err := each(t.Context(), s.db, "EXPLAIN QUERY PLAN "+query, func(scan func(...any) error) error {
		var id, parent, unused int
		var detail string
		err := scan(&id, &parent, &unused, &detail)
		plan.WriteString(detail + "; ")
		return err
	}, args...); err != nil {
		t.Fatal(err)
	}
	return plan.String()
}

// Whoever asks and does not wait for the disk may go on with what they gave: the record keeps
// what it was.
func TestKeepKeepsWhatItWasGiven(t *testing.T) {
	var holds atomic.Bool
	held, goOn := make(chan struct{}), make(chan struct{})
	s := open(t, t.TempDir(), Options{CommitEvery: time.Hour, Fault: func(step Step) error {
		if step == StepBegin && holds.CompareAndSwap(true, false) {
			close(held)
			<-goOn
		}
		return nil
	}})
	defer shut(t, s)
	cursors := map[string]int64{"desk": 1}
	ctx, cancel := context.WithCancel(t.Context())
	go func() { <-held; cancel() }()
	holds.Store(true)
	if err := s.Keep(ctx, cursors, nil); !errors.Is(err, context.Canceled) {
		t.Errorf("the record does not answer: %v", err)
	}
	cursors["desk"], cursors["till"] = 2, 2
	close(goOn)
	flushed(t, s)
	if kept, err := s.Cursors(t.Context(), "desk"); err != nil || kept["desk"] != 1 {
		t.Errorf("kept are %v, %v", kept, err)
	}
	if kept, err := s.Cursors(t.Context(), "till"); err != nil || len(kept) != 0 {
		t.Errorf("kept are %v, %v", kept, err)
	}
}
