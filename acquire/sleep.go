package acquire

import (
	"context"
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

// Timers is the Sleeper of Go's own timers. It works on every system and in
// testing/synctest, and wakes up to about a millisecond late, for the runtime
// waits in whole milliseconds.
type Timers struct{}

// SleepUntil implements Sleeper.
func (Timers) SleepUntil(ctx context.Context, at time.Time) error {
	t := time.NewTimer(time.Until(at))
	defer t.Stop()
	select {
	case <-t.C:
		return nil
	case <-ctx.Done():
		return context.Cause(ctx)
	}
}
