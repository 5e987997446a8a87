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
}

// against is one limit, the window it is held against, and how it stands.
type against struct {
	mean        *Mean
	limit       uint64 // in quanta, rounded down
	above, kept bool
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
	if !f.observe(st) && !w.low.less(f.sum.lo) && !w.high.less(f.sum.hi) && f.end <= w.until && !(f.wasOver && f.over == f.end) {
		return false
	}
	w.look()
	return true
}

// look compares each limit with its mean, and finds how long that holds, until a slot
// begins.
func (w *Windows) look() {
	f := w.flow
	turn := uint64(f.next - f.end)              // when all is looked at anew
	all := wide{math.MaxUint64, math.MaxUint64} // above all sums
	w.low, w.high, w.until = all, all, math.MaxInt64
	for i := range w.held {
		a := &w.held[i]
		m := a.mean
		edge := product(a.limit, uint64(f.end-m.begin))
		lo, hi := f.sum.lo.minus(m.base.lo), f.sum.hi.minus(m.base.hi)
		// Until a slot begins the edge rises with time, by the limit, and the sums
		// never fall.
		most := product(a.limit, turn) // by which the edge rises until then
		if a.above = edge.less(lo); a.above {
			if over := lo.minus(edge); !most.less(over) {
				w.until = min(w.until, f.end+before(over, a.limit))
			}
		} else if top := f.sum.lo.plus(edge.minus(lo)); top.less(w.low) {
			w.low = top
		}
		switch a.kept = false; {
		case edge.less(hi):
			if over := hi.minus(edge); !most.less(over) {
				w.until = min(w.until, f.end+before(over, a.limit))
			}
		case !m.unbounded():
			a.kept = true
			if top := f.sum.hi.plus(edge.minus(hi)); top.less(w.high) {
				w.high = top
			}
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
