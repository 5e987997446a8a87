package limit

import (
	"math"
	"time"

	"ovenward/acquire/quantity"
)

// flow is the sum of one field over all time since its first stretch, by its
// bounds. All windows on the field look back to what it had come to earlier, so that
// a stretch is summed once, however many they are. It counts to 2¹²⁸ and may
// wrap below zero: only differences are looked at, and of 292 years at full scale
// these are below 2¹²⁷.
type flow struct {
	quanta
	windows []*Mean

	sum     part          // up to end
	end     time.Duration // of the newest stretch
	next    time.Duration // when the next slot of any window begins
	started bool
	over    time.Duration // end of the newest stretch over range
	wasOver bool
}

// newFlow begins a flow of values of one probe; top and topU are those of
// NewMean.
func newFlow(top, topU quantity.PowerDensity) *flow {
	if !(topU >= 0 && topU <= top) {
		topU = top
	}
	return &flow{quanta: newQuanta(top, topU)}
}

// window adds a window. It must be called before anything is observed.
func (f *flow) window(span time.Duration) *Mean {
	m := &Mean{flow: f, width: max(span/slots, 1)}
	f.windows = append(f.windows, m)
	return m
}

// rate is by how much a flow grows in a nanosecond.
type rate struct {
	lo, hi, u, seen uint64 // quanta; seen is 1 or 0
	over            bool   // there is no upper bound
}

// part is what a flow comes to. Densities are in quanta times nanoseconds.
type part struct {
	lo, hi, u wide
	seen      uint64 // ns
}

// grow adds what a rate comes to in a time, which is not below zero.
func (p *part) grow(r *rate, d time.Duration) {
	ns := uint64(d)
	p.lo = p.lo.plus(product(r.lo, ns))
	p.hi = p.hi.plus(product(r.hi, ns))
	p.u = p.u.plus(product(r.u, ns))
	p.seen += r.seen * ns
}

func (p *part) minus(o *part) {
	p.lo, p.hi, p.u = p.lo.minus(o.lo), p.hi.minus(o.hi), p.u.minus(o.u)
	p.seen -= o.seen
}

// observe adds a stretch, and says whether a slot of any window began with it, the first ones too.
func (f *flow) observe(st *Stretch) (turned bool) {
	lo, hi, u := float64(st.Lo)*f.scale, float64(st.Hi)*f.scale, float64(st.U)*f.scale
	if st.From != f.end || st.To <= f.end || !f.started || !st.Seen || st.Uncalibrated ||
		!(lo >= 0 && lo <= hi && hi < most && u >= 0 && u < most) {
		return f.unevenly(st)
	}
	// Mostly a stretch goes on where the last one ended, and all of it is known: this
	// comes to what sift makes of it.
	down, up, doubt := uint64(int64(lo)), ceil(hi), ceil(u)
	if st.To >= f.next {
		turned = true
		f.turn(&rate{lo: down, hi: up, u: doubt, seen: 1}, st.To)
	}
	ns := uint64(st.To - f.end)
	f.sum.lo = f.sum.lo.plus(product(down, ns))
	f.sum.hi = f.sum.hi.plus(product(up, ns))
	f.sum.u = f.sum.u.plus(product(doubt, ns))
	f.sum.seen += ns
	f.end = st.To
	return turned
}

// unevenly adds any stretch.
func (f *flow) unevenly(st *Stretch) (turned bool) {
	from := st.From
	if f.started {
		from = max(from, f.end)
	}
	if st.To <= from {
		return false
	}
	switch {
	case !f.started:
		f.start(from)
		turned = true
	case from > f.end:
		turned = f.pass(&f.unseen, from)
	}
	var r rate
	f.sift(st, &r)
	return f.pass(&r, st.To) || turned
}

func (f *flow) start(at time.Duration) {
	f.started, f.end, f.next = true, at, math.MaxInt64
	for _, m := range f.windows {
		m.start()
		f.next = min(f.next, m.next)
	}
}

// pass lets time go on to an instant.
func (f *flow) pass(r *rate, to time.Duration) (turned bool) {
	if turned = to >= f.next; turned {
		f.turn(r, to)
	}
	f.sum.grow(r, to-f.end)
	f.end = to
	if r.over {
		f.over, f.wasOver = to, true
	}
	return turned
}

// turn begins the slots that begin up to an instant, until which the flow goes on at r.
func (f *flow) turn(r *rate, to time.Duration) {
	f.next = math.MaxInt64
	for _, m := range f.windows {
		if to >= m.next {
			m.advance(r, to)
		}
		f.next = min(f.next, m.next)
	}
}

// sift turns the field of a stretch into quanta. What nobody vouches for counts
// from above as the top of the range does.
func (f *flow) sift(st *Stretch, r *rate) {
	if !st.Seen || st.Lo != st.Lo || st.Hi != st.Hi { // not a number is unseen
		*r = f.unseen
		return
	}
	r.lo, r.hi = f.round(st.Lo)
	r.u, r.seen = f.unseen.u, 1
	if st.Hi != st.Lo {
		_, r.hi = f.round(st.Hi)
		r.hi = max(r.hi, r.lo)
	}
	switch {
	case st.Hi > f.full:
		r.hi, r.u, r.over = 0, 0, true
	case st.Uncalibrated || !(st.U >= 0 && st.U <= f.full):
		r.hi = max(r.hi, f.unseen.hi)
	default:
		_, r.u = f.round(st.U)
	}
}
