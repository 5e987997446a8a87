package store

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/alarm"
)

// Time is the bubble's: it moves only when all wait, so instants are exact.
func TestGroupCommit(t *testing.T) {
	dir := t.TempDir()
	synctest.Test(t, func(t *testing.T) {
		type commit struct {
			at      time.Time
			samples int
			events  int
		}
		commits := make(chan commit, 10)
		s := open(t, dir, Options{CommitEvery: time.Second, onCommit: func(b *batch) {
			commits <- commit{at: time.Now(), samples: b.samples, events: len(b.events)}
		}})
		register(t, s, post("fryer"))
		start := time.Now()
		feed := time.NewTicker(100 * time.Millisecond)
		defer feed.Stop()
		for n := int64(1); n <= 5; n++ {
			<-feed.C
			s.Append(0, []acquire.Sample{sample(n)})
		}
		first := start.Add(100 * time.Millisecond)
		c := <-commits
		if late := c.at.Sub(first); late != 875*time.Millisecond || c.samples != 5 {
			t.Errorf("commit of %d samples %s after the first, want 5 after 875ms, as no more came", c.samples, late)
		}
		feed.Reset(100 * time.Millisecond)
		first = time.Now().Add(100 * time.Millisecond)
		for n := int64(101); n <= 109; n++ {
			<-feed.C
			s.Append(0, []acquire.Sample{sample(n)})
		}
		c = <-commits
		if late := c.at.Sub(first); late != 800*time.Millisecond || c.samples != 9 {
			t.Errorf("commit of %d samples %s after the first, want 9 with the next after 750ms", c.samples, late)
		}
		before := time.Now()
		s.Append(0, []acquire.Sample{sample(206)})
		s.Record(raise("fryer", alarm.Exceeds, noon()))
		c = <-commits
		if late := c.at.Sub(before); late != 0 || c.samples != 1 || c.events != 1 {
			t.Errorf("an alarm was committed after %s with %d samples and %d events, want at once with 1 and 1", late, c.samples, c.events)
		}
		s.Record(note("nothing hurries"))
		before = time.Now()
		c = <-commits
		if late := c.at.Sub(before); late != 875*time.Millisecond {
			t.Errorf("an event without alarm was committed after %s, want 875ms", late)
		}
		shut(t, s)
	})
}

// While the disk fails no sample wakes the writer: the next try has its time.
func TestAFailingDiskIsNotAskedForEachSample(t *testing.T) {
	dir := t.TempDir()
	synctest.Test(t, func(t *testing.T) {
		var fails atomic.Bool
		rounds, tries := 0, 0
		s := open(t, dir, Options{CommitEvery: time.Second, Round: func() { rounds++ }, Fault: func(step Step) error {
			if step != StepBegin || !fails.Load() {
				return nil
			}
			tries++
			return errors.New("the disk fails")
		}})
		register(t, s, post("fryer"))
		fails.Store(true)
		feed := time.NewTicker(10 * time.Millisecond)
		defer feed.Stop()
		synctest.Wait()
		before := rounds
		for n := int64(1); n <= 1000; n++ {
			<-feed.C
			s.Append(0, []acquire.Sample{sample(n)})
			synctest.Wait()
		}
		if woke := rounds - before; tries < 3 || woke > tries+2 {
			t.Errorf("in 10 s the writer woke %d times for %d tries", woke, tries)
		}
		fails.Store(false)
		shut(t, s)
	})
}

// A long log is folded by the writer, after what is in it was told: SQLite would do
// it within a commit, and an alarm would wait for that.
func TestALongLogIsFoldedOnceItsEventsAreTold(t *testing.T) {
	dir := t.TempDir()
	var s *Store
	folded, committed := 0, 0
	s = open(t, dir, Options{
		onCommit: func(b *batch) { committed += len(b.events) },
		Fault: func(step Step) error {
			if step == StepCheckpoint {
				folded++
				if all, err := s.Events(context.Background(), 0, 10_000); err != nil || len(all) != committed {
					t.Errorf("folded while %d of %d committed events can be read: %v", len(all), committed, err)
				}
			}
			return nil
		},
	})
	for range 300 {
		s.Record(note("something"))
		if err := s.Flush(t.Context()); err != nil {
			t.Fatal(err)
		}
	}
	worked(s, func(w *writer) {
		if folded < 2 {
			t.Errorf("%d commits, and the log was folded %d times", committed, folded)
		}
	})
	info, err := os.Stat(filepath.Join(dir, FileName+"-wal"))
	if most := int64(longLog+32) * (16<<10 + 24); err != nil || info.Size() > most {
		t.Errorf("the log takes %d bytes, want at most %d: %v", info.Size(), most, err)
	}
}
