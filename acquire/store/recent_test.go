package store

import (
	"context"
	"errors"
	"reflect"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/alarm"
)

// What is at hand is what stands in the record, from wherever one goes on, and is
// answered though no disk answers.
func TestNewestEventsAreAtHandAsRecorded(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir, Options{})
	commit := func(e acquire.Event) {
		s.Record(e)
		if err := s.Flush(context.Background()); err != nil {
			t.Fatal(err)
		}
		same(t, s)
	}
	commit(acquire.Event{At: noon(), Post: "fryer", Kind: acquire.KindLink, Text: "not UTF-8: \xff, and a NUL: \x00 in it", Raw: []byte{}})
	commit(raise("fryer", alarm.Exceeds, noon()))
	commit(acquire.Event{At: noon(), Kind: acquire.KindStation, Text: "something", Who: "M. Ito", Raw: []byte("raw")})
	if err := imported(t, s, 50, nil); err != nil {
		t.Fatal(err)
	}
	same(t, s)
	for i := range 2*maxRecent + 10 {
		if s.Record(note("more")); i%30 == 0 {
			commit(note("and more"))
		}
	}
	commit(note("the last"))
	newest, err := s.Events(context.Background(), 0, 1000)
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Reader.Close(); err != nil {
		t.Fatal(err)
	}
	last := newest[len(newest)-1].ID
	if got, err := s.Events(context.Background(), last-3, 2); err != nil || !reflect.DeepEqual(got, newest[len(newest)-3:len(newest)-1]) {
		t.Errorf("with the disk away: %+v, %v; want %+v", got, err, newest[len(newest)-3:len(newest)-1])
	}
	if _, err := s.Events(context.Background(), 0, 1); err == nil {
		t.Error("old events were read from a record that is closed for reading")
	}
}

// same holds Events against the record's, from each number.
func same(t *testing.T, s *Store) {
	t.Helper()
	ctx := context.Background()
	all, err := s.Reader.Events(ctx, 0, 1000)
	if err != nil {
		t.Fatal(err)
	}
	for after := int64(0); after <= all[len(all)-1].ID+1; after++ {
		want, err := s.Reader.Events(ctx, after, 5)
		if err != nil {
			t.Fatal(err)
		}
		if got, err := s.Events(ctx, after, 5); err != nil || !reflect.DeepEqual(got, want) {
			t.Fatalf("after %d: %+v, %v; the record has %+v", after, got, err, want)
		}
	}
}

// Who waits for an event hears of it when it is committed, be that long ago or after a
// failure, and is not remembered for ever.
func TestDurable(t *testing.T) {
	var fails atomic.Bool
	s := open(t, t.TempDir(), Options{Fault: func(step Step) error {
		if step == StepCommit && fails.Load() {
			return errors.New("planted")
		}
		return nil
	}})
	is := func(c <-chan struct{}) bool {
		select {
		case <-c:
			return true
		default:
			return false
		}
	}
	fails.Store(true)
	s.Record(raise("fryer", alarm.Exceeds, noon()))
	waiting := s.Uncommitted(time.Now().Add(time.Hour))
	if len(waiting) != 1 {
		t.Fatalf("%d events wait", len(waiting))
	}
	id := waiting[0].ID
	durable, lost := s.Durable(id), s.Durable(id-1)
	if s.Flush(t.Context()) == nil || is(durable) {
		t.Error("an event that could not be committed was told as durable")
	}
	fails.Store(false)
	if err := s.Flush(t.Context()); err != nil {
		t.Fatal(err)
	}
	if !is(durable) || !is(s.Durable(id)) {
		t.Error("a committed event was not told as durable")
	}
	if never := s.Durable(id + 1000); is(never) || is(lost) {
		t.Error("an event that there is not was told as durable")
	}
	// With more behind it than are at hand.
	fails.Store(true)
	s.Record(raise("grill", alarm.Exceeds, noon()))
	durable = s.Durable(s.Uncommitted(time.Now().Add(time.Hour))[0].ID)
	for range maxRecent + 1 {
		s.Record(note("more"))
	}
	fails.Store(false)
	if err := s.Flush(t.Context()); err != nil {
		t.Fatal(err)
	}
	if !is(durable) {
		t.Error("an event with many behind it was not told as durable")
	}
	if n := len(s.awaited); n != 1 {
		t.Errorf("%d events are waited for, want the one to come", n)
	}
}

// An alarm is heard of before it is durable: when only the disk's part is left, and where
// the writer does not come so far, 50 ms after it was recorded, whatever comes after it.
func TestRaised(t *testing.T) {
	heard := func(raised <-chan struct{}) bool {
		select {
		case <-raised:
			return true
		default:
			return false
		}
	}
	t.Run("by the writer", func(t *testing.T) {
		var raised atomic.Pointer[<-chan struct{}]
		asked := make(chan bool, 1)
		var s *Store
		made := make(chan struct{})
		s = open(t, t.TempDir(), Options{Fault: func(step Step) error {
			if c := raised.Load(); c != nil && step == StepWrite {
				<-made
				s.late.Stop()
			} else if c != nil && step == StepAfterCommit {
				asked <- heard(*c)
			}
			return nil
		}})
		close(made)
		c := s.Raised()
		s.Record(note("nothing to be told"))
		if err := s.Flush(t.Context()); err != nil || heard(c) {
			t.Errorf("an event without an alarm was told: %v (%v)", heard(c), err)
		}
		raised.Store(&c)
		s.Record(raise("fryer", alarm.Exceeds, noon()))
		if !<-asked {
			t.Error("the writer did not tell of an alarm before it was durable")
		}
	})
	t.Run("by a timer", func(t *testing.T) {
		dir := t.TempDir()
		synctest.Test(t, func(t *testing.T) {
			stuck := make(chan struct{})
			var sticks atomic.Bool
			s := open(t, dir, Options{Fault: func(step Step) error {
				if sticks.Load() && step == StepBegin {
					<-stuck
				}
				return nil
			}})
			sticks.Store(true)
			c := s.Raised()
			for i := range 5 {
				s.Record(raise("fryer", alarm.Exceeds, noon().Add(time.Duration(i)*time.Hour)))
				if heard(c) {
					t.Fatalf("told after %d ms", 10*i)
				}
				<-time.After(10 * time.Millisecond)
			}
			<-time.After(10 * time.Millisecond)
			if !heard(c) {
				t.Error("not told within 60 ms while the writer is stuck and more alarms come")
			}
			sticks.Store(false)
			close(stuck)
			shut(t, s)
		})
	})
}

// A commit of an import that failed to say that it took place is met all the same.
func TestAnImportInDoubtIsNotPassedOver(t *testing.T) {
	var fail atomic.Bool
	s := open(t, t.TempDir(), Options{Fault: func(step Step) error {
		if step == StepAfterCommit && fail.Swap(false) {
			return errors.New("the disk did not say that it wrote")
		}
		return nil
	}})
	write := func(text string) {
		s.Record(note(text))
		if err := s.Flush(t.Context()); err != nil {
			t.Fatal(err)
		}
	}
	write("before")
	fail.Store(true)
	if err := imported(t, s, 50, nil); err == nil {
		t.Fatal("the import heard of no failure")
	}
	write("after")
	same(t, s)
	if all, err := s.Events(t.Context(), 1, 10); err != nil || len(all) != 2 || all[0].Kind != acquire.KindImport {
		t.Errorf("after the first event come %+v, %v; want the import's, and the last", all, err)
	}
}

// An import wakes who follows the events, as a commit does; what writes none wakes nobody.
func TestAnImportWakesFollowers(t *testing.T) {
	s := open(t, t.TempDir(), Options{})
	woken := func(changed <-chan struct{}) bool {
		select {
		case <-changed:
			return true
		default:
			return false
		}
	}
	changed := s.Changed()
	register(t, s, post("fryer"))
	if woken(changed) {
		t.Error("a post that became known wakes followers, and is no event")
	}
	if err := imported(t, s, 50, nil); err != nil {
		t.Fatal(err)
	}
	if !woken(changed) {
		t.Error("an import wakes nobody")
	}
}

// An alarm that is raised while a file is imported gets a lower number than the
// import's event, and is durable later: who follows the events still meets it.
func TestAnImportHidesNoAlarm(t *testing.T) {
	dir := t.TempDir()
	var full atomic.Bool
	s := open(t, dir, Options{Fault: func(step Step) error {
		if step == StepBegin && full.Load() {
			return errors.New("the disk is full, for now")
		}
		return nil
	}})
	rows := func(yield func(ImportRow) bool) {
		full.Store(true) // the import has begun
		s.Record(raise("fryer", alarm.Exceeds, noon()))
		yield(ImportRow{Post: "combi", Site: "s", Oven: "o", Probe: "p", Sample: sample(1)})
	}
	if _, err := s.Import(t.Context(), Import{Who: "R. Okafor", File: "old.csv", At: noon(), Rows: rows,
		Refuse: func(why error) { t.Error(why) }, Failed: func() error { return nil }}); err != nil {
		t.Fatal(err)
	}
	durable, err := s.Reader.Events(t.Context(), 0, 10)
	if err != nil || len(durable) != 1 || durable[0].Kind != acquire.KindImport {
		t.Fatalf("durable are %+v, %v; want the import alone", durable, err)
	}
	for _, after := range []int64{0, durable[0].ID - 2} { // from the file and from memory
		if got, err := s.Events(t.Context(), after, 10); err != nil || len(got) > 0 {
			t.Errorf("while the alarm waits, after %d come %+v, %v", after, got, err)
		}
	}
	if _, last, err := s.Standing(t.Context()); err != nil || last >= durable[0].ID-1 {
		t.Errorf("who begins now goes on after %d, %v, and so never hears of alarm %d", last, err, durable[0].ID-1)
	}
	full.Store(false)
	if err := s.Flush(t.Context()); err != nil {
		t.Fatal(err)
	}
	if got, err := s.Events(t.Context(), 0, 10); err != nil || len(got) != 2 || got[0].Alarm == nil || got[1].ID != durable[0].ID {
		t.Errorf("%+v, %v; want the alarm, and then the import", got, err)
	}
}
