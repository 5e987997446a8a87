package store

import (
	"testing"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/store/storetest"
	"ovenward/drivers"
)

// signal is the signal of package storetest as samples.
type signal struct {
	*storetest.Signal
	places int8
	seq    int64
}

func newSignal(seed uint64, places int8, begin time.Time) *signal {
	return &signal{Signal: storetest.New(seed, int(places), begin), places: places}
}

// next fills batch with the next samples; Said is reused.
func (g *signal) next(batch []acquire.Sample) {
	for i := range batch {
		g.seq++
		at, digits := g.Next()
		s := &batch[i]
		*s = acquire.Sample{Seq: g.seq, At: time.Unix(0, at).UTC(), AtU: 2 * time.Millisecond, Said: g.AppendSaid(s.Said[:0], digits),
			Reading: drivers.Reading{Value: drivers.Decimal{Digits: digits, Exp: -g.places}, HasValue: true, Unit: "mW/cm2"}}
	}
}

// recorded records span of the signal at the posts, merged and sealed but for
// the last minute, which is left in commits of one second each.
func recorded(t testing.TB, s *Store, span time.Duration, places int8, posts ...string) {
	t.Helper()
	recordedFrom(t, s, noon(), span, places, posts...)
}

func recordedFrom(t testing.TB, s *Store, begin time.Time, span time.Duration, places int8, posts ...string) {
	t.Helper()
	recordedBut(t, s, begin, span, 60, places, posts...)
}

// recordedBut leaves the last seconds of the span, 60 at most, in the log, a commit each.
func recordedBut(t testing.TB, s *Store, begin time.Time, span time.Duration, seconds int, places int8, posts ...string) {
	t.Helper()
	batch := make([]acquire.Sample, 600)
	made := make([]*signal, len(posts))
	for i := range posts {
		made[i] = newSignal(uint64(i+1), places, begin)
	}
	for n := time.Duration(0); n < span-time.Minute; n += time.Minute {
		for i := range posts {
			made[i].next(batch)
			s.Append(i, batch)
		}
		if s.Stats().Pending > 50_000 {
			flushed(t, s)
		}
	}
	for i := range posts {
		part := batch[:600-10*seconds]
		made[i].next(part)
		s.Append(i, part)
	}
	flushed(t, s)
	merged(t, s, false)
	s.works <- func(w *writer) { w.giveBack(); w.unfolded = true; w.checkpoint("TRUNCATE") } // as it is every 30 s
	for range seconds {
		for i := range posts {
			made[i].next(batch[:10])
			s.Append(i, batch[:10])
		}
		flushed(t, s)
	}
}

// flushed commits at once.
func flushed(t testing.TB, s *Store) {
	t.Helper()
	done := make(chan error, 1)
	s.works <- func(w *writer) {
		for w.s.waits() {
			if err := w.attempt(true); err != nil {
				done <- err
				return
			}
		}
		done <- nil
	}
	if err := <-done; err != nil {
		t.Fatal(err)
	}
}
