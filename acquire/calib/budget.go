package calib

import (
	"fmt"
	"math"

	"ovenward/acquire/quantity"
)

// Distribution is what is known of an input within what is stated of it.
type Distribution string

const (
	Normal      Distribution = "normal"      // stated as an expanded uncertainty; the divisor is its k
	Rectangular Distribution = "rectangular" // anywhere within ± what is stated, alike: √3 (JCGM 100:2008, 4.3.7)
	Student     Distribution = "t"           // a standard deviation that was observed
)

// level95 is the level of confidence of all expanded uncertainties here.
const level95 = 0.95

// Term is one line of a budget.
type Term struct {
	Name         string
	Value        float64 // half-width, expanded uncertainty or standard deviation, in Unit
	Unit         string  // "1" for a relative one, "W/m²", "m"
	Distribution Distribution
	Divisor      float64
	Sensitivity  float64 // of the result to Value: relative to S in 1/Unit, or W/m² per Unit
	Relative     bool    // the contribution grows with S
	DF           float64 // +Inf: unlimited
	From         string  // where Value is from
	Assumed      bool    // nobody stated it: common practice, no source
}

// Standard is the standard uncertainty of the term's input, in its unit.
func (t Term) Standard() float64 { return t.Value / t.Divisor }

// Contribution is what the term contributes to the standard uncertainty of s, in
// W/m².
func (t Term) Contribution(s quantity.PowerDensity) float64 {
	c := math.Abs(t.Sensitivity) * t.Standard()
	if t.Relative {
		c *= math.Abs(float64(s))
	}
	return c
}

// Budget is what makes the values of one probe at one post uncertain.
type Budget struct {
	Terms []Term
	Pairs []Pair   // terms that vary together; all others are independent
	Notes []string // what the terms do not cover
}

// Pair is two terms of a budget, by their places, whose inputs are correlated.
type Pair struct {
	A, B int
	R    float64 // correlation coefficient of the inputs, -1 to 1
}

// Total is a budget added up at one level.
type Total struct {
	Level    quantity.PowerDensity // W/m²
	Combined float64               // standard uncertainty, W/m²
	DF       float64               // effective degrees of freedom; +Inf: unlimited
	K        float64               // coverage factor for 95 %
	U        float64               // expanded uncertainty, W/m²
	Warnings []string
}

// At adds the budget up for a corrected value. The effective degrees of freedom
// are cut to a whole number before k is taken (JCGM 100:2008, G.6.4).
func (b Budget) At(level quantity.PowerDensity) Total {
	parts := make([]Component, len(b.Terms))
	for i, t := range b.Terms {
		parts[i] = Component{t.Contribution(level), t.DF}
	}
	u, df := Combine(parts...)
	if len(b.Pairs) > 0 {
		u, df = b.correlate(level, u, df)
	}
	t := Total{Level: level, Combined: u, DF: df, K: Coverage(level95, math.Max(1, math.Floor(df)))}
	if math.IsInf(df, 1) {
		t.K = Coverage(level95, df)
	}
	t.U = t.K * u
	if w := b.shape(level, t); w != "" {
		t.Warnings = append(t.Warnings, w)
	}
	return t
}

// signed is the contribution with its sign, relative or in W/m².
func (t Term) signed() float64 { return t.Sensitivity * t.Standard() }

// correlate adds what pairs contribute to the combined uncertainty (JCGM
// 100:2008, 5.2.2). The Welch-Satterthwaite formula does not hold for them
// (G.4.1), so that the degrees of freedom are the fewest that any of them has.
func (b Budget) correlate(level quantity.PowerDensity, u, df float64) (float64, float64) {
	at := func(i int) float64 {
		if c := b.Terms[i].signed(); b.Terms[i].Relative {
			return c * float64(level)
		}
		return b.Terms[i].signed()
	}
	variance := u * u
	for _, p := range b.Pairs {
		variance += 2 * p.R * at(p.A) * at(p.B)
		df = min(df, b.Terms[p.A].DF, b.Terms[p.B].DF)
	}
	return math.Sqrt(math.Max(variance, 0)), df
}

// Spread makes the budget ready for samples. Its k is that at level, the limit
// the post is judged by: there it decides. A pair of which one alone grows with
// the value counts at its most.
func (b Budget) Spread(level quantity.PowerDensity) Spread {
	var rel, abs float64
	for _, t := range b.Terms {
		if c := t.signed(); t.Relative {
			rel += c * c
		} else {
			abs += c * c
		}
	}
	for _, p := range b.Pairs {
		x, y := b.Terms[p.A], b.Terms[p.B]
		switch both := 2 * p.R * x.signed() * y.signed(); {
		case x.Relative && y.Relative:
			rel += both
		case !x.Relative && !y.Relative:
			abs += both
		default: // 2ab is at most a² + b²
			if y.Relative {
				x, y = y, x
			}
			rel += math.Abs(p.R) * x.signed() * x.signed()
			abs += math.Abs(p.R) * y.signed() * y.signed()
		}
	}
	return Spread{Rel: math.Sqrt(math.Max(rel, 0)), Abs: quantity.PowerDensity(math.Sqrt(math.Max(abs, 0))), K: b.At(level).K}
}

// shapeTolerance is how far k·u may lie from the true 95 % half-width before the
// budget says so.
const shapeTolerance = 0.05

// shape warns where one rectangular term rules the sum, so that it is not nearly
// normal and k does not hold (JCGM 100:2008, G.6.5). The rest is taken as
// normal, and as wide as its own degrees of freedom ask: few of them are no matter of
// shape, and are no reason to warn.
func (b Budget) shape(level quantity.PowerDensity, t Total) string {
	var most Term
	var width float64 // half-width of the term in the result, W/m²
	for _, x := range b.Terms {
		if w := x.Contribution(level) * x.Divisor; x.Distribution == Rectangular && w > width {
			most, width = x, w
		}
	}
	if width == 0 {
		return ""
	}
	u := width / math.Sqrt(3)
	rest := math.Sqrt(math.Max(t.Combined*t.Combined-u*u, 0))
	df := t.DF
	if !math.IsInf(df, 1) && len(b.Pairs) == 0 { // those of the rest, by the formula that made them
		df = math.Max(1, df*math.Pow(rest/t.Combined, 4))
	}
	normal := Coverage(level95, math.Inf(1))
	half := halfWidth(width, rest*Coverage(level95, df)/normal, level95)
	off := func(u, from float64) bool { return math.Abs(u/from-1) > shapeTolerance }
	if off(normal*t.Combined, halfWidth(width, rest, level95)) && off(t.U, half) {
		return fmt.Sprintf("%s is rectangular and rules the sum: k = %.3g does not hold, and the 95 %% interval is nearer to ±%s than to ±%s",
			most.Name, t.K, power(half), power(t.U))
	}
	return ""
}

// halfWidth returns x such that the sum of a value anywhere within ±a and a
// normal one of standard deviation sd lies within ±x with probability p.
func halfWidth(a, sd, p float64) float64 {
	if sd < 1e-9*a {
		return p * a
	}
	within := func(x float64) float64 { // the normal distribution's integral over the rectangle
		g := func(z float64) float64 { return z*phi(z) + math.Exp(-z*z/2)/math.Sqrt(2*math.Pi) }
		return (g((x+a)/sd)-g((x-a)/sd))*sd/a - 1
	}
	lo, hi := 0.0, a+8*sd
	for range 100 {
		if x := (lo + hi) / 2; within(x) < p {
			lo = x
		} else {
			hi = x
		}
	}
	return (lo + hi) / 2
}

// phi is the standard normal distribution function.
func phi(z float64) float64 { return math.Erfc(-z/math.Sqrt2) / 2 }

// power prints a power density in W/m² as people read it, to three digits.
func power(s float64) string { return quantity.MilliwattPerSquareCentimetre().FormatDigits(s, 3) }
