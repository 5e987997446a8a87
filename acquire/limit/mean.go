package limit

import (
	"math"
	"math/bits"
	"time"

	"ovenward/acquire/quantity"
)

// Average is what is known of the mean power density over one interval of
// monotonic time. It is exact over just that interval: a mean lies in [Lo, Hi].
type Average struct {
	From, To time.Duration         // the interval; To is the end of the newest stretch
	Lo, Hi   quantity.PowerDensity // W/m²; Hi is +Inf when any of it was over range
	U        quantity.PowerDensity // expanded uncertainty of Hi: the mean of those of its parts
	Seen     time.Duration         // of the interval
}

// Cover is the seen fraction of the interval, 0 to 1.
func (a Average) Cover() float64 {
	if a.To <= a.From {
		return 0
	}
	return float64(a.Seen) / float64(a.To-a.From)
}

// Mean holds bounds on the mean power density over a sliding window. The window
// is divided into 1 000 slots, and its old edge moves by whole slots: the
// interval it states is longer than the window by at most a thousandth. What
// was not seen lies between 0 and the top of the range. What was seen without a
// certificate, or with an uncertainty that is not known, counts in full from
// below, and from above only as the top of the range does. Sums are integers, so
// nothing creeps in however long it runs; values are rounded outwards to
// quanta of 2⁻⁶³ of a full scale of 8 to 16 tops. Observing is O(1), allocates
// nothing, and its memory is fixed at 56 kB. The zero value is not usable.
//
// It keeps what the flow had come to where each slot began: the sum over a window is
// the difference between two of these.
type Mean struct {
	flow  *flow
	width time.Duration // of one slot

	base   *part           // the flow where the window begins, in ring
	begin  time.Duration   // that is when
	next   time.Duration   // when the slot after the newest begins
	newest int64           // number of the newest slot
	ring   [slots + 1]part // the flow where each slot begins, the newest too
}

// NewMean starts a window of span, a whole number of microseconds, with nothing
// seen. top is the top of the probe's range, W/m²: positive and finite; topU the
// expanded uncertainty of a value there, top itself where it is not known.
func NewMean(span time.Duration, top, topU quantity.PowerDensity) *Mean {
	return newFlow(top, topU).window(span)
}

// Observe adds the next stretch. Stretches come in order of time; what overlaps
// an earlier one is left out, and a gap between two is unseen.
func (m *Mean) Observe(st Stretch) { m.flow.observe(&st) }

// start begins the window where nothing was seen yet.
func (m *Mean) start() {
	m.newest = floorDiv(m.flow.end, m.width)
	for n := m.newest - slots; n <= m.newest; n++ {
		var p, before part
		before.grow(&m.flow.unseen, m.flow.end-time.Duration(n)*m.width)
		p.minus(&before)
		m.ring[index(n)] = p
	}
	m.turn()
}

// advance moves the window so that its newest slot holds to, and is empty when
// it begins there. Until to the flow goes on at r.
func (m *Mean) advance(r *rate, to time.Duration) {
	n := m.newest + 1 // mostly, and found without dividing
	if to-m.next >= m.width {
		n = floorDiv(to, m.width)
	}
	for i := max(m.newest+1, n-slots); i <= n; i++ {
		p := &m.ring[index(i)]
		*p = m.flow.sum
		p.grow(r, time.Duration(i)*m.width-m.flow.end)
	}
	m.newest = n
	m.turn()
}

// turn finds the edges of the window from its newest slot.
func (m *Mean) turn() {
	m.base = &m.ring[index(m.newest+1)] // which the oldest slot shares with the one to come
	m.begin, m.next = time.Duration(m.newest-slots)*m.width, time.Duration(m.newest+1)*m.width
}

// unbounded says whether any of the window was over range.
func (m *Mean) unbounded() bool { return m.flow.wasOver && m.flow.over > m.begin }

// Against says whether the mean is known to be above l, or known to be at or
// below it, over the interval that ends with the newest stretch; neither where its
// bounds lie about l. It compares without dividing.
func (m *Mean) Against(l quantity.PowerDensity) (above, kept bool) {
	f := m.flow
	if !f.started {
		return false, false
	}
	limit, _ := f.round(l)
	edge := product(limit, uint64(f.end-m.begin))
	return edge.less(f.sum.lo.minus(m.base.lo)), !m.unbounded() && !edge.less(f.sum.hi.minus(m.base.hi))
}

// Read returns all that is known of the mean as it stands at the end of the
// newest stretch. Time before the first stretch was not seen.
func (m *Mean) Read() Average {
	f := m.flow
	if !f.started {
		return Average{Hi: f.top, U: quantity.PowerDensity(float64(f.unseen.u) / f.scale)}
	}
	t := f.sum
	t.minus(m.base)
	a := Average{From: m.begin, To: f.end, Seen: time.Duration(t.seen)}
	whole := uint64(a.To - a.From)
	a.Lo, a.Hi, a.U = m.mean(t.lo, whole), m.mean(t.hi, whole), m.mean(t.u, whole)
	if m.unbounded() {
		a.Hi = quantity.PowerDensity(math.Inf(1))
	}
	return a
}

// mean divides a sum by a time, in W/m².
func (m *Mean) mean(w wide, ns uint64) quantity.PowerDensity {
	q, r := bits.Div64(w.hi, w.lo, ns) // no value is above 2⁶³, so w.hi < ns
	return quantity.PowerDensity((float64(q) + float64(r)/float64(ns)) / m.flow.scale)
}

// floorDiv is the number of the slot that holds t.
func floorDiv(t, width time.Duration) int64 {
	n := int64(t / width)
	if t < 0 && t%width != 0 {
		n--
	}
	return n
}
