package limit

import (
	"math"
	"math/bits"

	"ovenward/acquire/quantity"
)

// quanta turns power densities into whole numbers, outwards, as integer means
// need them.
type quanta struct {
	top   quantity.PowerDensity // of the probe's range
	full  quantity.PowerDensity // full scale, a power of two
	scale float64               // quanta in 1 W/m²; a power of two

	unseen rate // that of a field of which nothing is known: between nothing and the top, rounded up
}

func newQuanta(top, topU quantity.PowerDensity) quanta {
	_, e := math.Frexp(8 * float64(top))
	scale := math.Ldexp(1, 63-e)
	return quanta{top: top, full: quantity.PowerDensity(math.Ldexp(1, e)), scale: scale,
		unseen: rate{hi: uint64(math.Ceil(float64(top) * scale)), u: uint64(math.Ceil(float64(topU) * scale))}}
}

// round rounds a power density down and up. A field is never below zero; what
// exceeds the full scale is bounded by it from below.
func (q *quanta) round(v quantity.PowerDensity) (down, up uint64) {
	x := float64(v) * q.scale
	if !(x > 0) {
		return 0, 0
	}
	if x >= most {
		return most, most
	}
	return uint64(int64(x)), ceil(x)
}

// most is as many quanta as the full scale has.
const most = 1 << 63

// ceil rounds up what is not below zero, and below most.
func ceil(x float64) uint64 {
	i := int64(x)
	if float64(i) < x {
		i++
	}
	return uint64(i)
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
