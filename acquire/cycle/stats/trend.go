package stats

import (
	"errors"
	"math"
	"slices"

	"ovenward/acquire/calib"
)

var errShape = errors.New("find a trend: x and y must be as long as each other, and x must rise")

func median(v []float64) float64 {
	s := slices.Clone(v)
	slices.Sort(s)
	return middle(s)
}

func middle(sorted []float64) float64 {
	n := len(sorted)
	if n == 0 {
		return math.NaN()
	}
	return (sorted[(n-1)/2] + sorted[n/2]) / 2
}

func rising(x, y []float64) bool {
	for i := range x {
		if math.IsNaN(y[i]) || i > 0 && !(x[i] > x[i-1]) {
			return false
		}
	}
	return true
}

// Slope is a line through the middle of the points.
type Slope struct {
	Slope, Lo, Hi float64 // per unit of x, with its interval
	Intercept     float64 // y at x = 0: median y − slope·median x (Conover)
	Pairs         int
}

// TheilSen is the median slope of all pairs with its interval of probability p, by
// the normal approximation, tie-corrected, and interpolated between slopes
// (Gilbert 1987, 16.5; EPA 530/R-09-007, 17.3.3). NaN ends: too few points.
func TheilSen(x, y []float64, p float64) (Slope, error) {
	if len(x) != len(y) || len(x) < 2 || !rising(x, y) {
		return Slope{}, errShape
	}
	slopes := make([]float64, 0, len(x)*(len(x)-1)/2)
	for i := range x {
		for j := range i {
			slopes = append(slopes, (y[i]-y[j])/(x[i]-x[j]))
		}
	}
	slices.Sort(slopes)
	s := Slope{Slope: middle(slopes), Pairs: len(slopes), Lo: math.NaN(), Hi: math.NaN()}
	s.Intercept = median(y) - s.Slope*median(x)
	half := calib.Coverage(p, math.Inf(1)) * math.Sqrt(tieCorrected(y))
	if lo, hi := (float64(s.Pairs)-half)/2, (float64(s.Pairs)+half)/2+1; lo >= 1 && hi <= float64(s.Pairs) {
		s.Lo, s.Hi = ranked(slopes, lo), ranked(slopes, hi)
	}
	return s, nil
}

// ranked is the value of a rank, from 1, interpolated.
func ranked(sorted []float64, rank float64) float64 {
	k := int(rank)
	if k >= len(sorted) {
		return sorted[len(sorted)-1]
	}
	return sorted[k-1] + (rank-float64(k))*(sorted[k]-sorted[k-1])
}

// Kendall is the outcome of the test of Mann and Kendall.
type Kendall struct {
	S    int     // rising pairs less falling ones
	Var  float64 // of S without a trend, corrected for ties
	Z    float64 // with the correction for continuity
	P    float64 // that |S| is as large without a trend, both sides
	TauA float64 // S over all pairs: not corrected for ties
	TauB float64 // corrected for ties
}

// MannKendall tests y, in order, for a trend (Mann 1945, Kendall 1975; EPA
// 530/R-09-007, 17.3.2). Up to 10 values without ties P is exact.
func MannKendall(y []float64) Kendall {
	var k Kendall
	n, tied := len(y), 0
	for i := range y {
		for j := range i {
			switch {
			case y[i] > y[j]:
				k.S++
			case y[i] < y[j]:
				k.S--
			default:
				tied++
			}
		}
	}
	k.Var = tieCorrected(y)
	if k.S != 0 {
		k.Z = (float64(k.S) - math.Copysign(1, float64(k.S))) / math.Sqrt(k.Var)
	}
	k.P = math.Erfc(math.Abs(k.Z) / math.Sqrt2)
	if tied == 0 && n <= 10 {
		k.P = exactKendall(n, k.S)
	}
	pairs := float64(n*(n-1)) / 2
	k.TauA = float64(k.S) / pairs
	k.TauB = float64(k.S) / math.Sqrt(pairs*(pairs-float64(tied)))
	return k
}

// tieCorrected is the variance of Kendall's S without a trend.
func tieCorrected(y []float64) float64 {
	term := func(n float64) float64 { return n * (n - 1) * (2*n + 5) }
	sorted := slices.Sorted(slices.Values(y))
	sum := term(float64(len(y)))
	for i := 0; i < len(sorted); {
		j := i
		for j < len(sorted) && sorted[j] == sorted[i] {
			j++
		}
		sum -= term(float64(j - i))
		i = j
	}
	return sum / 18
}

// exactKendall is the probability of an |S| at least as large, all orders being
// alike: the orders are counted by their inversions.
func exactKendall(n, s int) float64 {
	counts := []float64{1}
	all := 1.0
	for k := 2; k <= n; k++ {
		next := make([]float64, len(counts)+k-1)
		for i, c := range counts {
			for d := range k {
				next[i+d] += c
			}
		}
		counts = next
		all *= float64(k)
	}
	pairs := n * (n - 1) / 2
	sum := 0.0
	for inversions, c := range counts {
		if v := pairs - 2*inversions; v >= max(s, -s) || v <= -max(s, -s) {
			sum += c
		}
	}
	return sum / all
}
