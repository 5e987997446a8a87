package survey

import (
	"errors"
	"fmt"
	"math"

	"ovenward/acquire/quantity"
	"ovenward/acquire/survey/curve"
)

// The parameters of the curve, in their order. With a level's distance in place
// of S0 the first is ln(distance/r0).
const (
	atS0 = iota
	atN
	atBackground
	parameters
)

// fallOff is S0·exp(−n·x) + background, with x = ln(r/r0).
func fallOff(x float64, p, slope []float64) float64 {
	q := math.Exp(-p[atN] * x)
	slope[atS0], slope[atN], slope[atBackground] = q, 0, 1
	if q > 0 { // with the oven off there is no x to multiply
		slope[atN] = -p[atS0] * q * x
	}
	return p[atS0]*q + p[atBackground]
}

// throughLevel is the same curve, told by where it passes a level: so the
// distance is a parameter, and has an interval like any other.
func throughLevel(level float64) curve.Model {
	return func(x float64, p, slope []float64) float64 {
		over := level - p[atBackground]
		q := math.Exp(p[atN] * (p[atS0] - x))
		slope[atS0], slope[atN], slope[atBackground] = 0, 0, 1-q
		if q > 0 {
			slope[atS0], slope[atN] = over*q*p[atN], over*q*(p[atS0]-x)
		}
		return p[atBackground] + over*q
	}
}

// fall is the fit of one walk.
type fall struct {
	problem curve.Problem
	fit     curve.Fit
	floor   float64 // W/m² that the background may lie below zero
	widened float64
}

func newFall(marks []Mark, s StandOff, w Walk) (*fall, error) {
	f := &fall{problem: curve.Problem{Model: fallOff}, floor: float64(w.Floor), widened: 1}
	stated, least := 0, math.Inf(1)
	for _, m := range marks {
		f.problem.X = append(f.problem.X, math.Log(float64(m.Distance/s.From)))
		f.problem.Y = append(f.problem.Y, float64(m.Value))
		f.problem.U = append(f.problem.U, float64(m.U))
		least = min(least, math.Abs(float64(m.Value)))
		if m.U > 0 {
			stated++
		}
	}
	switch stated {
	case 0:
		f.problem.U = nil
	case len(marks):
	default:
		return nil, errors.New("fit the walk: some marks state an uncertainty and some do not: state it for all or for none")
	}
	if f.floor == 0 {
		f.floor = least
		for _, m := range marks { // what it is measured to be may be no more than noise about nothing
			if m.Off() {
				f.floor = max(f.floor, math.Abs(float64(m.Value))+2*fromBound*float64(m.U))
			}
		}
	}
	f.problem.Bound = []curve.Bound{{Lo: 0, Hi: math.Inf(1)}, {Lo: LeastExponent, Hi: MostExponent}, {Lo: -f.floor, Hi: math.Inf(1)}}
	return f, nil
}

// start is the best of a row of exponents; for each the rest is a straight line.
func (f *fall) start() []float64 {
	best, least := []float64{1, 2, 0}, math.Inf(1)
	for n := LeastExponent; n <= MostExponent; n += 0.25 {
		var w, q1, q2, y1, qy float64
		for k, x := range f.problem.X {
			g, q := 1.0, math.Exp(-n*x)
			if f.problem.U != nil {
				g = 1 / (f.problem.U[k] * f.problem.U[k])
			}
			y := f.problem.Y[k]
			w, q1, q2, y1, qy = w+g, q1+g*q, q2+g*q*q, y1+g*y, qy+g*q*y
		}
		s0 := (w*qy - q1*y1) / (w*q2 - q1*q1)
		p := []float64{s0, n, (y1 - s0*q1) / w}
		sum, slope := 0.0, make([]float64, parameters)
		for k, x := range f.problem.X {
			r := f.problem.Y[k] - fallOff(x, p, slope)
			if f.problem.U != nil {
				r /= f.problem.U[k]
			}
			sum += r * r
		}
		if sum < least {
			best, least = p, sum
		}
	}
	return best
}

// solve fits and refuses what the marks do not bear.
func (f *fall) solve(s *StandOff) bool {
	fit, err := f.problem.Solve(f.start())
	if err != nil {
		s.Refused = append(s.Refused, err.Error())
		return false
	}
	f.fit = fit
	refuse := func(format string, args ...any) { s.Refused = append(s.Refused, fmt.Sprintf(format, args...)) }
	if fit.AtBound[atS0] || !(fit.P[atS0] > 0) {
		refuse("the values do not fall with distance")
	}
	if fit.AtBound[atN] {
		refuse("the exponent came to rest at %.3g, an end of the range %g to %d that a field can follow", fit.P[atN], LeastExponent, MostExponent)
	}
	if fit.AtBound[atBackground] {
		refuse("the background came to rest at %s, the least that it can be: the marks do not tell it from the fall; take one with the oven off, or go farther back",
			mw(fit.P[atBackground]))
	}
	return len(s.Refused) == 0
}

// wide holds only what keeps the arithmetic in range: an interval is of the marks,
// not of what we let the estimate be.
func wide(pr curve.Problem) curve.Problem {
	pr.Bound = []curve.Bound{curve.Free(), {Lo: 0.02, Hi: 20}, curve.Free()}
	return pr
}

// describe fills in curve, intervals, residuals and warnings.
func (f *fall) describe(s *StandOff) {
	fit, pr := f.fit, wide(f.problem)
	s.Sum, s.DF, s.Stated, s.P = fit.Sum, fit.DF, f.problem.U != nil, math.NaN()
	scatter := fit.Scatter()
	if s.Stated {
		if s.P = chance(fit.Sum, fit.DF); s.P < leastChance {
			f.widened = scatter
			s.Warnings = append(s.Warnings, fmt.Sprintf("the values lie %.3g times as far from the curve as their uncertainties say (probability by chance %.2g): the intervals are widened by that, and the curve may not be the right one",
				scatter, s.P))
		}
		scatter = 1
	} else {
		s.Warnings = append(s.Warnings, fmt.Sprintf("no uncertainty is stated: all values are taken as equally uncertain in mW/cm², and how much is told from their scatter (%s)",
			degrees(fit.DF)))
	}
	s.Widened = f.widened
	s.S0 = interval(pr, fit, atS0, f.widened)
	s.N = interval(pr, fit, atN, f.widened)
	s.Background = interval(pr, fit, atBackground, f.widened)
	f.doubt(s)
	slope := make([]float64, parameters)
	for i, m := range s.Marks {
		x := math.Log(float64(m.Distance / s.From))
		s.Marks[i].Fitted = quantity.PowerDensity(fallOff(x, fit.P, slope))
		u := scatter
		if m.U > 0 {
			u = float64(m.U)
		}
		s.Marks[i].InUnits = float64(m.Value-s.Marks[i].Fitted) / u
	}
}

const (
	// leastChance is how improbable a scatter must be for the stated uncertainties
	// to be given up.
	leastChance = 0.01
	// fromBound is how many standard deviations an estimate must keep from the end
	// of its range: nearer, walks that would have come to rest there are missing
	// from those that give an answer, and the intervals do not hold what they claim.
	fromBound = 3
	// farOff is how far from the marks an end of an interval is looked for, as the
	// logarithm of a ratio: a thousand times as near, or as far.
	farOff = 7
)

// doubt warns of estimates that the ends of their ranges have touched.
func (f *fall) doubt(s *StandOff) {
	sd := func(i int) float64 { return f.fit.SD[i] * f.widened }
	p := f.fit.P
	if d := fromBound * sd(atN); !(p[atN]-d > LeastExponent && p[atN]+d < MostExponent) {
		s.Warnings = append(s.Warnings, fmt.Sprintf("the marks hardly determine the exponent: its range ends at %g and %d", LeastExponent, MostExponent))
	}
	if !(p[atBackground]-fromBound*sd(atBackground) > -f.floor) {
		s.Warnings = append(s.Warnings, "the marks hardly determine the background: take one with the oven off, or go farther back")
	}
}

// reach finds where the curve passes a level.
func (f *fall) reach(s *StandOff, l Level) Reached {
	none := Estimate{math.NaN(), math.NaN(), math.NaN()}
	r := Reached{Level: l, Distance: none, Where: Nowhere}
	over := float64(l.Value) - f.fit.P[atBackground]
	if !(over > fromBound*f.fit.SD[atBackground]*f.widened) {
		r.Why = fmt.Sprintf("cannot be told from the background of %s along this line", mw(f.fit.P[atBackground]))
		return r
	}
	at := math.Log(f.fit.P[atS0]/over) / f.fit.P[atN]
	pr := f.problem
	pr.Model = throughLevel(float64(l.Value))
	pr = wide(pr)
	pr.Bound[atS0] = curve.Bound{Lo: -farOff, Hi: math.Log(float64(s.To/s.From)) + farOff}
	fit, err := pr.Solve([]float64{at, f.fit.P[atN], f.fit.P[atBackground]})
	if err != nil {
		r.Why = err.Error()
		return r
	}
	e := interval(pr, fit, atS0, f.widened)
	metres := func(x float64) float64 { return float64(s.From) * math.Exp(x) }
	r.Distance = Estimate{metres(e.Value), metres(e.Lo), metres(e.Hi)}
	switch d := r.Distance.Value; {
	case d < float64(s.From):
		r.Where = Nearer
	case d > float64(s.To):
		r.Where = Farther
	default:
		r.Where = Among
	}
	r.Beyond = r.Distance.Lo < float64(s.From) || r.Distance.Hi > float64(s.To)
	return r
}

func mw(s float64) string { return quantity.MilliwattPerSquareCentimetre().FormatDigits(s, 3) }

func degrees(df int) string { return many(df, "degree") + " of freedom" }
