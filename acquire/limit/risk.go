package limit

import (
	"errors"
	"fmt"
	"math"

	"ovenward/acquire/quantity"
)

// RiskModel says what Risk assumes, wherever its number is shown.
const RiskModel = "normal distribution about the measured value with the standard uncertainty U/k, nothing known beforehand (JCGM 106:2012)"

// Risk is the probability that the true value is above the limit when s was
// measured with the expanded uncertainty u and coverage factor k: what
// accepting it would risk, by RiskModel. It is NaN when something is unknown, and 1
// for a value without upper bound.
func Risk(s, u quantity.PowerDensity, k float64, l quantity.PowerDensity) float64 {
	switch {
	case math.IsNaN(float64(s)) || math.IsNaN(float64(l)):
		return math.NaN()
	case math.IsInf(float64(s), 1):
		return 1
	case !(u >= 0) || !(k > 0):
		return math.NaN()
	case u == 0 && s > l:
		return 1
	case u == 0:
		return 0
	}
	return upperTail(float64(l-s) * k / float64(u))
}

// Unbounded is the upper bound of a power density that has none.
func Unbounded() quantity.PowerDensity { return quantity.PowerDensity(math.Inf(1)) }

// Accepted is the probability that a true value is measured at or below the
// acceptance limit, with the standard uncertainty u of the same unit.
func Accepted(truth, u, acceptance float64) float64 { return upperTail((truth - acceptance) / u) }

// upperTail is the probability that a standard normal variable is above z.
func upperTail(z float64) float64 { return math.Erfc(z/math.Sqrt2) / 2 }

// Part is a power density at one of several frequencies, against the limit that
// holds at it.
type Part struct {
	Lo, Hi quantity.PowerDensity // W/m²; equal for a value, bounds for a mean
	U      quantity.PowerDensity // expanded uncertainty; NaN if unknown
	Limit  Limit
}

// Sum is the sum of the ratios to the limits. Together they are above the limit
// when it is above 1.
type Sum struct {
	Lo, Hi float64
	U      float64 // expanded; NaN if unknown of any
}

// SumOfRatios adds the ratios of power densities at several frequencies to their
// limits. The limits must be of one document's tier: the same basis, averaging
// time and extent. Uncertainties add up in full, since one instrument measured
// them all.
func SumOfRatios(parts ...Part) (Sum, error) {
	if len(parts) == 0 {
		return Sum{}, errors.New("sum of ratios: no power density given; give one a frequency")
	}
	var sum Sum
	first := parts[0].Limit
	for _, p := range parts {
		l := p.Limit
		switch {
		case l.Basis != first.Basis || l.Averaging != first.Averaging || l.Local != first.Local || l.Distance != first.Distance || l.Builtin != first.Builtin:
			return Sum{}, fmt.Errorf("sum of ratios: %s and %s are not limits of one kind; take all from one table", first.ID, l.ID)
		case !(l.Value > 0):
			return Sum{}, fmt.Errorf("sum of ratios: the limit %s is %s; it must be above zero", l.ID, l.Value)
		case !(p.Lo <= p.Hi):
			return Sum{}, fmt.Errorf("sum of ratios: at limit %s the bounds %v and %v are none; give the lower first, in W/m²", l.ID, float64(p.Lo), float64(p.Hi))
		}
		sum.Lo += float64(p.Lo) / float64(l.Value)
		sum.Hi += float64(p.Hi) / float64(l.Value)
		sum.U += float64(p.U) / float64(l.Value)
	}
	return sum, nil
}

// Outcome compares the sum with 1 by a rule. Within says only that the numbers
// allow it: whoever asks must see to the rest that within rests on.
func (s Sum) Outcome(r Rule) Outcome {
	l := Limit{Rule: r}
	u := quantity.PowerDensity(s.U)
	switch {
	case s.Lo > 1+float64(l.proof(u)):
		return Exceeds
	case s.Hi+float64(l.guard(u)) <= 1 && s.U >= 0:
		return Within
	}
	return NotDecided
}
