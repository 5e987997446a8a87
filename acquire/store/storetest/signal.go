// Package storetest makes the signal that the record's density and speed are
// measured with: one probe beside one oven, 10 readings a second, the oven 15 s
// on and 15 s off. On, the field is 1.2 mW/cm² with a slow ripple of ± 30 % and
// 3 % noise; off, 0.003 mW/cm², which is the probe's own noise. Readings are cut
// to a number of decimal places. Instants are ms, jitter by ± 0.2 ms, and come
// from a clock that is 20 ppm off. The signal is invented; the same seed gives
// the same signal.
//
// It is for tests and benchmarks, and for those of other modules too.
package storetest

import (
	"math"
	"math/rand/v2"
	"strconv"
	"time"
)

// Period is the time between two readings.
const Period = 100 * time.Millisecond

// Month is how many readings 30 days have.
const Month = 30 * 24 * 36_000

const (
	half     = 150 // readings on, and as many off
	ripple   = 600 // s
	offNoise = 0.003
)

// Signal is the signal, reading by reading.
type Signal struct {
	places int
	scale  float64
	start  time.Time
	rng    *rand.Rand
	i      int64
}

// New returns the signal of seed, cut to places behind the point, from start on.
func New(seed uint64, places int, start time.Time) *Signal {
	return &Signal{places: places, scale: math.Pow10(places), start: start, rng: rand.New(rand.NewPCG(seed, 24500))}
}

// Next returns the next reading: its instant in ns since 1970 UTC, a whole ms,
// and its digits, of 10^-places mW/cm².
func (s *Signal) Next() (at, digits int64) {
	i := float64(s.i)
	seconds := i * Period.Seconds() * (1 + 20e-6)
	jitter := (s.rng.Float64()*2 - 1) * 0.2e-3
	ms := math.Round((seconds + jitter) * 1e3)
	v := 0.003 + offNoise*s.rng.NormFloat64()
	if s.i/half%2 == 0 {
		v = 1.2 * (1 + 0.3*math.Sin(2*math.Pi*seconds/ripple)) * (1 + 0.03*s.rng.NormFloat64())
	}
	s.i++
	return s.start.UnixNano() + int64(ms)*1e6, int64(math.Round(v * s.scale))
}

// AppendSaid appends how the probe says digits.
func (s *Signal) AppendSaid(b []byte, digits int64) []byte {
	if digits < 0 {
		b, digits = append(b, '-'), -digits
	}
	whole := int64(s.scale)
	b = append(strconv.AppendInt(b, digits/whole, 10), '.')
	n := len(b)
	b = strconv.AppendInt(b, digits%whole+whole, 10)
	b = append(b[:n], b[n+1:]...)
	return append(b, " mW/cm2"...)
}

// Entropy is the order-0 entropy of n readings of the signal, in bytes a
// reading: of the first differences of the digits, and of the second differences
// of the instants.
func Entropy(s *Signal, n int) (values, instants float64) {
	differences, seconds := map[int64]int{}, map[int64]int{}
	var at, digits, step int64
	for i := range n {
		a, d := s.Next()
		if i > 0 {
			differences[d-digits]++
		}
		if i > 1 {
			seconds[a-at-step]++
		}
		at, digits, step = a, d, a-at
	}
	return entropy(differences), entropy(seconds)
}

func entropy(counts map[int64]int) float64 {
	n := 0
	for _, c := range counts {
		n += c
	}
	bits := 0.0
	for _, c := range counts {
		p := float64(c) / float64(n)
		bits -= p * math.Log2(p)
	}
	return bits / 8
}
