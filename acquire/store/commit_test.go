package store

import (
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
		if late := c.at.Sub(first); late != 750*time.Millisecond || c.samples != 5 {
			t.Errorf("commit of %d samples %s after the first, want 5 after 750ms", c.samples, late)
		}
		before := time.Now()
		s.Append(0, []acquire.Sample{sample(6)})
		s.Record(raise("fryer", alarm.Exceeds, noon()))
		c = <-commits
		if late := c.at.Sub(before); late != 0 || c.samples != 1 || c.events != 1 {
			t.Errorf("an alarm was committed after %s with %d samples and %d events, want at once with 1 and 1", late, c.samples, c.events)
		}
		s.Record(note("nothing hurries"))
		before = time.Now()
		c = <-commits
		if late := c.at.Sub(before); late != 750*time.Millisecond {
			t.Errorf("an event without alarm was committed after %s, want 750ms", late)
		}
		shut(t, s)
	})
}
