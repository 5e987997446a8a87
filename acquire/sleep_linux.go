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
type precise struct{}

// PreciseSleeper is the most exact Sleeper this system has: on Linux
// clock_nanosleep(CLOCK_MONOTONIC, TIMER_ABSTIME), elsewhere Timers. It is not
// for testing/synctest, whose clock the kernel does not know.
func PreciseSleeper() Sleeper { return precise{} }

// SleepUntil implements Sleeper.
func (precise) SleepUntil(ctx context.Context, at time.Time) error {
	if left := time.Until(at); left > longestDeaf {
		if err := (Timers{}).SleepUntil(ctx, at.Add(-fine)); err != nil {
			return err
		}
	}
	for {
		if ctx.Err() != nil {
			return context.Cause(ctx)
		}
		var now unix.Timespec
		if err := unix.ClockGettime(unix.CLOCK_MONOTONIC, &now); err != nil {
			return Timers{}.SleepUntil(ctx, at)
		}
		// Read after the kernel's clock, so that a pause between the two wakes
		// early, which the loop mends, and never late.
		left := time.Until(at)
		if left <= 0 {
			return nil
		}
		until := unix.NsecToTimespec(now.Nano() + int64(left))
		switch err := unix.ClockNanosleep(unix.CLOCK_MONOTONIC, unix.TIMER_ABSTIME, &until, nil); err {
		case nil, unix.EINTR:
		default:
			return Timers{}.SleepUntil(ctx, at)
		}
	}
}
