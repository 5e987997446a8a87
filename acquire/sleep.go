package acquire

import (
	"context"
	"sync"
	"time"
)

// Sleeper waits for an instant of the monotonic clock. Each poller waits with
// it for its next slot; one Sleeper may serve any number of them at once.
type Sleeper interface {
	// SleepUntil returns at or after at, as little after it as it can, or with
	// ctx's cause when ctx ends. at carries a monotonic reading, as
	// time.Now gives.
	SleepUntil(ctx context.Context, at time.Time) error
}

// UntilBeat is how long it is from now until the next whole beat of the wall clock, at most
// one. What goes by the clock alone waits for such, so that one wake-up of the program
// serves all of it.
func UntilBeat(now time.Time, every time.Duration) time.Duration {
	return now.Truncate(every).Add(every).Sub(now)
}

// Roughly is a Sleeper that waits until the next whole millisecond since base. Of all who
// wait for the same one, one sleeps by s and wakes the others.
func Roughly(s Sleeper, base time.Time) Sleeper {
	return &roughly{exact: s, base: base, crowds: newCrowds(1)}
}

type roughly struct {
	exact  Sleeper
	base   time.Time
	crowds *crowds
}

// SleepUntil implements Sleeper.
func (r *roughly) SleepUntil(ctx context.Context, at time.Time) error {
	d := at.Sub(r.base)
	if whole := d.Truncate(time.Millisecond); whole < d {
		d = whole + time.Millisecond
	}
	at = r.base.Add(d)
	return r.crowds.sleep(ctx, at, d, func() error { return r.exact.SleepUntil(ctx, at) })
}

// crowds are who waits for an instant, each for its own.
type crowds struct {
	most int // that sleep for one instant
	mu   sync.Mutex
	of   map[time.Duration]*crowd // by the instant
}

// crowd is who waits for one instant.
type crowd struct {
	sleepers int
	woke     chan struct{} // closed when one of them is awake; nil while nobody waits for that
}

func newCrowds(most int) *crowds { return &crowds{most: most, of: map[time.Duration]*crowd{}} }

// sleep sleeps until at, an instant, or waits for one who does.
func (c *crowds) sleep(ctx context.Context, at time.Time, instant time.Duration, sleep func() error) error {
	for {
		woke := c.join(instant)
		if woke == nil {
			defer c.leave(instant)
			return sleep()
		}
		select {
		case <-woke:
		case <-ctx.Done():
			return context.Cause(ctx)
		}
		if time.Until(at) <= 0 { // else the one that woke was told to stop
			return context.Cause(ctx)
		}
	}
}

// join says what to wait for, if enough sleep for this instant; nil: sleep.
func (c *crowds) join(instant time.Duration) <-chan struct{} {
	c.mu.Lock()
	defer c.mu.Unlock()
	w := c.of[instant]
	switch {
	case w == nil:
		c.of[instant] = &crowd{sleepers: 1}
		return nil
	case w.sleepers < c.most:
		w.sleepers++
		return nil
	case w.woke == nil:
		w.woke = make(chan struct{})
	}
	return w.woke
}

// leave wakes who waits for a sleeper that is awake.
func (c *crowds) leave(instant time.Duration) {
	c.mu.Lock()
	defer c.mu.Unlock()
	w := c.of[instant]
	if w == nil {
		return // another was faster
	}
	delete(c.of, instant)
	if w.woke != nil {
		close(w.woke)
	}
}

// Timers is the Sleeper of Go's own timers. It works on every system and in
// testing/synctest, and wakes up to about a millisecond late, for the runtime
// waits in whole milliseconds.
type Timers struct{}

// SleepUntil implements Sleeper.
func (Timers) SleepUntil(ctx context.Context, at time.Time) error {
	wait := time.Until(at)
	if wait <= 0 {
		// No timer: two that are due when they are made crash the race detector in testing/synctest (Go 1.26).
		return context.Cause(ctx)
	}
	t := time.NewTimer(wait)
	defer t.Stop()
	select {
	case <-t.C:
		return nil
	case <-ctx.Done():
		return context.Cause(ctx)
	}
}
