package chunk

import (
	"math"
	"time"
)

// Resolution is how finely instants of a post that is asked every period are
// kept: 1 ms from 50 ms on, 10 µs from 1 ms on, else 100 ns.
func Resolution(period time.Duration) time.Duration {
	switch {
	case period >= 50*time.Millisecond:
		return time.Millisecond
	case period >= time.Millisecond:
		return 10 * time.Microsecond
	}
	return 100 * time.Nanosecond
}

// Quantiser coarsens instants, so that they take less room: At to the nearest
// multiple of Resolution, AtU to a class, which is 1, 2 or 5 × 10^n ns. The
// interval At ± AtU only grows. A class is kept while it is at most the fourth
// of those above the least that would do, so that it seldom changes. Order
// never reverses, and rows that went through once stay as they are.
type Quantiser struct {
	Resolution time.Duration // 0 or 1: none
	class      int64
	above      int64 // the class is kept for what is above this, and not above it
}

// Set coarsens the instant of r.
func (q *Quantiser) Set(r *Row) {
	res := int64(q.Resolution)
	at := r.At
	if res > 1 {
		x := r.At + res/2 // the nearest is what lies just below this
		at = whole(x, res) * res
		if x < 0 && at > x {
			at -= res
		}
		if x < r.At || at > x { // beyond what an int64 holds
			at = r.At
		}
	}
	u := r.AtU + max(at-r.At, r.At-at)
	if u < r.AtU { // beyond what an int64 holds
		u = math.MaxInt64
	}
	r.At = at
	if !q.keeps(u) {
		q.class, q.above = Class(u), 0
		for c := Class(1); c < q.class/10; c = Class(c + 1) {
			q.above = c
		}
	}
	r.AtU = q.class
}

// keeps says whether the class stays for u.
func (q *Quantiser) keeps(u int64) bool { return u > q.above && u <= q.class }

// whole is at/by. By what instants are mostly multiples of it takes a fraction of
// the time that a processor takes to divide by anything.
func whole(at, by int64) int64 {
	switch by {
	case 1e6:
		return at / 1e6
	case 1e5:
		return at / 1e5
	case 1e4:
		return at / 1e4
	case 1e3:
		return at / 1e3
	case 1e2:
		return at / 1e2
	}
	return at / by
}

// Class returns the least of 0, 1, 2, 5, 10 … that is not below u; u itself
// where none that fits an int64 is, or where u is below 0.
func Class(u int64) int64 {
	if u <= 0 {
		return u
	}
	for c := int64(1); ; c *= 10 {
		for _, m := range [...]int64{1, 2, 5} {
			if c*m >= u {
				return c * m
			}
		}
		if c == 1e18 {
			return u
		}
	}
}
