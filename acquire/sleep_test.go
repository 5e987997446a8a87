package acquire

import (
	"context"
	"errors"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"
)

// counted counts who sleeps by Timers.
type counted struct{ n atomic.Int64 }

func (c *counted) SleepUntil(ctx context.Context, at time.Time) error {
	c.n.Add(1)
	return Timers{}.SleepUntil(ctx, at)
}

// Who waits for about the same instant waits for its end together, and one sleeps for
// all; who is told to stop holds nobody up.
func TestRoughlyWakesAllTogether(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var exact counted
		base := time.Now()
		s := Roughly(&exact, base)
		first, stop := context.WithCancel(t.Context())
		var all sync.WaitGroup
		all.Go(func() {
			if err := s.SleepUntil(first, base.Add(9500*time.Microsecond)); !errors.Is(err, context.Canceled) {
				t.Errorf("the one that was stopped returned %v", err)
			}
		})
		synctest.Wait()
		for i := range 20 {
			all.Go(func() {
				if err := s.SleepUntil(t.Context(), base.Add(10*time.Millisecond-time.Duration(i*40)*time.Microsecond)); err != nil || time.Since(base) != 10*time.Millisecond {
					t.Errorf("%v after %v", err, time.Since(base))
				}
			})
		}
		synctest.Wait()
		if n := exact.n.Load(); n != 1 {
			t.Errorf("%d sleep for one instant", n)
		}
		stop()
		synctest.Wait()
		if n := exact.n.Load(); n != 2 {
			t.Errorf("%d slept, want one more in place of the one that was stopped", n-1)
		}
		all.Wait()
		if err := s.SleepUntil(t.Context(), base.Add(10*time.Millisecond+1)); err != nil || time.Since(base) != 11*time.Millisecond {
			t.Errorf("%v after %v", err, time.Since(base))
		}
		if n := len(s.(*roughly).crowds.of); n > 0 {
			t.Errorf("%d instants are kept", n)
		}
	})
}
