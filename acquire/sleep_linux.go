package acquire

import (
	"context"
	"runtime"
	"sync"
	"time"

	"golang.org/x/sys/unix"
)

// longestDeaf is how long SleepUntil may not hear that its context ended. What
// is longer is waited for with a Go timer first.
const longestDeaf = 150 * time.Millisecond

// fine is what is left of a long wait for the kernel's timer: more than a Go
// timer is late on a loaded machine.
const fine = 20 * time.Millisecond

// precise sleeps in the kernel, until an absolute instant. The thread that
// sleeps is the one that wakes and asks: handing the slot over from a thread
// that serves all would cost a second wake-up, which on this path is as long
// as the first. But no more than the processors can run at once sleep so for one
// instant: of many probes on one schedule the others would only queue for a
// processor, so they wait in Go for the first of those to wake, which is cheap.
type precise struct {
	base   time.Time // an instant,
	kernel int64     // and what the kernel's clock said just after it, in ns
	most   int       // threads that sleep for one instant

	mu     sync.Mutex
	crowds map[time.Duration]*crowd // by the instant waited for, since base
}

// crowd is who waits for one instant.
type crowd struct {
	sleepers int
	woke     chan struct{} // closed when one of them is awake; nil while nobody waits for that
}

// PreciseSleeper is the most exact Sleeper this system has: on Linux
// clock_nanosleep(CLOCK_MONOTONIC, TIMER_ABSTIME), elsewhere Timers. It is not
// for testing/synctest, whose clock the kernel does not know.
func PreciseSleeper() Sleeper {
	// Go's monotonic clock is the kernel's with another beginning. Of some looks at
	// both the one counts that had the least time between.
	best := &precise{most: runtime.GOMAXPROCS(0), crowds: map[time.Duration]*crowd{}}
	least := time.Hour
	for range 16 {
		base := time.Now()
		var t unix.Timespec
		if err := unix.ClockGettime(unix.CLOCK_MONOTONIC, &t); err != nil {
			return Timers{}
		}
		if gap := time.Since(base); gap < least {
			least, best.base, best.kernel = gap, base, t.Nano()
		}
	}
	return best
}

// SleepUntil implements Sleeper.
func (p *precise) SleepUntil(ctx context.Context, at time.Time) error {
	if left := time.Until(at); left > longestDeaf {
		if err := (Timers{}).SleepUntil(ctx, at.Add(-fine)); err != nil {
			return err
		}
	}
	instant := at.Sub(p.base)
	if woke := p.join(instant); woke != nil {
		select {
		case <-woke:
			return p.sleep(ctx, at) // at once, but when the one that woke was told to stop
		case <-ctx.Done():
			return context.Cause(ctx)
		}
	}
	defer p.leave(instant)
	return p.sleep(ctx, at)
}

// join says what to wait for, if enough sleep for this instant; nil: sleep.
func (p *precise) join(instant time.Duration) <-chan struct{} {
	p.mu.Lock()
	defer p.mu.Unlock()
	c := p.crowds[instant]
	switch {
	case c == nil:
		p.crowds[instant] = &crowd{sleepers: 1}
		return nil
	case c.sleepers < p.most:
		c.sleepers++
		return nil
	case c.woke == nil:
		c.woke = make(chan struct{})
	}
	return c.woke
}

// leave wakes who waits for a sleeper that is awake.
func (p *precise) leave(instant time.Duration) {
	p.mu.Lock()
	defer p.mu.Unlock()
	c := p.crowds[instant]
	if c == nil {
		return // another was faster
	}
	delete(p.crowds, instant)
	if c.woke != nil {
		close(c.woke)
	}
}

// sleep sleeps in the kernel.
func (p *precise) sleep(ctx context.Context, at time.Time) error {
	until := unix.NsecToTimespec(p.kernel + int64(at.Sub(p.base)))
	for {
		switch {
		case ctx.Err() != nil:
			return context.Cause(ctx)
		case time.Until(at) <= 0:
			return nil
		}
		switch err := unix.ClockNanosleep(unix.CLOCK_MONOTONIC, unix.TIMER_ABSTIME, &until, nil); err {
		case nil, unix.EINTR:
		default:
			return Timers{}.SleepUntil(ctx, at)
		}
	}
}
