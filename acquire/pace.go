package acquire

import (
	"context"
	"time"
)

// pace is an absolute grid of slots, so that lateness never adds up. Slots that
// pass unused are counted, never made up for.
type pace struct {
	epoch  time.Time
	period time.Duration
	next   int64 // number of the next slot to use
	sleep  Sleeper
	spread spread
}

// wait sleeps until the next slot and returns how many slots passed unused
// before it. It returns early, with ctx's error, when ctx ends.
func (p *pace) wait(ctx context.Context, now func() time.Time) (missed int64, err error) {
	passed := int64(now().Sub(p.epoch) / p.period)
	if p.next <= passed {
		missed = passed - p.next
		p.next = passed
		if now().Sub(p.at(p.next)) > p.period/2 {
			// Too late for this slot to be on time: leave it for the next.
			p.next++
			missed++
		}
	}
	if err := p.sleep.SleepUntil(ctx, p.at(p.next)); err != nil {
		return missed, err
	}
	p.next++
	return missed, nil
}

func (p *pace) at(slot int64) time.Time {
	return p.epoch.Add(time.Duration(slot)*p.period + p.spread.of(slot))
}

// skip moves to the present without counting, as after a port came back. A probe
// that talks by itself has no slots.
func (p *pace) skip(now time.Time) {
	if p.period <= 0 {
		return
	}
	if n := int64(now.Sub(p.epoch)/p.period) + 1; n > p.next {
		p.next = n
	}
}
