package calib

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// Coverage returns the factor t such that Student's distribution with df degrees
// of freedom lies within ±t with probability p: 1.96 for 0.95 and unlimited
// degrees of freedom (JCGM 100:2008, table G.2). It is NaN for p outside (0, 1)
// and df not above 0.
func Coverage(p, df float64) float64 {
	switch upper := (1 + p) / 2; {
	case !(p > 0 && p < 1 && df > 0):
		return math.NaN()
	case math.IsInf(df, 1):
		return distuv.UnitNormal.Quantile(upper)
	default:
		return distuv.StudentsT{Mu: 0, Sigma: 1, Nu: df}.Quantile(upper)
	}
}

// Component is one contribution to a combined standard uncertainty, in the unit
// of the result: u times its sensitivity.
type Component struct {
	U  float64
	DF float64 // degrees of freedom; +Inf when U is known as well as can be
}

// Combine returns the combined standard uncertainty of independent components
// (JCGM 100:2008, 5.1.2) and its effective degrees of freedom by the
// Welch-Satterthwaite formula (G.4.1).
func Combine(components ...Component) (u, df float64) {
	var squares, fourths float64
	for _, c := range components {
		squares += c.U * c.U
	}
	u = math.Sqrt(squares)
	for _, c := range components {
		if !math.IsInf(c.DF, 1) && c.U != 0 {
			share := c.U * c.U / squares
			fourths += share * share / c.DF
		}
	}
	return u, 1 / fourths // +Inf when no component has limited degrees of freedom
}
