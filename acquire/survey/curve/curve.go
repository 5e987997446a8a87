// Package curve fits a curve to points by weighted non-linear least squares and
// bounds its parameters by profile likelihood. It knows no physics and no unit:
// x, y and the parameters are whatever the model says they are, and every
// uncertainty is a standard one in the unit of y.
//
// It never judges a fit. A parameter that came to rest at its bound is said to,
// and what that means is for the caller.
package curve

import (
	"errors"
	"fmt"
	"math"
)

// Model returns y at x for the parameters p, and puts the derivatives with
// respect to each of them into slope, which is as long as p.
type Model func(x float64, p, slope []float64) (y float64)

// Bound holds one parameter in [Lo, Hi]; an infinite end is none.
type Bound struct{ Lo, Hi float64 }

// Free is the Bound that holds nothing.
func Free() Bound { return Bound{math.Inf(-1), math.Inf(1)} }

// Problem is a model and the points that it should meet.
type Problem struct {
	Model Model
	X, Y  []float64
	U     []float64 // standard uncertainty of each y; nil: all alike, and told from the scatter
	Bound []Bound   // one for each parameter; nil: none
}

// Fit is where the weighted sum of squares is least.
type Fit struct {
	P       []float64
	SD      []float64 // standard deviation of each parameter, to first order; NaN at a bound
	Sum     float64   // of squares of (y − model)/u; of y − model where no u is given
	DF      int       // points less parameters
	AtBound []bool

	covariance []float64 // of the free ones, to first order, before the scatter comes in
}

// Scatter returns the standard deviation of y − model, in u where uncertainties
// are given: √(Sum/DF).
func (f Fit) Scatter() float64 { return math.Sqrt(f.Sum / float64(f.DF)) }

// Correlation returns that of two parameters, to first order.
func (f Fit) Correlation(i, j int) float64 {
	n := len(f.P)
	return f.covariance[i*n+j] / math.Sqrt(f.covariance[i*n+i]*f.covariance[j*n+j])
}

const (
	mostSteps = 500
	// settled is how small a share of the sum of squares a step may promise to take
	// off to be one of the last. A sum holds about 16 digits, so beyond this it can
	// no longer tell a better step from a worse one, and Newton's last steps are
	// taken without asking it.
	settled   = 1e-13
	lastSteps = 3
	// mostDamped is where no step however short makes the sum less.
	mostDamped = 1e16
)

var errNotSettled = errors.New("the fit does not settle: the points do not determine the curve")

// Solve fits by Levenberg's and Marquardt's method, with the damping scaled by
// the columns (J. J. Moré, 1978), from the given start.
func (pr Problem) Solve(start []float64) (Fit, error) {
	if err := pr.check(start); err != nil {
		return Fit{}, err
	}
	w := newWork(pr, start)
	if err := w.descend(-1); err != nil {
		return Fit{}, err
	}
	return w.result(), nil
}

func (pr Problem) check(start []float64) error {
	n := len(start)
	switch {
	case len(pr.X) != len(pr.Y) || pr.U != nil && len(pr.U) != len(pr.Y) || pr.Bound != nil && len(pr.Bound) != n:
		return errors.New("fit a curve: x, y, u and the bounds do not belong together")
	case len(pr.X) < n:
		return fmt.Errorf("fit a curve: %d points cannot determine %d parameters", len(pr.X), n)
	}
	for _, u := range pr.U {
		if !(u > 0) || math.IsInf(u, 1) {
			return fmt.Errorf("fit a curve: an uncertainty of %g has no weight", u)
		}
	}
	return nil
}

// bound is that of parameter i.
func (pr Problem) bound(i int) Bound {
	if pr.Bound == nil {
		return Free()
	}
	return pr.Bound[i]
}

func (pr Problem) weight(k int) float64 {
	if pr.U == nil {
		return 1
	}
	return 1 / pr.U[k]
}
