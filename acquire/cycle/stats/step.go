package stats

import (
	"math"
	"slices"

	"ovenward/acquire/calib"
)

// Step is a change from one level to another.
type Step struct {
	At           int     // index of the last value before it
	K            float64 // Pettitt's statistic
	Confidence   float64 // 1 − p: that there is a change at all
	Size, Lo, Hi float64 // median of all differences of after and before, with its interval for 95 %
}

// Pettitt looks for one step in y, in order, by Pettitt's test (A. N. Pettitt,
// Applied Statistics 28, 1979), with his approximation p = 2·exp(−6K²/(n³+n²)). It is
// weak near both ends. A steady trend is a change too and is found as one in its
// middle: see Age, which tells them apart.
func Pettitt(y []float64) Step {
	n := float64(len(y))
	best := noStep()
	eachCut(y, func(t int, u float64) {
		if u > best.K {
			best.At, best.K = t, u
		}
	})
	if best.At >= 0 {
		best.Confidence = 1 - min(1, 2*math.Exp(-6*best.K*best.K/(n*n*n+n*n)))
		best.shift(y)
	}
	return best
}

// leastSide is how few values a step near an end may have on one side.
const leastSide = 3

// NearEnd looks for one step as Pettitt does, but takes the cut whose statistic is
// the greatest in its own standard deviations, which finds one near an end. The
// probability of each cut is normal, and they are added up (Bonferroni), so the
// confidence is rather too low. K stays Pettitt's statistic of that cut.
func NearEnd(y []float64) Step {
	n := float64(len(y))
	best, most := noStep(), 0.0
	eachCut(y, func(t int, u float64) {
		before := float64(t + 1)
		after := n - before
		if before < leastSide || after < leastSide {
			return
		}
		if z := u / math.Sqrt(before*after*(n+1)/3); z > most {
			most, best.At, best.K = z, t, u
		}
	})
	if best.At >= 0 {
		best.Confidence = 1 - min(1, n*math.Erfc(most/math.Sqrt2))
		best.shift(y)
	}
	return best
}

// FindStep takes the surer of both, and of its doubt double, for having asked twice.
func FindStep(y []float64) Step {
	s, e := Pettitt(y), NearEnd(y)
	if e.Confidence > s.Confidence {
		s = e
	}
	s.Confidence = 1 - min(1, 2*(1-s.Confidence))
	return s
}

func noStep() Step { return Step{At: -1, Size: math.NaN(), Lo: math.NaN(), Hi: math.NaN()} }

// eachCut gives |U| of each cut: 2·Σ ranks up to it − t·(n + 1).
func eachCut(y []float64, cut func(t int, u float64)) {
	ranks, sum := midranks(y), 0.0
	for t := range len(y) - 1 {
		sum += ranks[t]
		cut(t, math.Abs(2*sum-float64((t+1)*(len(y)+1))))
	}
}

// shift estimates the size by Hodges and Lehmann's median of differences; the
// interval turns the test of Mann and Whitney round, by the normal approximation.
func (s *Step) shift(y []float64) {
	before, after := y[:s.At+1], y[s.At+1:]
	all := make([]float64, 0, len(before)*len(after))
	for _, a := range after {
		for _, b := range before {
			all = append(all, a-b)
		}
	}
	slices.Sort(all)
	s.Size = middle(all)
	pairs := float64(len(all))
	half := calib.Coverage(0.95, math.Inf(1)) * math.Sqrt(pairs*float64(len(y)+1)/12)
	if k := int(math.Floor(pairs/2 - half)); k >= 1 {
		s.Lo, s.Hi = all[k-1], all[len(all)-k]
	}
}

// midranks are the ranks from 1; equals share the mean of theirs.
func midranks(y []float64) []float64 {
	order := make([]int, len(y))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int {
		switch {
		case y[a] < y[b]:
			return -1
		case y[a] > y[b]:
			return 1
		}
		return 0
	})
	ranks := make([]float64, len(y))
	for i := 0; i < len(order); {
		j := i
		for j < len(order) && y[order[j]] == y[order[i]] {
			j++
		}
		for k := i; k < j; k++ {
			ranks[order[k]] = float64(i+j+1) / 2
		}
		i = j
	}
	return ranks
}
