package acquire

import (
	"context"
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
// as the first.
type precise struct {
	base   time.Time // an instant,
	kernel int64     // and what the kernel's clock said just after it, in ns
}

// PreciseSleeper is the most exact Sleeper this system has: on Linux
// clock_nanosleep(CLOCK_MONOTONIC, TIMER_ABSTIME), elsewhere Timers. It is not
// for testing/synctest, whose clock the kernel does not know.
func PreciseSleeper() Sleeper {
	// Go's monotonic clock is the kernel's with another beginning. Of some looks at
	// both the one counts that had the least time between.
	var best precise
	least := time.Hour
	for range 16 {
		base := time.Now()
		var t unix.Timespec
		if err := unix.ClockGettime(unix.CLOCK_MONOTONIC, &t); err != nil {
			return Timers{}
		}
		if gap := time.Since(base); gap < least {
			least, best = gap, precise{base, t.Nano()}
		}
	}
	return best
}

// SleepUntil implements Sleeper.
func (p precise) SleepUntil(ctx context.Context, at time.Time) error {
	if left := time.Until(at); left > longestDeaf {
		if err := (Timers{}).SleepUntil(ctx, at.Add(-fine)); err != nil {
			return err
		}
	}
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
