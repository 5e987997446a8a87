package soak

import (
	"fmt"
	"math"
	"time"

	"ovenward/acquire/quantity"
)

// keptPoints is from how many points of the count the expected end is told.
const keptPoints = 64

// point is a count of operations at an active time.
type point struct {
	active time.Duration
	count  int64
}

// count keeps a point of the count: about keptPoints of them, spread evenly.
func (l *Life) count(at time.Time) {
	p := point{l.ActiveBy(at), l.Operations}
	if n := len(l.counted); n > 0 && l.counted[n-1].active == p.active {
		l.counted[n-1] = p
		return
	}
	if l.counted = append(l.counted, p); len(l.counted) > 2*keptPoints {
		kept := l.counted[:0]
		for i := 0; i < len(l.counted); i += 2 {
			kept = append(kept, l.counted[i])
		}
		l.counted = kept
	}
}

// ActiveBy is for how long the test was active by an instant.
func (l *Life) ActiveBy(now time.Time) time.Duration {
	var d time.Duration
	for _, s := range l.Active {
		to := s.To
		if to.IsZero() || now.Before(to) {
			to = now
		}
		if s.From.Before(to) {
			d += to.Sub(s.From)
		}
	}
	return d
}

// passed is how far the test has come, in the unit of checkpoints.
func (l *Life) passed(now time.Time) int64 {
	if l.Plan.ByOperations() {
		return l.Operations
	}
	return int64(l.ActiveBy(now) / time.Hour)
}

// Due is the first checkpoint that has been reached and has no survey yet.
func (l *Life) Due(now time.Time) (checkpoint int64, due bool) {
	for _, c := range l.Plan.Checkpoints {
		if n := len(l.Passed); n > 0 && l.Passed[n-1].Checkpoint >= c {
			continue
		}
		return c, l.passed(now) >= c
	}
	return 0, false
}

// Share is how far the test has come, of at most 1: the least of what is planned.
func (l *Life) Share(now time.Time) float64 {
	share := 1.0
	if p := l.Plan.Operations; p > 0 {
		share = min(share, float64(l.Operations)/float64(p))
	}
	if p := l.Plan.Lasting; p > 0 {
		share = min(share, float64(l.ActiveBy(now))/float64(p))
	}
	return share
}

// Expected is when the test comes to its end if it goes on as in the newest part of
// it, without a pause; a reason why that is not known otherwise.
func (l *Life) Expected(now time.Time) (end time.Time, why string) {
	if l.State != Running {
		return time.Time{}, fmt.Sprintf("the test is %s", l.State)
	}
	var left time.Duration
	if p := l.Plan.Lasting; p > 0 {
		left = max(0, p-l.ActiveBy(now))
	}
	if p := l.Plan.Operations; p > l.Operations {
		n := len(l.counted)
		if n < 2 {
			return time.Time{}, "fewer than two counts of operations have come"
		}
		first, last := l.counted[max(0, n-keptPoints/2)], l.counted[n-1]
		span, done := last.active-first.active, last.count-first.count
		if done <= 0 {
			return time.Time{}, "no operation has been counted lately"
		}
		more := float64(p-l.Operations) * float64(span) / float64(done)
		if more > float64(math.MaxInt64/2) {
			return time.Time{}, "at this rate it does not end"
		}
		// Since the newest count time has passed too.
		left = max(left, time.Duration(more)-(l.ActiveBy(now)-last.active))
	}
	return now.Add(max(0, left)), ""
}

// Seen is what is known of the test's post now, for the stop rules.
type Seen struct {
	Exceedances int // of the limit of acceptance, in the active time
	OverRange   bool
	Blind       time.Duration // for how long the post has seen nothing now
}

// MustStop says which stop rule holds; empty: none.
func (l *Life) MustStop(now time.Time, s Seen) string {
	r := l.Plan.Stop
	if l.State != Running {
		return ""
	}
	switch {
	case r.OverRange && s.OverRange:
		return "the field was over the probe's range"
	case r.Exceedances > 0 && s.Exceedances >= r.Exceedances:
		return fmt.Sprintf("%d exceedances of limit %s; the rule is %d", s.Exceedances, l.Plan.LimitID, r.Exceedances)
	case r.Blind > 0 && s.Blind >= r.Blind:
		return fmt.Sprintf("post %s has seen nothing for %s; the rule is %s", l.Plan.Post, quantity.Roughly(s.Blind), quantity.FormatDuration(r.Blind))
	}
	if c, due := l.Due(now); due && r.Overdue > 0 && l.passed(now) >= c+r.Overdue {
		return fmt.Sprintf("the survey of the checkpoint at %d is overdue: the test has come to %d", c, l.passed(now))
	}
	return ""
}
