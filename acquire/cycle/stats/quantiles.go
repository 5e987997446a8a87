package stats

import (
	"math"
	"slices"
	"time"
)

const (
	// RelativeError bounds a quantile: it lies within this share of a value that was
	// taken.
	RelativeError = 0.01
	// Least and Most (W/m²) end the range in which that holds. What is below Least,
	// zero and negative values with it, counts as 0: an error of Least at most for
	// what is not negative. Above Most all counts as over range.
	Least = 1e-4
	Most  = 1e6
)

// gamma is the ratio of a bucket's ends: all of it lies within RelativeError of
// 2·end/(1 + gamma).
const gamma = (1 + RelativeError) / (1 - RelativeError)

// Quantiles is the distribution of values over time in logarithmic buckets, whose
// number is bounded (1 152) whatever comes. Buckets hold nanoseconds, so merging is
// exact and in any order. The idea of such buckets is common (Masson, Rim, Lee,
// VLDB 2019); the zero value is empty.
type Quantiles struct {
	under, over int64   // ns
	first       int     // bucket of held[0]
	held        []int64 // ns
	total       int64
}

// perBucket is 1/ln(gamma): ln((1 + e)/(1 − e)) = 2·atanh(e) = 2·(e + e³/3 + e⁵/5 + …)
const perBucket = 1 / (2 * (RelativeError + RelativeError*RelativeError*RelativeError/3 +
	RelativeError*RelativeError*RelativeError*RelativeError*RelativeError/5))

func bucket(x float64) int { return int(math.Ceil(math.Log(x) * perBucket)) }

// Add takes a value that held for a time; +Inf stands for one over range. NaN does
// not count.
func (q *Quantiles) Add(x float64, held time.Duration) {
	if held <= 0 || math.IsNaN(x) {
		return
	}
	q.total += int64(held)
	switch {
	case x < Least:
		q.under += int64(held)
	case x > Most:
		q.over += int64(held)
	default:
		*q.at(bucket(x)) += int64(held)
	}
}

// at is the place of a bucket, made when it is new.
func (q *Quantiles) at(b int) *int64 {
	switch {
	case len(q.held) == 0:
		q.first, q.held = b, append(q.held, 0)
	case b < q.first:
		q.held = slices.Insert(q.held, 0, make([]int64, q.first-b)...)
		q.first = b
	case b >= q.first+len(q.held):
		q.held = append(q.held, make([]int64, b-q.first-len(q.held)+1)...)
	}
	return &q.held[b-q.first]
}

// Merge takes all that another has taken.
func (q *Quantiles) Merge(o *Quantiles) {
	q.under, q.over, q.total = q.under+o.under, q.over+o.over, q.total+o.total
	for i, ns := range o.held {
		if ns > 0 {
			*q.at(o.first + i) += ns
		}
	}
}

// Total is the time that was taken.
func (q *Quantiles) Total() time.Duration { return time.Duration(q.total) }

// At is the value that was not exceeded for a share p of the time, the lowest such
// one: within RelativeError of it, 0 for below Least, +Inf for over range, NaN when
// nothing was taken.
func (q *Quantiles) At(p float64) float64 {
	if q.total == 0 || math.IsNaN(p) {
		return math.NaN()
	}
	want := max(1, math.Ceil(min(1, p)*float64(q.total)))
	if float64(q.under) >= want {
		return 0
	}
	sum := q.under
	for i, ns := range q.held {
		if sum += ns; float64(sum) >= want {
			return 2 * math.Pow(gamma, float64(q.first+i)) / (1 + gamma)
		}
	}
	if q.over > 0 {
		return math.Inf(1)
	}
	return 2 * math.Pow(gamma, float64(q.first+len(q.held)-1)) / (1 + gamma) // p·total rounded up past the total
}

// Share is how long values lay from Lo (inclusive) to below Hi.
type Share struct {
	Lo, Hi float64
	Held   time.Duration
}

// Shares parts what was taken into n levels of equal width from 0 to a top, and one
// for all above it, which is left out when it is empty. A bucket counts by its middle.
func (q *Quantiles) Shares(n int, top float64) []Share {
	out := make([]Share, n+1)
	width := top / float64(n)
	for i := range out {
		out[i].Lo, out[i].Hi = float64(i)*width, float64(i+1)*width
	}
	out[n].Hi = math.Inf(1)
	out[0].Held += time.Duration(q.under)
	out[n].Held += time.Duration(q.over)
	for i, ns := range q.held {
		middle := 2 * math.Pow(gamma, float64(q.first+i)) / (1 + gamma)
		out[min(n, int(middle/width))].Held += time.Duration(ns)
	}
	if out[n].Held == 0 {
		out = out[:n]
	}
	return out
}
