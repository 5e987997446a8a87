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
	quanta

	total   part            // over the whole window, its time without the mark
	ring    [slots + 1]part // but for the newest slot
	before  part            // over the ring, its time without the mark; total less this is the newest slot
	over    int             // slots of the ring that hold over-range
	marked  bool            // the newest slot holds over-range
	newest  int64           // number of the newest slot
	from    time.Duration   // where that begins
	started bool
	end     time.Duration // of the newest stretch
}

// NewMean starts a window of span, a whole number of microseconds, with nothing
// seen. top is the top of the probe's range, W/m²: positive and finite; topU the
// expanded uncertainty of a value there, top itself where it is not known.
func NewMean(span time.Duration, top, topU quantity.PowerDensity) *Mean {
	if !(topU >= 0 && topU <= top) {
		topU = top
	}
	return &Mean{width: max(span/slots, 1), quanta: newQuanta(top, topU)}
}

// Observe adds the next stretch. Stretches come in order of time; what overlaps
// an earlier one is left out, and a gap between two is unseen.
func (m *Mean) Observe(st Stretch) {
	x := m.sift(&st)
	m.observe(&x)
}

// observe adds a stretch in quanta.
func (m *Mean) observe(x *sifted) {
	if m.started && x.from < m.end { // rare: only a part of it is new
		y := *x
		y.from = m.end
		y.multiply()
		x = &y
	}
	if x.to <= x.from {
		return
	}
	if !m.started || x.to >= m.from+m.width {
		m.advance(x.to)
	}
	m.end = x.to
	switch {
	case !x.seen:
	case x.from >= m.from: // most stretches lie in the newest slot
		m.total.plus(&x.part)
		m.marked = m.marked || x.mark != 0
	default:
		m.addOlder(x)
	}
}

// addOlder spreads a stretch over the slots before the newest, and puts the rest
// into that.
func (m *Mean) addOlder(x *sifted) {
	y := *x
	y.from = max(x.from, m.from-slots*m.width)
	for n := floorDiv(y.from, m.width); y.from < min(x.to, m.from); n++ {
		y.to = min(x.to, m.from, time.Duration(n+1)*m.width)
		y.multiply()
		p := &m.ring[index(n)]
		m.over -= int(p.seen >> 63)
		p.plus(&y.part)
		p.seen |= y.mark
		m.over += int(p.seen >> 63)
		m.before.plus(&y.part)
		m.total.plus(&y.part)
		y.from = y.to
	}
	if y.to = x.to; y.from < y.to {
		y.multiply()
		m.total.plus(&y.part)
		m.marked = m.marked || y.mark != 0
	}
}

// advance moves the window so that its newest slot holds to, and is empty when
// it begins there.
func (m *Mean) advance(to time.Duration) {
	n := floorDiv(to, m.width)
	if !m.started || n-m.newest > slots {
		m.ring, m.before, m.total, m.over, m.marked = [slots + 1]part{}, part{}, part{}, 0, false
		m.started, m.newest, m.from = true, n, time.Duration(n)*m.width
		return
	}
	closed := m.total
	closed.minus(&m.before)
	if m.before = m.total; m.marked {
		closed.seen |= overRange
		m.over++
	}
	m.ring[index(m.newest)], m.marked = closed, false
	for i := index(m.newest); m.newest < n; {
		m.newest++
		if i++; i > slots {
			i = 0
		}
		if p := &m.ring[i]; p.seen != 0 {
			m.over -= int(p.seen >> 63)
			p.seen &^= overRange
			m.total.minus(p)
			m.before.minus(p)
			*p = part{}
		}
	}
	m.from = time.Duration(n) * m.width
}

// Against says whether the mean is known to be above l, or known to be at or
// below it, over the interval that ends at to; neither where its bounds lie about
// l. It compares without dividing.
func (m *Mean) Against(l quantity.PowerDensity) (above, kept bool, to time.Duration) {
	limit, _ := m.round(l)
	return m.against(limit)
}

// against is Against of a limit in quanta, rounded down.
func (m *Mean) against(limit uint64) (above, kept bool, to time.Duration) {
	if !m.started {
		return false, false, 0
	}
	whole := uint64(m.end - m.begin())
	edge := product(limit, whole)
	hi := m.total.hi.plus(product(m.roof, whole-m.total.seen))
	return edge.less(m.total.lo), m.over == 0 && !m.marked && !edge.less(hi), m.end
}

func (m *Mean) begin() time.Duration { return m.from - slots*m.width }

// Read returns all that is known of the mean as it stands at the end of the
// newest stretch. Time before the first stretch was not seen.
func (m *Mean) Read() Average {
	if !m.started {
		return Average{Hi: m.top, U: quantity.PowerDensity(float64(m.roofU) / m.scale)}
	}
	t := &m.total
	a := Average{From: m.begin(), To: m.end, Seen: time.Duration(t.seen)}
	whole := uint64(a.To - a.From)
	a.Lo = m.mean(t.lo, whole)
	a.Hi = m.mean(t.hi.plus(product(m.roof, whole-t.seen)), whole)
	if m.over > 0 || m.marked {
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

// floorDiv is the number of the slot that holds t.
func floorDiv(t, width time.Duration) int64 {
	n := int64(t / width)
	if t < 0 && t%width != 0 {
		n--
	}
	return n
}
