package calib

import "math"

// Moments gathers mean, standard deviation and lag-1 autocorrelation of values
// as they come, in fixed memory. Values are held against the first one, so that
// a large common part costs no digits. The zero value is empty and ready.
type Moments struct {
	n           int
	first, last float64 // last is held against first
	mean, m2    float64 // of what is held against first, by Welford's recurrence
	lagged      float64 // sum of products of neighbours
}

// Add takes the next value.
func (m *Moments) Add(x float64) {
	if m.n == 0 {
		m.first = x
	}
	d := x - m.first
	m.n++
	if m.n > 1 {
		m.lagged += m.last * d
	}
	off := d - m.mean
	m.mean += off / float64(m.n)
	m.m2 += off * (d - m.mean)
	m.last = d
}

// N is how many values were added.
func (m *Moments) N() int { return m.n }

// Mean returns the mean; NaN without a value.
func (m *Moments) Mean() float64 {
	if m.n == 0 {
		return math.NaN()
	}
	return m.first + m.mean
}

// SD returns the standard deviation of a sample, with n - 1; NaN below two
// values.
func (m *Moments) SD() float64 {
	if m.n < 2 {
		return math.NaN()
	}
	return math.Sqrt(m.m2 / float64(m.n-1))
}

// MeanSD returns the standard deviation of the mean, with n - 1 degrees of
// freedom; NaN below two values.
func (m *Moments) MeanSD() float64 { return m.SD() / math.Sqrt(float64(m.n)) }

// Lag1 returns the autocorrelation at lag 1: the sum of products of neighbours
// about the mean, over the sum of squares about the mean (NIST StRD, univariate
// summary statistics). It is NaN below two values and where all are the same.
func (m *Moments) Lag1() float64 {
	if m.n < 2 || m.m2 == 0 {
		return math.NaN()
	}
	// The first value held against itself is 0.
	n, sum := float64(m.n), float64(m.n)*m.mean
	return (m.lagged - m.mean*(2*sum-m.last) + (n-1)*m.mean*m.mean) / m.m2
}
