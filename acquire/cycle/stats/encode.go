package stats

import (
	"encoding/binary"
	"errors"
	"math"
	"slices"
	"time"

	"ovenward/acquire/quantity"
)

// encodingVersion is the first byte of an encoded Summary. One of withoutCalibration
// does not say what of it a certificate covered, and counted as seen what lay so far
// below zero that the zero was off.
const (
	encodingVersion    = 2
	withoutCalibration = 1
)

var errEncoding = errors.New("this is no summary of this program's")

// MarshalBinary encodes all that a Summary holds: numbers as varints, values as
// their 64 bits. The same Summary makes the same bytes.
func (s *Summary) MarshalBinary() ([]byte, error) {
	b := []byte{encodingVersion}
	for _, d := range []*Distribution{&s.On, &s.Off} {
		b = d.append(b)
	}
	b = binary.AppendUvarint(b, uint64(s.Peaks.n))
	for _, p := range s.Peaks.all[:s.Peaks.n] {
		b = appendTime(b, p.At)
		b = appendFloat(b, float64(p.S))
		b = append(b, bit(p.Over))
	}
	b = binary.AppendUvarint(b, uint64(len(s.Levels)))
	for _, e := range s.Levels {
		b = appendFloat(b, float64(e.Level))
		b = binary.AppendUvarint(b, uint64(e.Count))
		b = binary.AppendVarint(b, int64(e.Above))
		b = appendTime(appendTime(b, e.First), e.Last)
		b = append(b, bit(e.beginsAbove)|bit(e.endsAbove)<<1)
	}
	b = binary.AppendVarint(b, int64(s.Uncalibrated))
	b = binary.AppendVarint(b, int64(s.Untold))
	return b, nil
}

func (d *Distribution) append(b []byte) []byte {
	m, q := &d.Moments, &d.Quantiles
	b = binary.AppendVarint(b, m.N)
	for _, x := range []float64{m.Weight, m.Mean, m.about} {
		b = appendFloat(b, x)
	}
	b = binary.AppendVarint(b, int64(d.OverRange))
	for _, n := range []int64{q.under, q.over, int64(q.first), q.total, int64(len(q.held))} {
		b = binary.AppendVarint(b, n)
	}
	for _, ns := range q.held {
		b = binary.AppendVarint(b, ns)
	}
	return b
}

// UnmarshalBinary reads what MarshalBinary made.
func (s *Summary) UnmarshalBinary(b []byte) error {
	r := reader{b: b}
	version := r.byte()
	if version != encodingVersion && version != withoutCalibration {
		return errEncoding
	}
	*s = Summary{}
	for _, d := range []*Distribution{&s.On, &s.Off} {
		r.distribution(d)
	}
	if s.Peaks.n = int(r.uvarint()); s.Peaks.n > keptPeaks {
		return errEncoding
	}
	for i := range s.Peaks.n {
		s.Peaks.all[i] = Peak{r.time(), quantity.PowerDensity(r.float()), r.byte() == 1}
	}
	for range r.count(10) {
		e := Exceedances{Level: quantity.PowerDensity(r.float()), Count: int(r.uvarint()), Above: time.Duration(r.varint()), First: r.time(), Last: r.time()}
		ends := r.byte()
		e.beginsAbove, e.endsAbove = ends&1 != 0, ends&2 != 0
		s.Levels = append(s.Levels, e)
	}
	if version == withoutCalibration {
		s.Untold = s.Seen()
	} else {
		s.Uncalibrated, s.Untold = time.Duration(r.varint()), time.Duration(r.varint())
	}
	if r.bad || len(r.b) > 0 {
		return errEncoding
	}
	return nil
}

// reader takes an encoding apart. What does not fit makes it bad.
type reader struct {
	b   []byte
	bad bool
}

func (r *reader) distribution(d *Distribution) {
	m, q := &d.Moments, &d.Quantiles
	m.N, m.Weight, m.Mean, m.about = r.varint(), r.float(), r.float(), r.float()
	d.OverRange = time.Duration(r.varint())
	q.under, q.over, q.first, q.total = r.varint(), r.varint(), int(r.varint()), r.varint()
	n := r.varint()
	if n < 0 || n > int64(len(r.b)) { // a bucket takes a byte at least
		r.bad = true
		return
	}
	q.held = slices.Grow(q.held, int(n))
	for range n {
		q.held = append(q.held, r.varint())
	}
}

// count reads how many of something follow that take least bytes each.
func (r *reader) count(least int) int {
	n := r.uvarint()
	if n > uint64(len(r.b)/least) {
		r.bad = true
		return 0
	}
	return int(n)
}

func (r *reader) fail() { r.b, r.bad = nil, true }

func (r *reader) byte() byte {
	if len(r.b) == 0 {
		r.fail()
		return 0
	}
	x := r.b[0]
	r.b = r.b[1:]
	return x
}

func (r *reader) varint() int64 {
	x, n := binary.Varint(r.b)
	if n <= 0 {
		r.fail()
		return 0
	}
	r.b = r.b[n:]
	return x
}

func (r *reader) uvarint() uint64 {
	x, n := binary.Uvarint(r.b)
	if n <= 0 {
		r.fail()
		return 0
	}
	r.b = r.b[n:]
	return x
}

func (r *reader) float() float64 {
	if len(r.b) < 8 {
		r.fail()
		return 0
	}
	x := math.Float64frombits(binary.LittleEndian.Uint64(r.b))
	r.b = r.b[8:]
	return x
}

func (r *reader) time() time.Time {
	if ns := r.varint(); ns != noTime {
		return time.Unix(0, ns).UTC()
	}
	return time.Time{}
}

// noTime stands for the zero time.
const noTime = math.MinInt64

func appendTime(b []byte, t time.Time) []byte {
	if t.IsZero() {
		return binary.AppendVarint(b, noTime)
	}
	return binary.AppendVarint(b, t.UnixNano())
}

func appendFloat(b []byte, x float64) []byte {
	return binary.LittleEndian.AppendUint64(b, math.Float64bits(x))
}

func bit(is bool) byte {
	if is {
		return 1
	}
	return 0
}
