package store

import (
	"encoding/binary"
	"errors"
	"math"
	"time"

	"ovenward/acquire"
)

// Sums is what the samples of a stretch of time come to. Nothing is averaged
// away: what was not seen, and what is wrong with samples, is counted.
type Sums struct {
	Samples int64    // of any quality
	Values  int64    // with a number that counts: neither fault nor over-range
	Classes [6]int64 // samples by acquire.Classes
	// W/m², corrected as when they were recorded, or as indicated where sums were made after
	// the correction was lost; NaN without Values.
	Min, Max, Sum, First, Last float64
	Integral                   float64       // J/m² over Seen: each value holds until the next sample, for at most the stale time
	Seen                       time.Duration // that values cover
	OverRange                  time.Duration // that over-range covers; the rest is unseen
}

// Mean is the mean over the time that was seen, NaN when none was.
func (s *Sums) Mean() float64 {
	if s.Seen > 0 {
		return s.Integral / s.Seen.Seconds()
	}
	if s.Values > 0 {
		return s.Sum / float64(s.Values)
	}
	return math.NaN()
}

// entry is Sums as they are kept: where all values lie on one straight line of
// digits, in digits, exactly.
type entry struct {
	Sums
	straight       bool
	Factor, Offset float64 // W/m² = Factor × digits + Offset
	D              [5]int64
	DIntegral      int64 // digits × µs
}

// The places in entry.D.
const (
	dMin = iota
	dMax
	dSum
	dFirst
	dLast
)

// maxDigits is the most that is summed as digits; more would not fit an int64.
const maxDigits = 1 << 30

func emptySums() Sums {
	nan := math.NaN()
	return Sums{Min: nan, Max: nan, Sum: nan, First: nan, Last: nan}
}

// merge takes in what follows e in time.
func (e *entry) merge(n *entry) {
	e.Samples, e.Seen, e.OverRange = e.Samples+n.Samples, e.Seen+n.Seen, e.OverRange+n.OverRange
	for i := range e.Classes {
		e.Classes[i] += n.Classes[i]
	}
	e.Integral += n.Integral
	empty := e.Values == 0 && e.Seen == n.Seen
	switch {
	case n.Values == 0 && n.Seen == 0:
	case empty:
		e.straight, e.Factor, e.Offset, e.D, e.DIntegral = n.straight, n.Factor, n.Offset, n.D, n.DIntegral
	case !n.straight || n.Factor != e.Factor || n.Offset != e.Offset:
		e.straight = false
	default:
		e.DIntegral += n.DIntegral
		if n.Values > 0 {
			if e.Values == 0 {
				e.D = n.D
			} else {
				e.D[dMin], e.D[dMax] = min(e.D[dMin], n.D[dMin]), max(e.D[dMax], n.D[dMax])
				e.D[dSum], e.D[dLast] = e.D[dSum]+n.D[dSum], n.D[dLast]
			}
		}
		if e.D[dSum] > 1<<60 || e.D[dSum] < -1<<60 || e.DIntegral > 1<<61 || e.DIntegral < -1<<61 {
			e.straight = false
		}
	}
	if n.Values == 0 {
		return
	}
	if e.Values == 0 {
		e.Min, e.Max, e.Sum, e.First, e.Last, e.Values = n.Min, n.Max, n.Sum, n.First, n.Last, n.Values
		return
	}
	e.Min, e.Max, e.Sum, e.Last, e.Values = min(e.Min, n.Min), max(e.Max, n.Max), e.Sum+n.Sum, n.Last, e.Values+n.Values
}

// reading is a sample as it is summed.
type reading struct {
	at             int64
	quality        acquire.Quality
	s              float64 // NaN: no number
	hold           int64   // ns
	straight       bool
	factor, offset float64
	digits         int64
}

// tally sums readings into stretches of one width, the first from origin on; emit
// is called for each that holds anything, in order, when it is over.
type tally struct {
	origin, width int64
	emit          func(place int64, e *entry)

	place int64
	cur   entry
	begun bool
	last  reading
	has   bool
}

func (t *tally) placeOf(at int64) int64 { return floorDiv(at-t.origin, t.width) }

// add takes in the next reading.
func (t *tally) add(r *reading) {
	if t.has {
		t.cover(r.at)
	}
	t.moveTo(t.placeOf(r.at))
	one := entry{Sums: emptySums()}
	one.Samples = 1
	one.Classes[r.quality.Class()] = 1
	if !math.IsNaN(r.s) && r.quality&(acquire.Fault|acquire.OverRange) == 0 {
		one.Values, one.Min, one.Max, one.Sum, one.First, one.Last = 1, r.s, r.s, r.s, r.s, r.s
		if one.straight = r.straight && r.digits < maxDigits && r.digits > -maxDigits; one.straight {
			one.Factor, one.Offset = r.factor, r.offset
			one.D = [5]int64{r.digits, r.digits, r.digits, r.digits, r.digits}
		}
	}
	t.cur.merge(&one)
	t.last, t.has = *r, true
}

// cover gives the time from the last reading until at, for as long as it holds,
// to the stretches that it lies in.
func (t *tally) cover(until int64) {
	r := &t.last
	counts := !math.IsNaN(r.s) && r.quality&acquire.Fault == 0 || r.quality&acquire.OverRange != 0
	end := min(until, r.at+max(r.hold, 0))
	for at := r.at; counts && at < end; {
		p := t.placeOf(at)
		t.moveTo(p)
		to := min(end, t.origin+(p+1)*t.width)
		part := entry{Sums: emptySums()}
		if r.quality&acquire.OverRange != 0 {
			part.OverRange = time.Duration(to - at)
		} else {
			part.Seen, part.Integral = time.Duration(to-at), r.s*float64(to-at)/1e9
			if part.straight = r.straight && r.digits < maxDigits && r.digits > -maxDigits; part.straight {
				part.Factor, part.Offset, part.DIntegral = r.factor, r.offset, r.digits*((to-at)/1000)
			}
		}
		t.cur.merge(&part)
		at = to
	}
}

// moveTo ends the stretches before place.
func (t *tally) moveTo(place int64) {
	if t.begun && place == t.place {
		return
	}
	t.flush()
	t.place, t.begun, t.cur = place, true, entry{Sums: emptySums()}
}

// flush emits the stretch under way.
func (t *tally) flush() {
	if t.begun && (t.cur.Samples > 0 || t.cur.Seen > 0 || t.cur.OverRange > 0) {
		t.emit(t.place, &t.cur)
	}
	t.begun = false
}

// The bits that begin an entry in a blob.
const (
	hasLine   = 1 << iota // factor and offset follow, 8 bytes each
	isFloat               // values follow as floats, not as digits
	hasValues             // there is at least one value, or seen time
	hasBad                // counts by quality and over-range time follow
)

// appendEntry appends the entry of a place to a blob, after the entry before it,
// whose place and line are given. Numbers are varints, those that may be negative
// zigzag. In order: steps from the place before, bits, samples, samples less
// values, seen time less a whole width in µs; by the bits: six counts by quality
// and over-range time in µs; factor and offset; least value, and from it most,
// first and last; sum less the middle of least and most for each value; integral
// in digits × ms less the mean of the values for the seen time. Or six floats:
// least, most, sum, first, last, integral.
func appendEntry(b []byte, place int64, e *entry, before int64, line *[2]float64, width int64) []byte {
	bits := byte(0)
	if e.Values > 0 || e.Seen > 0 {
		bits |= hasValues
		if !e.straight {
			bits |= isFloat
		} else if line[0] != e.Factor || line[1] != e.Offset {
			bits |= hasLine
		}
	}
	if e.Classes[5] != e.Samples || e.OverRange > 0 {
		bits |= hasBad
	}
	b = append(binary.AppendVarint(b, place-before), bits)
	b = binary.AppendUvarint(binary.AppendUvarint(b, uint64(e.Samples)), uint64(e.Samples-e.Values))
	b = binary.AppendUvarint(b, uint64(max(0, width-int64(e.Seen))/1000))
	if bits&hasBad != 0 {
		for _, n := range e.Classes {
			b = binary.AppendUvarint(b, uint64(n))
		}
		b = binary.AppendUvarint(b, uint64(e.OverRange/1000))
	}
	if bits&hasLine != 0 {
		*line = [2]float64{e.Factor, e.Offset}
		b = appendFloats(b, e.Factor, e.Offset)
	}
	switch {
	case bits&isFloat != 0:
		b = appendFloats(b, e.Min, e.Max, e.Sum, e.First, e.Last, e.Integral)
	case bits&hasValues != 0:
		d := &e.D
		b = binary.AppendVarint(b, d[dMin])
		for _, i := range []int{dMax, dFirst, dLast} {
			b = binary.AppendUvarint(b, uint64(d[i]-d[dMin]))
		}
		b = binary.AppendVarint(b, d[dSum]-e.Values*((d[dMin]+d[dMax])/2))
		b = binary.AppendVarint(b, (e.DIntegral-e.usual())/1000)
	}
	return b
}

// usual is the integral, in digits × µs, if all values held equally long.
func (e *entry) usual() int64 {
	if e.Values == 0 {
		return 0
	}
	return int64(float64(e.D[dSum]) / float64(e.Values) * float64(e.Seen/1000))
}

func appendFloats(b []byte, all ...float64) []byte {
	for _, f := range all {
		b = binary.LittleEndian.AppendUint64(b, math.Float64bits(f))
	}
	return b
}

var errSums = errors.New("sums in the record are damaged; they can be made again from the samples: ovenward verify --rebuild")

// readEntries calls f for each entry of a blob.
func readEntries(b []byte, first, width int64, f func(place int64, e *entry)) error {
	place, line := first, [2]float64{}
	r := sumBytes{b: b}
	for len(r.b) > 0 && !r.bad {
		place += r.int()
		if len(r.b) == 0 {
			return errSums
		}
		if e := r.entry(width, &line); !r.bad {
			f(place, &e)
		}
	}
	if r.bad {
		return errSums
	}
	return nil
}

// sumBytes is what is left of packed sums. After what cannot be read all is zero.
type sumBytes struct {
	b   []byte
	bad bool
}

func (r *sumBytes) uint() int64 {
	v, n := binary.Uvarint(r.b)
	if r.bad = r.bad || n <= 0; r.bad {
		return 0
	}
	r.b = r.b[n:]
	return int64(v)
}

func (r *sumBytes) int() int64 {
	v, n := binary.Varint(r.b)
	if r.bad = r.bad || n <= 0; r.bad {
		return 0
	}
	r.b = r.b[n:]
	return v
}

func (r *sumBytes) float() float64 {
	if r.bad = r.bad || len(r.b) < 8; r.bad {
		return 0
	}
	v := math.Float64frombits(binary.LittleEndian.Uint64(r.b))
	r.b = r.b[8:]
	return v
}

// entry reads one behind its place. line is the straight line of the one before, and
// becomes this one's.
func (r *sumBytes) entry(width int64, line *[2]float64) entry {
	bits := r.b[0]
	r.b = r.b[1:]
	e := entry{Sums: emptySums()}
	e.Samples = r.uint()
	e.Values = e.Samples - r.uint()
	e.Seen = time.Duration(max(0, width-r.uint()*1000))
	e.Classes[5] = e.Samples
	if bits&hasBad != 0 {
		for i := range e.Classes {
			e.Classes[i] = r.uint()
		}
		e.OverRange = time.Duration(r.uint() * 1000)
	}
	if bits&hasLine != 0 {
		*line = [2]float64{r.float(), r.float()}
	}
	switch {
	case bits&isFloat != 0:
		e.Min, e.Max, e.Sum, e.First, e.Last, e.Integral = r.float(), r.float(), r.float(), r.float(), r.float(), r.float()
	case bits&hasValues != 0:
		d := &e.D
		d[dMin] = r.int()
		d[dMax], d[dFirst], d[dLast] = d[dMin]+r.uint(), d[dMin]+r.uint(), d[dMin]+r.uint()
		d[dSum] = r.int() + e.Values*((d[dMin]+d[dMax])/2)
		e.DIntegral = r.int()*1000 + e.usual()
		e.straight, e.Factor, e.Offset = true, line[0], line[1]
		e.fromDigits()
	}
	return e
}

// fromDigits makes the values from the digits.
func (e *entry) fromDigits() {
	at := func(d int64) float64 { return e.Factor*float64(d) + e.Offset }
	e.Integral = (e.Factor*float64(e.DIntegral) + e.Offset*float64(e.Seen/1000)) / 1e6
	if e.Values == 0 {
		return
	}
	e.Min, e.Max, e.First, e.Last = at(e.D[dMin]), at(e.D[dMax]), at(e.D[dFirst]), at(e.D[dLast])
	if e.Factor < 0 {
		e.Min, e.Max = e.Max, e.Min
	}
	e.Sum = e.Factor*float64(e.D[dSum]) + e.Offset*float64(e.Values)
}
