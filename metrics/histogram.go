package metrics

import (
	"math"
	"slices"
	"sync"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	dto "github.com/prometheus/client_model/go"

	"ovenward/acquire"
)

// Native buckets: each at most 10 % wider than the last, from about 0.001 W/m²,
// below which a field counts as none. 160 of them cover 20 octaves; where there would
// be more, they are shown wider. The counts are never reset.
const (
	nativeSchema  = 3 // 2^3 buckets an octave, each 9 % wide
	nativeOctave  = 1 << nativeSchema
	nativeLowest  = -10        // the octave from which on there are buckets
	nativeZero    = 1.0 / 1024 // W/m²; 2^nativeLowest, so it ends a bucket
	nativeBuckets = 160
	widestSchema  = -4
)

// octave finds the bucket in an octave by a number's mantissa. Sixteen cells that are
// evenly wide each hold one begin of a bucket at most.
type octave struct {
	before [cells]int    // buckets that begin before the cell
	begin  [cells]uint64 // the mantissa after which one begins in it
}

const (
	cells    = 16
	cellBits = mantissa - 4
	mantissa = 52 // bits of a float64
)

// newOctave takes the begins between 1/2 and 1, which are 2^(i/8 - 1).
func newOctave() (o octave) {
	for i := range o.begin {
		o.begin[i] = 1 << mantissa // none
	}
	for i, begin := range [nativeOctave]float64{0.5, 0.5452538663326288, 0.5946035575013605, 0.6484197773255048,
		0.7071067811865475, 0.7711054127039704, 0.8408964152537144, 0.9170040432046711} {
		m := math.Float64bits(begin) & (1<<mantissa - 1)
		o.begin[m>>cellBits] = m
		for cell := m>>cellBits + 1; cell < cells; cell++ {
			o.before[cell] = i + 1
		}
	}
	return o
}

// place is which of the native buckets holds v, which is not below zero: 0 is the one of what
// counts as none. A bucket holds its end and not its begin.
func (o *octave) place(v float64) (at int) {
	bits := math.Float64bits(v)
	exp, m := int(bits>>mantissa)-1023, bits&(1<<mantissa-1)
	cell := m >> cellBits & (cells - 1)
	after := int((o.begin[cell] - m) >> 63) // 1 where m lies after it
	if v > math.MaxFloat64 {
		after++
	}
	if place := (exp-nativeLowest)*nativeOctave + o.before[cell] + after; v > nativeZero {
		at = place
	}
	return at
}

// counts is a histogram of power densities, W/m², as it grows: of what is not below
// zero and a number. Prometheus' own makes each value an affair of its own; this one
// takes a batch at a time.
type counts struct {
	bounds []float64 // upper ones of the classic buckets
	octave octave

	mu      sync.Mutex
	sum     float64
	classic []uint64 // of what a native bucket leaves open, not cumulative; the last is what lies above all bounds
	native  []bucket // the first one of what counts as none
}

// bucket is one of the native ones.
type bucket struct {
	n           uint64
	first, last int // of the classic ones that hold any of it: mostly one
}

func newCounts(bounds []float64) *counts {
	c := &counts{bounds: bounds, octave: newOctave(), classic: make([]uint64, len(bounds)+1)}
	c.grow(1 + nativeBuckets)
	return c
}

// grow makes it n native buckets.
func (c *counts) grow(n int) {
	for at := len(c.native); at < n; at++ {
		first := 0
		for first < len(c.bounds) && c.octave.place(max(c.bounds[first], 0)) < at {
			first++
		}
		last := first
		for last < len(c.bounds) && c.octave.place(max(c.bounds[last], 0)) == at {
			last++
		}
		c.native = append(c.native, bucket{first: first, last: last})
	}
}

// take counts the samples of a probe that show a field; top is what over-range counts as.
func (c *counts) take(batch []acquire.Sample, top float64, probe *acquire.Probe) {
	c.mu.Lock()
	defer c.mu.Unlock()
	sum := c.sum
	for i := range batch {
		s := &batch[i]
		v := float64(s.S)
		switch {
		case s.Quality&acquire.Fault != 0:
			continue
		case s.Quality&acquire.OverRange != 0:
			v = top
		case !s.Reading.HasValue || v != v || probe.BelowZero(s.S):
			continue
		}
		v = max(v, 0)
		sum += v
		at := c.octave.place(v)
		if at >= len(c.native) {
			c.grow(at + 1)
		}
		b := &c.native[at]
		if b.n++; b.first < b.last {
			c.among(v, b.first, b.last)
		}
	}
	c.sum = sum
}

// among counts v in one of the classic buckets from first to last.
func (c *counts) among(v float64, first, last int) {
	for first < last && v > c.bounds[first] {
		first++
	}
	c.classic[first]++
}

// read returns how many there are, and how many in each classic bucket and each native one.
func (c *counts) read() (n, zero uint64, sum float64, classic []uint64, native []bucket) {
	c.mu.Lock()
	sum, classic, native = c.sum, slices.Clone(c.classic), slices.Clone(c.native)
	c.mu.Unlock()
	for _, b := range native {
		if n += b.n; b.first == b.last {
			classic[b.first] += b.n
		}
	}
	return n, native[0].n, sum, classic, native[1:]
}

// wide returns the native buckets by their index, two of them made one until they are
// few enough.
func wide(native []bucket) (schema int32, buckets map[int]int64) {
	for schema = nativeSchema; ; schema-- {
		buckets = map[int]int64{}
		shift := nativeSchema - schema
		for i := range native {
			if n := native[i].n; n > 0 {
				index := nativeLowest*nativeOctave + 1 + i
				buckets[(index+1<<shift-1)>>shift] += int64(n)
			}
		}
		if len(buckets) <= nativeBuckets || schema == widestSchema {
			return schema, buckets
		}
	}
}

// series shows counts to Prometheus.
type series struct {
	*counts
	desc    *prometheus.Desc
	labels  []string
	created time.Time
}

// Desc implements prometheus.Metric.
func (s *series) Desc() *prometheus.Desc { return s.desc }

// Write implements prometheus.Metric. What takes time is done outside the lock that
// a batch waits for.
func (s *series) Write(out *dto.Metric) error {
	n, zero, sum, classic, native := s.read()
	schema, buckets := wide(native)
	m, err := prometheus.NewConstNativeHistogram(s.desc, n, sum, buckets, nil, zero, schema, nativeZero, s.created, s.labels...)
	if err != nil {
		return err
	}
	if err := m.Write(out); err != nil {
		return err
	}
	below := uint64(0)
	for i, bound := range s.bounds {
		below += classic[i]
		count := below
		out.Histogram.Bucket = append(out.Histogram.Bucket, &dto.Bucket{CumulativeCount: &count, UpperBound: &bound})
	}
	return nil
}
