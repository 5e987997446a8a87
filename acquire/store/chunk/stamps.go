package chunk

import "slices"

// line says when rows are expected, in steps of the chunk's resolution from the
// block's first row on, with 16 bits behind the point. A station asks on a
// schedule, so the line stays as it is and what is left is jitter; where in a
// step it falls tells how that is rounded, and chooses the table. A post that
// keeps no schedule is expected one slope after the row before.
type line struct {
	at, slope int64
	way       uint8
	last      int // symbol
}

// How a line takes an instant that differs from it.
const (
	lineStays   = 0
	lineLeans   = 1 // by a sixteenth of it
	lineFollows = 2 // from the newest instant on
	lineWays    = 3
)

const (
	stampBits     = 16
	stampContexts = 16
)

// next moves on to the next row, and returns what is expected and the context.
func (l *line) next() (at int64, context int) {
	l.at += l.slope
	x := l.at + 1<<(stampBits-1)
	if l.way == lineFollows {
		return x >> stampBits, min(l.last, stampContexts-1)
	}
	return x >> stampBits, int(x >> (stampBits - 4) & (stampContexts - 1))
}

// take learns that at came, which differs by e. What is off by half a slope and
// more moves the line by whole slopes: polls were left out.
func (l *line) take(at, e int64, symbol uint8) {
	if far := e << stampBits; l.slope > 0 && l.way != lineFollows && (far >= l.slope/2 || far <= -l.slope/2) {
		l.at += (far + l.slope/2) / l.slope * l.slope
		if rest := at<<stampBits - l.at; rest > 8<<stampBits || rest < -8<<stampBits {
			l.at = at << stampBits
		}
		return
	}
	switch l.way {
	case lineLeans:
		l.at += e << (stampBits - 4)
	case lineFollows:
		l.at, l.last = at<<stampBits, int(symbol)
	}
}

// fit lays a line through the instants of a block, each in steps from the first
// on. usual is the slope of the chunk.
func fit(at []int64, usual int64) (start, slope int64) {
	if len(at) < 3 || usual <= 0 {
		return 0, usual
	}
	var n, x, y, xx, xy float64
	row := 0.0
	for i, a := range at {
		if i > 0 {
			row += float64(((a-at[i-1])<<stampBits + usual/2) / usual)
		}
		n, x, y, xx, xy = n+1, x+row, y+float64(a), xx+row*row, xy+row*float64(a)
	}
	if d := n*xx - x*x; d > 0 {
		s := (n*xy - x*y) / d
		b := (y - s*x) / n
		slope, start = int64(s*(1<<stampBits)), int64(b*(1<<stampBits))
	}
	// A line that is far from the usual one fits nothing.
	if off := slope - usual; off > usual/16 || off < -usual/16 || start > usual || start < -usual {
		return 0, usual
	}
	return start &^ 0xff, slope
}

// usualSlope is the median of the steps, of which 1 000 to 2 000 tell enough.
func usualSlope(at []int64, scratch []int64) (int64, []int64) {
	scratch = scratch[:0]
	for i := 1; i < len(at); i += 1 + len(at)/2000 {
		scratch = append(scratch, at[i]-at[i-1])
	}
	if len(scratch) == 0 {
		return 0, scratch
	}
	slices.Sort(scratch)
	return scratch[len(scratch)/2] << stampBits, scratch
}

// resolutions are what instants may be whole multiples of, in ns.
func resolutions() [10]int64 { return [10]int64{1, 10, 100, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9} }

// resolution returns the greatest that all instants are multiples of.
func resolution(at []int64) uint8 {
	all := resolutions()
	best := uint8(6) // finer than a second, so that jitter stays visible
	for i := range at {
		for at[i]%all[best] != 0 {
			best--
		}
	}
	return best
}

// stampTokens chooses the way of the line, and codes the instants.
func (d *dense) stampTokens() {
	res := resolutions()[d.res]
	for i := range d.at {
		d.at[i] /= res
	}
	d.slope, d.scratch = usualSlope(d.at, d.scratch)
	best := -1
	for way := range uint8(lineWays) {
		cost := 0
		d.eachStamp(way, 8, func(_ int, z uint64) { cost += sixteenths(z) })
		if best < 0 || cost < best {
			best, d.lineWay = cost, way
		}
	}
	d.eachStamp(d.lineWay, len(d.blocks), func(context int, z uint64) {
		d.stamps = append(d.stamps, d.token(uint32(histStamps+context), z))
	})
}

// eachStamp calls f for all rows of the first blocks but each block's first.
func (d *dense) eachStamp(way uint8, blocks int, f func(context int, z uint64)) {
	d.lines = d.lines[:0]
	from := 0
	for _, end := range d.blocks[:min(blocks, len(d.blocks))] {
		at := d.at[from:end]
		first := at[0]
		d.scratch = d.scratch[:0]
		for _, a := range at {
			d.scratch = append(d.scratch, a-first)
		}
		start, slope := int64(0), d.slope
		if way != lineFollows {
			start, slope = fit(d.scratch, d.slope)
		}
		d.lines = append(d.lines, [2]int64{start, slope})
		l := line{at: start, slope: slope, way: way}
		for _, a := range d.scratch[1:] {
			want, context := l.next()
			z := zigzag(a - want)
			f(context, z)
			s, _ := symbolOf(z)
			l.take(a, a-want, s)
		}
		from = end
	}
}
