package chunk

import "math/bits"

// A channel is one number of a template, row after row. Each is coded as what
// it differs from what was expected; how much it did so of late is the context
// that chooses the table.

// A channel's way to expect: the number before, a mean of those before that
// weighs the newest with at least 2^-n, or a straight line through the last
// two.
const (
	wayLast   = 0
	wayMean   = 7 // ways 1 to 7: n
	wayLine   = 8
	ways      = 9
	fraction  = 8 // bits behind the point of a mean
	contexts  = 32
	calmer    = 3 // bits: how slowly what is usual follows
	startsUse = 64
)

// level is a height about which numbers stay for a while.
type level struct {
	mean  int64
	usual uint64 // 16 × the mean of what numbers differ by, as zigzag
	n     int    // numbers since it began
}

// expect is what a channel expects. On a jump it goes back to the level before,
// if that is nearer: an oven goes on and off.
type expect struct {
	level
	other   level
	last    int64
	slope   int64
	context int // one of contexts; without the newest number, so that reading need not wait for that
	way     uint8
	frac    uint8
}

// begin is the state before the second number of a block.
func (x *expect) begin(way uint8, first int64) {
	*x = expect{way: way, last: first}
	if way >= 1 && way <= wayMean {
		x.frac = fraction
	}
	x.mean, x.usual, x.context = first<<x.frac, startsUse, contextOf(startsUse)
	x.other = x.level
}

// next is the number expected.
func (x *expect) next() int64 {
	if x.way == wayLine {
		return x.last + x.slope
	}
	return (x.mean + 1<<x.frac>>1) >> x.frac
}

// contextOf is one of contexts: two an octave.
func contextOf(usual uint64) int {
	usual |= 2
	n := bits.Len64(usual)
	return min(contexts-1, 2*n-3+int(usual>>((n-2)&63)&1))
}

// take learns that v came, which differs by z.
func (x *expect) take(v int64, z uint64) {
	if x.way == wayLine {
		x.last, x.slope = v, v-x.last
	} else if 2*z > x.usual && z > direct {
		x.jump(v, z)
		return
	} else {
		weight := min(int(x.way), bits.Len(uint(x.n+1)))
		x.mean += (v<<x.frac - x.mean) >> weight
		x.n++
	}
	x.context = contextOf(x.usual)
	x.usual += min(z, 1<<32)<<(4-calmer) - x.usual>>calmer
}

// jump takes a number that is far off.
func (x *expect) jump(v int64, z uint64) {
	now := x.level
	back := zigzag(v - x.other.mean>>x.frac)
	if x.level = x.other; back > max(x.usual>>1, direct) {
		x.level = level{mean: v << x.frac, usual: max(min(z, 1<<32), 16)}
	}
	x.other, x.context = now, contextOf(x.usual)
}
