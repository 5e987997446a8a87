package guide

import (
	"context"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"
)

// With nothing to guide the guide hardly ever wakes, and it is at work at once when
// a survey begins.
func TestRestsWithNothingToGuide(t *testing.T) {
	dir := t.TempDir()
	synctest.Test(t, func(t *testing.T) {
		b := open(t, dir)
		defer b.close()
		b.stop()
		var rounds atomic.Int64
		o := b.guide.o
		o.Round = func() { rounds.Add(1) }
		b.guide = New(o)
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan struct{})
		go func() { defer close(done); _ = b.guide.Run(ctx) }()
		b.stop = func() { cancel(); <-done }

		time.Sleep(time.Minute)
		if n := rounds.Swap(0); n > 7 || n < 5 {
			t.Errorf("%d beats in a minute of rest", n)
		}
		if _, err := b.guide.Begin(t.Context(), Order{Oven: "small", Who: "A. Hand"}); err != nil {
			t.Fatal(err)
		}
		time.Sleep(time.Second)
		if n := rounds.Swap(0); n < 9 {
			t.Errorf("%d beats in a second of a survey", n)
		}
	})
}
