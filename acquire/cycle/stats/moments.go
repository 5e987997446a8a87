// Package stats says what a long row of power densities was like: streaming
// sketches that merge, so that a day is its hours and a test its days; and the
// trend of one value a run, with what it does and does not bear. Power densities
// are W/m², weights and spans durations. It knows no run, no post and no store,
// and a forecast is refused rather than guessed.
package stats

import (
	"math"
	"time"

	"ovenward/acquire/calib"
)

// Moments is a mean and a deviation, each value weighted by how long it held, by
// West's update (D. H. D. West, 1979; with equal weights Welford's), merged by Chan's
// (Chan, Golub, LeVeque, 1979). The error is that of rounding: about 1e-15 of the
// mean, and of the deviation 1e-15 times (mean/deviation). The zero value is empty.
type Moments struct {
	N      int64
	Weight float64 // s
	Mean   float64
	about  float64 // Σ w·(x − mean)²
}

// Add takes a value that held for a time; one that held for none does not count.
func (m *Moments) Add(x float64, held time.Duration) {
	if held <= 0 {
		return
	}
	w := held.Seconds()
	m.N++
	m.Weight += w
	d := x - m.Mean
	m.Mean += d * w / m.Weight
	m.about += w * d * (x - m.Mean)
}

// Merge takes all that another has taken.
func (m *Moments) Merge(o Moments) {
	if o.N == 0 {
		return
	}
	if m.N == 0 {
		*m = o
		return
	}
	w, d := m.Weight+o.Weight, o.Mean-m.Mean
	m.about += o.about + d*d*m.Weight*o.Weight/w
	m.Mean += d * o.Weight / w
	m.N, m.Weight = m.N+o.N, w
}

// Deviation is the standard deviation of a value: √(n/(n−1)·Σw(x−mean)²/Σw), which
// with equal weights is the sample's. It is NaN below two values.
func (m Moments) Deviation() float64 {
	if m.N < 2 {
		return math.NaN()
	}
	return math.Sqrt(max(0, m.about) / m.Weight * float64(m.N) / float64(m.N-1))
}

// MeanInterval is Student's interval of the mean with probability p, for values of
// equal weight that do not hang together ("Student", 1908). Samples of a field do,
// so it is for one value a run, not for samples.
func (m Moments) MeanInterval(p float64) (lo, hi float64) {
	half := calib.Coverage(p, float64(m.N-1)) * m.Deviation() / math.Sqrt(float64(m.N))
	return m.Mean - half, m.Mean + half
}

// Lag1 is the autocorrelation of neighbouring values: Σ(y_i−m)(y_i+1−m)/Σ(y_i−m)².
// It is NaN where all values are the same.
func Lag1(y []float64) float64 {
	var m Moments
	for _, v := range y {
		m.Add(v, time.Second)
	}
	var next, all float64
	for i, v := range y {
		d := v - m.Mean
		all += d * d
		if i > 0 {
			next += d * (y[i-1] - m.Mean)
		}
	}
	return next / all
}
