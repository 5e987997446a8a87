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
type Mean struct {
	width time.Duration // of one slot
	top   quantity.PowerDensity
	full  quantity.PowerDensity // a power of two
	scale float64               // quanta in 1 W/m²; a power of two
	roof  uint64                // top, in quanta, rounded up
	roofU uint64                // uncertainty of the top, in quanta, rounded up

	ring    [slots + 1]part // but for the newest slot
	sum     part            // over the ring, its time without the mark
	over    int             // slots of the ring that hold over-range
	open    part            // the newest slot
	newest  int64           // its number
	started bool
	end     time.Duration // of the newest stretch
}

// part is what one slot holds. Densities are in quanta times nanoseconds.
type part struct {
	lo, hi, u wide
	seen      uint64 // ns, with overRange as its highest bit
}

// overRange marks a part that has no upper bound.
const overRange = uint64(1) << 63

// NewMean starts a window of span, a whole number of microseconds, with nothing
// seen. top is the top of the probe's range, W/m²: positive and finite; topU the
// expanded uncertainty of a value there, top itself where it is not known.
func NewMean(span time.Duration, top, topU quantity.PowerDensity) *Mean {
	if !(topU >= 0 && topU <= top) {
		topU = top
	}
	_, e := math.Frexp(8 * float64(top))
	m := &Mean{width: max(span/slots, 1), top: top, full: quantity.PowerDensity(math.Ldexp(1, e)), scale: math.Ldexp(1, 63-e)}
	m.roof, m.roofU = uint64(math.Ceil(float64(top)*m.scale)), uint64(math.Ceil(float64(topU)*m.scale))
	return m
}

// Observe adds the next stretch. Stretches come in order of time; what overlaps
// an earlier one is left out, and a gap between two is unseen.
func (m *Mean) Observe(st Stretch) {
	if m.started {
		st.From = max(st.From, m.end)
	}
	if st.To <= st.From {
		return
	}
	m.advance(st.To)
	m.end = st.To
	if st.Seen && !(math.IsNaN(float64(st.Lo)) || math.IsNaN(float64(st.Hi))) {
		m.add(&st)
	}
}

// add spreads a seen stretch over the slots it touches.
func (m *Mean) add(st *Stretch) {
	lo, up := m.quanta(st.Lo)
	hi, u, mark := up, m.roofU, uint64(0)
	if st.Hi != st.Lo {
		_, hi = m.quanta(st.Hi)
		hi = max(hi, lo)
	}
	switch {
	case st.Hi > m.full:
		hi, u, mark = 0, 0, overRange
	case st.Uncalibrated || !(st.U >= 0 && st.U <= m.full):
		hi = max(hi, m.roof)
	default:
		_, u = m.quanta(st.U)
	}
	if start := time.Duration(m.newest) * m.width; st.From < start {
		m.addOlder(max(st.From, start-slots*m.width), min(st.To, start), lo, hi, u, mark)
		st.From = start
	}
	if st.From < st.To { // most stretches lie in the newest slot
		m.open.add(uint64(st.To-st.From), lo, hi, u, mark)
	}
}

// quanta rounds a power density down and up. A field is never below zero; what
// exceeds the full scale is bounded by it from below.
func (m *Mean) quanta(v quantity.PowerDensity) (down, up uint64) {
	x := float64(v) * m.scale
	if !(x > 0) {
		return 0, 0
	}
	if x >= 1<<63 {
		return 1 << 63, 1 << 63
	}
	i := int64(x)
	if float64(i) < x {
		return uint64(i), uint64(i) + 1
	}
	return uint64(i), uint64(i)
}

// addOlder spreads a stretch over slots before the newest.
func (m *Mean) addOlder(from, to time.Duration, lo, hi, u, mark uint64) {
	for n := floorDiv(from, m.width); from < to; n++ {
		end := min(to, time.Duration(n+1)*m.width)
		p := &m.ring[index(n)]
		m.take(p)
		p.add(uint64(end-from), lo, hi, u, mark)
		m.put(p)
		from = end
	}
}

func (p *part) add(d, lo, hi, u, mark uint64) {
	p.seen = (p.seen | mark) + d
	low := product(lo, d)
	p.lo = p.lo.plus(low)
	if hi == lo {
		p.hi = p.hi.plus(low)
	} else {
		p.hi = p.hi.plus(product(hi, d))
	}
	p.u = p.u.plus(product(u, d))
}

// put adds a slot to the sum over the ring, and take takes it away.
func (m *Mean) put(p *part) {
	m.sum.lo, m.sum.hi, m.sum.u = m.sum.lo.plus(p.lo), m.sum.hi.plus(p.hi), m.sum.u.plus(p.u)
	m.sum.seen += p.seen &^ overRange
	m.over += int(p.seen >> 63)
}

func (m *Mean) take(p *part) {
	m.sum.lo, m.sum.hi, m.sum.u = m.sum.lo.minus(p.lo), m.sum.hi.minus(p.hi), m.sum.u.minus(p.u)
	m.sum.seen -= p.seen &^ overRange
	m.over -= int(p.seen >> 63)
}

// total is the sum over the whole window, and whether any of it was over range.
func (m *Mean) total() (t part, over bool) {
	t = part{m.sum.lo.plus(m.open.lo), m.sum.hi.plus(m.open.hi), m.sum.u.plus(m.open.u), m.sum.seen + m.open.seen&^overRange}
	return t, m.over > 0 || m.open.seen&overRange != 0
}

// advance moves the window so that its newest slot holds to, and is empty when
// it begins there.
func (m *Mean) advance(to time.Duration) {
	if m.started && to < time.Duration(m.newest+1)*m.width {
		return
	}
	n := floorDiv(to, m.width)
	if !m.started || n-m.newest > slots {
		m.ring, m.sum, m.over, m.open = [slots + 1]part{}, part{}, 0, part{}
		m.started, m.newest = true, n
		return
	}
	m.ring[index(m.newest)] = m.open
	m.put(&m.open)
	for m.open = (part{}); m.newest < n; {
		m.newest++
		if p := &m.ring[index(m.newest)]; p.seen != 0 {
			m.take(p)
			*p = part{}
		}
	}
}

// Against says whether the mean is known to be above l, or known to be at or
// below it, over the interval that ends at to; neither where its bounds lie about
// l. It compares without dividing.
func (m *Mean) Against(l quantity.PowerDensity) (above, kept bool, to time.Duration) {
	if !m.started {
		return false, false, 0
	}
	whole := uint64(m.end - m.begin())
	t, over := m.total()
	limit, _ := m.quanta(l)
	edge := product(limit, whole)
	above = edge.less(t.lo)
	hi := t.hi.plus(product(m.roof, whole-t.seen))
	return above, !over && !edge.less(hi), m.end
}

func (m *Mean) begin() time.Duration { return time.Duration(m.newest-slots) * m.width }

// Read returns all that is known of the mean as it stands at the end of the
// newest stretch. Time before the first stretch was not seen.
func (m *Mean) Read() Average {
	if !m.started {
		return Average{Hi: m.top, U: quantity.PowerDensity(float64(m.roofU) / m.scale)}
	}
	t, over := m.total()
	a := Average{From: m.begin(), To: m.end, Seen: time.Duration(t.seen)}
	whole := uint64(a.To - a.From)
	a.Lo = m.mean(t.lo, whole)
	a.Hi = m.mean(t.hi.plus(product(m.roof, whole-t.seen)), whole)
	if over {
		a.Hi = quantity.PowerDensity(math.Inf(1))
	}
	a.U = m.mean(t.u.plus(product(m.roofU, whole-t.seen)), whole)
	return a
}

// mean divides a sum by a time, in W/m².
func (m *Mean) mean(w wide, ns uint64) quantity.PowerDensity {
	q, r := bits.Div64(w.hi, w.lo, ns) // no value is above 2⁶³, so w.hi < ns
	return quantity.PowerDensity((float64(q) + float64(r)/float64(ns)) / m.scale)
}

// wide is a whole number of 128 bits: a day in nanoseconds takes 47, a power
// density 63.
type wide struct{ hi, lo uint64 }

func product(a, b uint64) wide {
	hi, lo := bits.Mul64(a, b)
	return wide{hi, lo}
}

func (w wide) plus(x wide) wide {
	lo, carry := bits.Add64(w.lo, x.lo, 0)
	hi, _ := bits.Add64(w.hi, x.hi, carry)
	return wide{hi, lo}
}

func (w wide) minus(x wide) wide {
	lo, borrow := bits.Sub64(w.lo, x.lo, 0)
	hi, _ := bits.Sub64(w.hi, x.hi, borrow)
	return wide{hi, lo}
}

func (w wide) less(x wide) bool { return w.hi < x.hi || w.hi == x.hi && w.lo < x.lo }

// floorDiv is the number of the slot that holds t.
func floorDiv(t, width time.Duration) int64 {
	n := int64(t / width)
	if t < 0 && t%width != 0 {
		n--
	}
	return n
}
