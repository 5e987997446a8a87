package limit

import (
	"math"
	"math/bits"
	"slices"
	"time"

	"ovenward/acquire/quantity"
)

// Windows are the means of one field that several limits are held against. A
// stretch is summed once for all, and limits with the same averaging time share a
// window. The zero value is not usable.
//
// How each limit stands is looked at anew only where it can have changed: until
// then sums and time stay within bounds that follow from the last look. They
// are exact, so that it is always as Mean.Against says.
type Windows struct {
	flow  *flow
	spans []time.Duration // of its windows
	held  []against

	low, high wide          // up to which the sums of the flow change nothing
	until     time.Duration // up to when time changes nothing
	steady    bool          // nor does a slot that begins
}

// against is one limit, the window it is held against, and how it stands.
type against struct {
	mean        *Mean
	limit       uint64 // in quanta, rounded down
	above, kept bool
	lo, hi      wide // what the flow came to in the window when it was last looked at
}

// NewWindows makes windows for values of one probe; top and topU are those of
// NewMean.
func NewWindows(top, topU quantity.PowerDensity) *Windows {
	return &Windows{flow: newFlow(top, topU)}
}

// Hold adds a limit on the mean over span, and returns its place and its window.
// It must be called before anything is observed.
func (w *Windows) Hold(l quantity.PowerDensity, span time.Duration) (place int, m *Mean) {
	i := slices.Index(w.spans, span)
	if i < 0 {
		i = len(w.spans)
		w.spans = append(w.spans, span)
		w.flow.window(span)
	}
	m = w.flow.windows[i]
	down, _ := w.flow.round(l)
	w.held = append(w.held, against{mean: m, limit: down})
	return len(w.held) - 1, m
}

// Observe adds the next stretch to all windows, as Mean.Observe does. It says
// whether the limits were looked at anew; else each stands as it did.
func (w *Windows) Observe(st *Stretch) (looked bool) {
	if len(w.held) == 0 {
		return false
	}
	f := w.flow
	if (!f.observe(st) || w.steady) && !w.low.less(f.sum.lo) && !w.high.less(f.sum.hi) && f.end <= w.until && !(f.wasOver && f.over == f.end) {
		return false
	}
	w.look()
	return true
}

// look compares each limit with its mean, and finds how long that holds: whatever
// slots begin meanwhile, where that can be said of all of them, else until one begins.
func (w *Windows) look() {
	w.steady = true
	w.unbound()
	for i := range w.held {
		a := &w.held[i]
		m := a.mean
		a.lo, a.hi = w.flow.sum.lo.minus(m.base.lo), w.flow.sum.hi.minus(m.base.hi)
		edge := product(a.limit, uint64(w.flow.end-m.begin))
		a.above, a.kept = edge.less(a.lo), !edge.less(a.hi) && !m.unbounded()
		w.steady = w.steady && w.lasts(a)
	}
	if !w.steady {
		w.unbound()
		for i := range w.held {
			w.forNow(&w.held[i])
		}
	}
}

// unbound lets nothing change anything.
func (w *Windows) unbound() {
	w.low, w.until = wide{math.MaxUint64, math.MaxUint64}, math.MaxInt64 // above all sums
	w.high = w.low
}

// lasts bounds sums and time by how far a limit stands as it does whatever slots
// begin: so far from its edge that what leaves the window does not matter. It says
// false where that is too near.
func (w *Windows) lasts(a *against) bool {
	m, f := a.mean, w.flow
	// The edge is at least that of the slots, and at most that of one more.
	least := product(a.limit, slots*uint64(m.width))
	// A sum over the window falls by no more than the full scale a nanosecond, and by
	// that of a whole slot at once.
	far := product(a.limit, (slots+1)*uint64(m.width)).plus(product(most, uint64(m.width)))
	for _, x := range [2]struct {
		over     bool
		all, sum wide // the flow, and what of it is in the window
		bound    *wide
	}{{a.above, f.sum.lo, a.lo, &w.low}, {!a.kept, f.sum.hi, a.hi, &w.high}} {
		switch {
		case !x.over && least.less(x.sum), x.over && !far.less(x.sum):
			return false
		case x.over:
			w.until = min(w.until, f.end+before(x.sum.minus(far), most))
		default: // what enters the window makes the sum grow, and what leaves it does not
			if top := x.all.plus(least.minus(x.sum)); top.less(*x.bound) {
				*x.bound = top
			}
		}
	}
	return true
}

// forNow bounds sums and time by how far a limit stands as it does until a slot
// begins. Until then the edge rises with time, by the limit, and the sums never fall.
func (w *Windows) forNow(a *against) {
	m, f := a.mean, w.flow
	edge := product(a.limit, uint64(f.end-m.begin))
	most := product(a.limit, uint64(f.next-f.end)) // by which the edge rises until then
	if a.above {
		if over := a.lo.minus(edge); !most.less(over) {
			w.until = min(w.until, f.end+before(over, a.limit))
		}
	} else if top := f.sum.lo.plus(edge.minus(a.lo)); top.less(w.low) {
		w.low = top
	}
	if edge.less(a.hi) {
		if over := a.hi.minus(edge); !most.less(over) {
			w.until = min(w.until, f.end+before(over, a.limit))
		}
	} else if a.kept {
		if top := f.sum.hi.plus(edge.minus(a.hi)); top.less(w.high) {
			w.high = top
		}
	}
}

// before is how long something that grows by rate a nanosecond stays below a sum
// that is above zero; at most a year.
func before(sum wide, rate uint64) time.Duration {
	const year = uint64(365 * 24 * time.Hour)
	if less := sum.minus(wide{lo: 1}); less.hi < rate {
		q, _ := bits.Div64(less.hi, less.lo, rate)
		return time.Duration(min(q, year))
	}
	return time.Duration(year)
}

// Against is Mean.Against of the limit at a place, at the end of the windows.
func (w *Windows) Against(place int) (above, kept bool) {
	return w.held[place].above, w.held[place].kept
}

// End is the end of the newest stretch.
func (w *Windows) End() time.Duration { return w.flow.end }
