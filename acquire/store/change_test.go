package store

import (
	"context"
	"testing"
	"time"

	"ovenward/acquire"
)

// Posts that are made known later stand beside those that were: who appends by an
// index that was given before goes on.
func TestEnlistedPostsStandBeside(t *testing.T) {
	s := open(t, t.TempDir(), Options{CommitEvery: time.Hour})
	register(t, s, post("a"), post("b"))
	s.Append(0, samples(1, 3))
	s.Append(1, samples(1, 3))
	if err := s.Flush(t.Context()); err != nil {
		t.Fatal(err)
	}
	changed := post("b")
	changed.Distance *= 2
	first, err := s.Enlist([]acquire.Post{changed, post("c")}, noon())
	if err != nil || first != 2 {
		t.Fatalf("first %d, %v; want 2", first, err)
	}
	past, err := s.Past(2, time.Minute)
	if err != nil || past.LastSeq != 3 {
		t.Errorf("the changed post goes on behind %d (%v), want 3", past.LastSeq, err)
	}
	s.Append(0, samples(4, 5))
	s.Append(2, samples(4, 4))
	s.Append(3, samples(1, 2))
	if err := s.Flush(t.Context()); err != nil {
		t.Fatal(err)
	}
	if n := s.Stats().Pending; n != 0 {
		t.Errorf("%d samples wait after a flush", n)
	}
	a, b, c := everything(t, s.Reader, "a"), everything(t, s.Reader, "b"), everything(t, s.Reader, "c")
	if numbers(a) != "1-5" || numbers(b) != "1-4" || numbers(c) != "1-2" {
		t.Errorf("recorded a %s, b %s, c %s", numbers(a), numbers(b), numbers(c))
	}
	if a[0].Version != a[4].Version {
		t.Error("an untouched post got another version")
	}
	if b[2].Version == b[3].Version {
		t.Error("a changed post kept its version")
	}
}

// A flush says why it cannot be, and holds nobody beyond their time.
func TestFlushFails(t *testing.T) {
	s := open(t, t.TempDir(), Options{CommitEvery: time.Hour})
	register(t, s, post("a"))
	ended, cancel := context.WithCancel(t.Context())
	cancel()
	done := make(chan struct{})
	s.works <- func(*writer) { <-done } // a disk that hangs
	s.Append(0, samples(1, 1))
	if err := s.Flush(ended); err == nil {
		t.Error("a flush of a disk that hangs was said to be done")
	}
	close(done)
	shut(t, s)
	if err := s.Flush(t.Context()); err == nil {
		t.Error("a closed record was said to be flushed")
	}
}

// What is removed can be changed while the record works.
func TestRetainChanges(t *testing.T) {
	s := open(t, t.TempDir(), Options{})
	want := Retention{Told: time.Hour}
	if err := s.Retain(t.Context(), want); err != nil {
		t.Fatal(err)
	}
	if err := s.onWriter(t.Context(), "look", func(w *writer) error {
		if w.s.o.Retention.Told != want.Told {
			t.Errorf("it keeps what was told for %v", w.s.o.Retention.Told)
		}
		return nil
	}); err != nil {
		t.Fatal(err)
	}
}
