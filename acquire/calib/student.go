package calib

import (
	"math"

	"gonum.org/v1/gonum/mathext"
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
		return mathext.NormalQuantile(upper)
	default:
		return studentBound(p, df)
	}
}

// studentBound solves p = I_y(1/2, df/2) with y = t²/(df + t²) (Abramowitz and
// Stegun, 26.7.1 with 26.5.27). Near 1 it is 1 - y that is found, which has the digits. gonum's
// distribution gives the same, but brings its linear algebra, a tenth of the program, along.
func studentBound(p, df float64) float64 {
	y := mathext.InvRegIncBeta(0.5, df/2, p)
	if y < 0.5 {
		return math.Sqrt(df * y / (1 - y))
	}
	rest := mathext.InvRegIncBeta(df/2, 0.5, 1-p)
	return math.Sqrt(df * (1 - rest) / rest)
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
