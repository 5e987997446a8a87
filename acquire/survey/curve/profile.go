package curve

import (
	"math"

	"ovenward/acquire/calib"
)

// Interval is a range of a parameter. An end that the points do not give is
// infinite.
type Interval struct{ Lo, Hi float64 }

// Holds says whether x lies in the interval, its ends included.
func (v Interval) Holds(x float64) bool { return v.Lo <= x && x <= v.Hi }

// Profile returns the interval of parameter i that holds it with probability p,
// by the profile likelihood (Bates and Watts, Nonlinear Regression Analysis, 1988,
// ch. 6): all values at which the sum of squares, made least over the others,
// stays within t²·s² of the least of all. Where uncertainties are given t is
// normal and s is widened (1: as given); else t is Student's with f.DF degrees of
// freedom and s the scatter. The end towards a bound that is met first is
// infinite.
func (pr Problem) Profile(f Fit, i int, p, widened float64) Interval {
	t, s := calib.Coverage(p, math.Inf(1)), widened
	if pr.U == nil {
		t, s = calib.Coverage(p, float64(f.DF)), f.Scatter()
	}
	return Interval{pr.end(f, i, -1, t, s), pr.end(f, i, 1, t, s)}
}

// end searches one end: the signed root of the rise of the sum is nearly straight
// in the parameter, so a chord finds it in few steps.
func (pr Problem) end(f Fit, i int, side, t, s float64) float64 {
	if !(s > 0) {
		return f.P[i]
	}
	b := pr.bound(i)
	limit := b.Lo
	if side > 0 {
		limit = b.Hi
	}
	w := newWork(pr, f.P)
	rise := func(x float64) float64 { // in units of t, less one; NaN when the others do not settle
		w.p[i] = x
		clear(w.scale)
		if w.descend(i) != nil {
			copy(w.p, f.P)
			return math.NaN()
		}
		return math.Sqrt(max(0, w.sum-f.Sum))/(s*t) - 1
	}
	in, atIn := f.P[i], -1.0
	step := t * s * pr.firstOrder(f, i)
	out, atOut := in, atIn
	for range 60 { // outwards until the end is passed
		if out += side * step; side*(out-limit) >= 0 {
			out = limit
		}
		if math.IsInf(out, 0) {
			return out
		}
		if atOut = rise(out); atOut >= 0 {
			break
		}
		if out == limit || math.IsNaN(atOut) {
			return math.Inf(int(side))
		}
		if gain := atOut - atIn; gain > 0 {
			step = math.Abs(out-in) * min(4, max(0.05, -1.1*atOut/gain))
		} else {
			step *= 4
		}
		in, atIn = out, atOut
	}
	if !(atOut >= 0) {
		return math.Inf(int(side))
	}
	return chord(rise, in, out, atIn, atOut)
}

// chord finds the zero of f between in (f < 0) and out (f ≥ 0), by false position
// with the Illinois halving.
func chord(f func(float64) float64, in, out, atIn, atOut float64) float64 {
	const close = 1e-6 // of t
	for range 60 {
		x := out - atOut*(out-in)/(atOut-atIn)
		y := f(x)
		switch {
		case math.IsNaN(y) || math.Abs(y) < close:
			return x
		case y > 0:
			out, atOut = x, y
			atIn /= 2
		default:
			in, atIn = x, y
			atOut /= 2
		}
	}
	return out
}

// firstOrder is the standard deviation of parameter i before scatter, or a guess
// where there is none.
func (pr Problem) firstOrder(f Fit, i int) float64 {
	if sd := math.Sqrt(f.covariance[i*len(f.P)+i]); sd > 0 && !math.IsNaN(sd) && !f.AtBound[i] {
		return sd
	}
	return max(1e-3, 0.1*math.Abs(f.P[i]))
}
