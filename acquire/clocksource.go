package acquire

import (
	"fmt"
	"time"

	"ovenward/acquire/quantity"
)

// ClockState is what the system says of its wall clock.
type ClockState struct {
	Synchronised bool
	// MaxError is the system's own bound on how far the wall clock lies from
	// UTC; it grows while nothing corrects the clock.
	MaxError time.Duration
}

// ClockSource asks the system how its wall clock fares. It must not wait.
type ClockSource func() (ClockState, error)

// wallClock is what is held of the wall clock. The zero wallClock is trusted:
// nobody asks, and stamps are as sure as the clock is set.
type wallClock struct {
	asked bool
	state ClockState
	err   error
}

// unsure says whether samples are to be marked clock-unsure. A clock that is
// to be checked and cannot be is not sure.
func (c wallClock) unsure() bool { return c.asked && (c.err != nil || !c.state.Synchronised) }

// bound is what the wall clock adds to the uncertainty of a stamp.
func (c wallClock) bound() time.Duration {
	if !c.asked {
		return 0
	}
	return max(c.state.MaxError, 0)
}

// words tells what became of the clock, for the record.
func (c wallClock) words() string {
	bound := quantity.FormatDuration(c.state.MaxError.Round(time.Microsecond))
	switch {
	case c.err != nil:
		return fmt.Sprintf("%v: samples are marked clock-unsure", c.err)
	case c.unsure():
		return fmt.Sprintf("the wall clock is not synchronised (the system bounds its error by %s): samples are marked clock-unsure; "+
			"set up a time service, or write clock = \"trusted\" in [site] where something else keeps the clock", bound)
	}
	return fmt.Sprintf("the wall clock is synchronised, within %s of UTC by the system's own bound", bound)
}

// checkClock asks how the wall clock fares, and tells all posts. A change is an
// event.
func (s *Station) checkClock(now time.Time) {
	if s.source == nil {
		return
	}
	c := wallClock{asked: true}
	c.state, c.err = s.source()
	s.mu.Lock()
	changed := !s.clock.asked || c.unsure() != s.clock.unsure()
	s.clock = c
	s.mu.Unlock()
	for _, w := range s.watches {
		w.mu.Lock()
		w.clock = c
		w.mu.Unlock()
	}
	if changed {
		s.report(Event{At: now.UTC(), Kind: KindClock, Text: c.words()})
	}
}
