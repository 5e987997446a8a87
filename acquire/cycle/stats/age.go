package stats

import (
	"fmt"
	"math"

	"ovenward/acquire/calib"
)

// ForecastConfidence is the probability of a forecast's interval.
const ForecastConfidence = 0.90

const (
	// leastPoints is how few runs bear no trend; our own choice.
	leastPoints = 20
	// proofOfTrend is how improbable the values must be without a trend.
	proofOfTrend = 0.01
	// proofOfStep is the confidence from which a step parts the values.
	proofOfStep = 0.99
	// clearlyBetter is how much nearer than a line, in the mean, a step must come.
	clearlyBetter = 0.9
	// farthest is how many times the span of the runs seen a forecast may look ahead.
	farthest = 5
)

// Ageing is how one value a run goes on with the runs.
type Ageing struct {
	Points  int // that the trend is told from
	From    int // index of the first of them: after a step
	Kendall Kendall
	Slope   Slope // per unit of x, 95 %
	Step    *Step // what parts them from those before; nil: none found
}

// Forecast is when a level is reached: an interval of x. Where Refused is not empty
// the values do not bear one, and nothing else holds.
type Forecast struct {
	Refused          string
	Calm             bool // refused since no rise is shown, or none that leads there soon; else since it is not known
	Estimate, Lo, Hi float64
}

// Age describes y over x, which rises: run numbers, or days. They were thinned from so
// many points.
func Age(x, y []float64, of int) (Ageing, error) {
	if len(x) != len(y) || !rising(x, y) {
		return Ageing{}, errShape
	}
	nan := math.NaN()
	a := Ageing{Points: of, Slope: Slope{Slope: nan, Lo: nan, Hi: nan, Intercept: nan}, Kendall: Kendall{Var: nan, Z: nan, P: nan, TauA: nan, TauB: nan}}
	if len(x) < 2 {
		return a, nil
	}
	from := 0
	var err error
	if a.Slope, err = TheilSen(x, y, 0.95); err != nil {
		return a, err
	}
	if s := FindStep(y); s.Confidence >= proofOfStep && stepLeft(y, s.At) < clearlyBetter*lineLeft(x, y, a.Slope) {
		a.Step, from = &s, s.At+1
		a.Slope = Slope{Slope: math.NaN(), Lo: math.NaN(), Hi: math.NaN(), Intercept: math.NaN()}
		if len(x)-from >= 2 {
			if a.Slope, err = TheilSen(x[from:], y[from:], 0.95); err != nil {
				return a, err
			}
		}
	}
	a.Kendall = MannKendall(y[from:])
	a.From = from * a.Points / len(x)
	a.Points -= a.From
	return a, nil
}

// stepLeft is how far the values lie in the mean from the medians on both sides.
func stepLeft(y []float64, at int) float64 {
	sum := 0.0
	for _, part := range [][]float64{y[:at+1], y[at+1:]} {
		m := median(part)
		for _, v := range part {
			sum += math.Abs(v - m)
		}
	}
	return sum
}

func lineLeft(x, y []float64, s Slope) float64 {
	sum := 0.0
	for i := range x {
		sum += math.Abs(y[i] - s.Intercept - s.Slope*x[i])
	}
	return sum
}

// Foresee says when the straight line that y follows over x reaches a level: the
// guard band's edge of a limit. x and y are those that were described, since From, and
// thinned. The interval is Fieller's, of the crossing of the least-squares line (E. C.
// Fieller, 1954), so it holds for values that scatter about a line evenly and
// independently. What departs from that is refused: no trend shown, a bend or values
// that hang together, single values that turn the line, a level too far ahead.
func (a Ageing) Foresee(x, y []float64, level float64) Forecast {
	refuse := func(format string, args ...any) Forecast {
		return Forecast{Refused: fmt.Sprintf(format, args...), Estimate: math.NaN(), Lo: math.NaN(), Hi: math.NaN()}
	}
	few, flat := "only %d runs; %d bear a trend", "no rise is shown (Mann-Kendall: p = %.2g)"
	if a.Step != nil {
		few, flat = "only %d runs since the last step; %d bear a trend", "no rise is shown since the last step (Mann-Kendall: p = %.2g)"
	}
	switch {
	case a.Points < leastPoints:
		return refuse(few, a.Points, leastPoints)
	case !(a.Kendall.P < proofOfTrend && a.Kendall.S > 0):
		return calm(refuse(flat, a.Kendall.P))
	}
	l := lineThrough(x, y)
	switch r := Lag1(l.left); {
	case math.Abs(r) > 2.6/math.Sqrt(float64(len(x))):
		return refuse("the values do not scatter evenly about a straight line (neighbours correlate by %.2f)", r)
	case !(l.slope >= a.Slope.Lo && l.slope <= a.Slope.Hi):
		return refuse("single values far from the others turn the line")
	}
	now := x[len(x)-1]
	f := Forecast{Estimate: l.mx + (level-l.my)/l.slope}
	if f.Estimate <= now {
		return refuse("the line has reached the level already")
	}
	if f.Estimate-now > farthest*(now-x[0]) {
		return calm(refuse("the line does not reach the level within %d times what was seen", farthest))
	}
	ok := false
	if f.Lo, f.Hi, ok = l.crossing(level, ForecastConfidence); !ok {
		return refuse("the slope is too unsure for a latest instant")
	}
	return f
}

// calm marks a forecast that is refused since nothing leads to the level.
func calm(f Forecast) Forecast {
	f.Calm = true
	return f
}

// line is the least-squares line through n points and what is left of them.
type line struct {
	n, mx, my, sxx, slope, scatter float64
	left                           []float64
}

func lineThrough(x, y []float64) line {
	l := line{n: float64(len(x))}
	for i := range x {
		l.mx += x[i] / l.n
		l.my += y[i] / l.n
	}
	sxy := 0.0
	for i := range x {
		l.sxx += (x[i] - l.mx) * (x[i] - l.mx)
		sxy += (x[i] - l.mx) * (y[i] - l.my)
	}
	l.slope = sxy / l.sxx
	sum := 0.0
	for i := range x {
		r := y[i] - l.my - l.slope*(x[i]-l.mx)
		l.left = append(l.left, r)
		sum += r * r
	}
	l.scatter = math.Sqrt(sum / (l.n - 2))
	return l
}

// crossing is Fieller's interval of where the line reaches a level; false when it
// has no end.
func (l line) crossing(level, p float64) (lo, hi float64, ok bool) {
	t := calib.Coverage(p, l.n-2) * l.scatter
	h := level - l.my
	a := l.slope*l.slope - t*t/l.sxx
	if !(a > 0) {
		return 0, 0, false
	}
	root := t * math.Sqrt(h*h/l.sxx+a/l.n)
	return l.mx + (l.slope*h-root)/a, l.mx + (l.slope*h+root)/a, true
}
