package limit

import (
	"math"
	"math/bits"
	"time"

	"ovenward/acquire/quantity"
)

// quanta turns power densities into whole numbers, outwards, as integer means
// need them.
type quanta struct {
	top   quantity.PowerDensity // of the probe's range
	full  quantity.PowerDensity // full scale, a power of two
	scale float64               // quanta in 1 W/m²; a power of two
	roof  uint64                // top, in quanta, rounded up
	roofU uint64                // uncertainty of the top, in quanta, rounded up
}

func newQuanta(top, topU quantity.PowerDensity) quanta {
	_, e := math.Frexp(8 * float64(top))
	scale := math.Ldexp(1, 63-e)
	return quanta{top: top, full: quantity.PowerDensity(math.Ldexp(1, e)), scale: scale,
		roof: uint64(math.Ceil(float64(top) * scale)), roofU: uint64(math.Ceil(float64(topU) * scale))}
}

// round rounds a power density down and up. A field is never below zero; what
// exceeds the full scale is bounded by it from below.
func (q *quanta) round(v quantity.PowerDensity) (down, up uint64) {
	x := float64(v) * q.scale
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

// sifted is a stretch in quanta, with its products over the time it took.
type sifted struct {
	from, to  time.Duration
	seen      bool
	lo, hi, u uint64
	mark      uint64 // overRange or 0
	part      part   // without the mark
}

// sift turns a stretch into quanta. What nobody vouches for counts from above
// as the top of the range does.
func (q *quanta) sift(st *Stretch) sifted {
	x := sifted{from: st.From, to: st.To}
	if !st.Seen || st.Lo != st.Lo || st.Hi != st.Hi { // not a number is unseen
		return x
	}
	x.seen = true
	x.lo, x.hi = q.round(st.Lo)
	x.u = q.roofU
	if st.Hi != st.Lo {
		_, x.hi = q.round(st.Hi)
		x.hi = max(x.hi, x.lo)
	}
	switch {
	case st.Hi > q.full:
		x.hi, x.u, x.mark = 0, 0, overRange
	case st.Uncalibrated || !(st.U >= 0 && st.U <= q.full):
		x.hi = max(x.hi, q.roof)
	default:
		_, x.u = q.round(st.U)
	}
	x.multiply()
	return x
}

// multiply makes the products anew for the time from from to to.
func (x *sifted) multiply() {
	d := uint64(max(x.to-x.from, 0))
	x.part = part{lo: product(x.lo, d), hi: product(x.hi, d), u: product(x.u, d), seen: d}
}

// part is what one slot holds. Densities are in quanta times nanoseconds.
type part struct {
	lo, hi, u wide
	seen      uint64 // ns, with overRange as its highest bit
}

// overRange marks a part that has no upper bound.
const overRange = uint64(1) << 63

// plus adds a part that bears no mark.
func (p *part) plus(o *part) {
	p.lo, p.hi, p.u = p.lo.plus(o.lo), p.hi.plus(o.hi), p.u.plus(o.u)
	p.seen += o.seen
}

// minus takes a part away that bears no mark.
func (p *part) minus(o *part) {
	p.lo, p.hi, p.u = p.lo.minus(o.lo), p.hi.minus(o.hi), p.u.minus(o.u)
	p.seen -= o.seen
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
