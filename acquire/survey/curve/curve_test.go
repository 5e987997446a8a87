package curve

import (
	"math"
	"math/rand/v2"
	"testing"
)

// power is y = b1·x^b2.
func power(x float64, p, slope []float64) float64 {
	q := math.Pow(x, p[1])
	slope[0], slope[1] = q, p[0]*q*math.Log(x)
	return p[0] * q
}

// rising is y = b1·(1 − exp(−b2·x)).
func rising(x float64, p, slope []float64) float64 {
	e := math.Exp(-p[1] * x)
	slope[0], slope[1] = 1-e, p[0]*x*e
	return p[0] * (1 - e)
}

// reference is a data set with certified values: NIST/ITL Statistical Reference
// Datasets, nonlinear regression, as published by NIST.
type reference struct {
	name    string
	model   Model
	x, y    []float64
	starts  [][]float64
	p, sd   []float64
	sum, sr float64
}

func references() []reference {
	return []reference{{
		name: "DanWood", model: power, // Daniel and Wood 1980, after Keeping 1962, p. 354
		y:      []float64{2.138, 3.421, 3.597, 4.340, 4.882, 5.660},
		x:      []float64{1.309, 1.471, 1.490, 1.565, 1.611, 1.680},
		starts: [][]float64{{1, 5}, {0.7, 4}},
		p:      []float64{7.6886226176e-01, 3.8604055871e+00}, sd: []float64{1.8281973860e-02, 5.1726610913e-02},
		sum: 4.3173084083e-03, sr: 3.2853114039e-02,
	}, {
		name: "Misra1a", model: rising, // Misra, D., NIST 1978, dental research monomolecular adsorption
		y:      []float64{10.07, 14.73, 17.94, 23.93, 29.61, 35.18, 40.02, 44.82, 50.76, 55.05, 61.01, 66.40, 75.47, 81.78},
		x:      []float64{77.6, 114.9, 141.1, 190.8, 239.9, 289.0, 332.8, 378.4, 434.8, 477.3, 536.8, 593.1, 689.1, 760.0},
		starts: [][]float64{{500, 0.0001}, {250, 0.0005}},
		p:      []float64{2.3894212918e+02, 5.5015643181e-04}, sd: []float64{2.7070075241e+00, 7.2668688436e-06},
		sum: 1.2455138894e-01, sr: 1.0187876330e-01,
	}}
}

// digits is how many digits of want got has: the log relative error.
func digits(got, want float64) float64 {
	if got == want {
		return 15
	}
	return -math.Log10(math.Abs(got-want) / math.Abs(want))
}

func TestCertifiedValues(t *testing.T) {
	for _, r := range references() {
		for i, start := range r.starts {
			f, err := Problem{Model: r.model, X: r.x, Y: r.y}.Solve(start)
			if err != nil {
				t.Errorf("%s from start %d: %v", r.name, i+1, err)
				continue
			}
			least := min(digits(f.Sum, r.sum), digits(f.Scatter(), r.sr))
			for j := range r.p {
				least = min(least, digits(f.P[j], r.p[j]), digits(f.SD[j], r.sd[j]))
			}
			t.Logf("%s from start %d: %.1f digits at least", r.name, i+1, least)
			if least < 9 {
				t.Errorf("%s from start %d: %.10g ± %.10g, sum %.10g: only %.1f digits", r.name, i+1, f.P, f.SD, f.Sum, least)
			}
		}
	}
}

// A straight line through the logarithms gives other values, published as such by
// nobody: it is another estimator, and not ours.
func TestLogLogLineIsAnotherEstimator(t *testing.T) {
	r := references()[0]
	var n, sx, sy, sxx, sxy float64
	for i := range r.x {
		x, y := math.Log(r.x[i]), math.Log(r.y[i])
		n, sx, sy, sxx, sxy = n+1, sx+x, sy+y, sxx+x*x, sxy+x*y
	}
	b2 := (n*sxy - sx*sy) / (n*sxx - sx*sx)
	b1 := math.Exp((sy - b2*sx) / n)
	if digits(b1, 0.749945) < 5.5 || digits(b2, 3.917206) < 5.5 {
		t.Errorf("the line through the logarithms is %.7g, %.7g, want 0.749945, 3.917206", b1, b2)
	}
	f, err := Problem{Model: r.model, X: r.x, Y: r.y}.Solve([]float64{b1, b2})
	if err != nil {
		t.Fatal(err)
	}
	if d := math.Abs(f.P[1] - b2); d < f.SD[1] {
		t.Errorf("the exponents %.5f and %.5f differ by %.5f, less than one standard deviation", f.P[1], b2, d)
	}
}

// For a straight line the profile interval is Student's, exactly.
func TestProfileOfALineIsStudents(t *testing.T) {
	line := func(x float64, p, slope []float64) float64 {
		slope[0], slope[1] = 1, x
		return p[0] + p[1]*x
	}
	pr := Problem{Model: line, X: []float64{1, 2, 3, 4}, Y: []float64{1.1, 1.9, 3.2, 3.8}}
	f, err := pr.Solve([]float64{0, 0})
	if err != nil {
		t.Fatal(err)
	}
	const t2 = 4.302652729911275 // Student, 2 degrees of freedom, 95 %
	for i := range f.P {
		v := pr.Profile(f, i, 0.95, 1)
		if digits(v.Hi-f.P[i], t2*f.SD[i]) < 6 || digits(f.P[i]-v.Lo, t2*f.SD[i]) < 6 {
			t.Errorf("parameter %d: %g to %g about %g, want ± %g", i, v.Lo, v.Hi, f.P[i], t2*f.SD[i])
		}
	}
	pr.U = []float64{0.1, 0.1, 0.1, 0.1}
	if f, err = pr.Solve(f.P); err != nil {
		t.Fatal(err)
	}
	const z = 1.959963984540054
	for _, widened := range []float64{1, 2.5} {
		v := pr.Profile(f, 1, 0.95, widened)
		if want := z * widened * 0.1 / math.Sqrt(5); digits(v.Hi-f.P[1], want) < 6 {
			t.Errorf("widened %g: half of the interval is %g, want %g", widened, v.Hi-f.P[1], want)
		}
	}
}

// The weights are those of 1/u²: a point counted three times is one with u/√3.
func TestWeights(t *testing.T) {
	a := Problem{Model: power, X: []float64{1, 2, 3, 4}, Y: []float64{1, 3.9, 9.2, 15.5}, U: []float64{1, 1, 1, 1 / math.Sqrt(3)}}
	b := Problem{Model: power, X: []float64{1, 2, 3, 4, 4, 4}, Y: []float64{1, 3.9, 9.2, 15.5, 15.5, 15.5}, U: []float64{1, 1, 1, 1, 1, 1}}
	fa, erra := a.Solve([]float64{1, 1})
	fb, errb := b.Solve([]float64{1, 1})
	if erra != nil || errb != nil {
		t.Fatal(erra, errb)
	}
	for i := range fa.P {
		if digits(fa.P[i], fb.P[i]) < 9 || digits(fa.SD[i], fb.SD[i]) < 9 {
			t.Errorf("%g ± %g, want %g ± %g", fa.P[i], fa.SD[i], fb.P[i], fb.SD[i])
		}
	}
}

func TestBounds(t *testing.T) {
	pr := Problem{Model: power, X: []float64{1, 2, 3, 4}, Y: []float64{1, 4, 9, 16}, Bound: []Bound{Free(), {0, 1.5}}}
	f, err := pr.Solve([]float64{1, 1})
	if err != nil {
		t.Fatal(err)
	}
	// With the exponent at 1.5 the best factor is Σy·x^1.5/Σx³ = 2.2516… by hand.
	num, den := 0.0, 0.0
	for i, x := range pr.X {
		q := math.Pow(x, 1.5)
		num, den = num+q*pr.Y[i], den+q*q
	}
	if f.P[1] != 1.5 || !f.AtBound[1] || f.AtBound[0] || digits(f.P[0], num/den) < 9 || !math.IsNaN(f.SD[1]) {
		t.Errorf("%+v, want the exponent at its bound of 1.5 and a factor of %g", f, num/den)
	}
	pr.Bound[1].Hi = 3
	if f, err = pr.Solve([]float64{1, 3}); err != nil || f.AtBound[1] || digits(f.P[1], 2) < 8 {
		t.Errorf("%+v, %v: a start at a bound is not left again", f, err)
	}
}

func TestWhatCannotBeFitted(t *testing.T) {
	for name, pr := range map[string]Problem{
		"too few points": {Model: power, X: []float64{1}, Y: []float64{1}},
		"lengths":        {Model: power, X: []float64{1, 2}, Y: []float64{1}},
		"zero u":         {Model: power, X: []float64{1, 2}, Y: []float64{1, 2}, U: []float64{1, 0}},
		"no number":      {Model: power, X: []float64{1, 2}, Y: []float64{1, math.NaN()}},
	} {
		if f, err := pr.Solve([]float64{1, 1}); err == nil {
			t.Errorf("%s: fitted %v", name, f.P)
		}
	}
}

// An end that the points do not give is infinite, never a number.
func TestOpenEnd(t *testing.T) {
	// y falls to a level of its own: the rate is bounded from below only.
	decay := func(x float64, p, slope []float64) float64 {
		e := math.Exp(-p[0] * x)
		slope[0] = -x * e
		return e
	}
	pr := Problem{Model: decay, X: []float64{1, 2}, Y: []float64{0.01, 0}, U: []float64{0.02, 0.02}}
	f, err := pr.Solve([]float64{3})
	if err != nil {
		t.Fatal(err)
	}
	if v := pr.Profile(f, 0, 0.95, 1); !math.IsInf(v.Hi, 1) || !(v.Lo > 2 && v.Lo < f.P[0]) || !v.Holds(1e6) || v.Holds(1) {
		t.Errorf("%v about %v, want no upper end", v, f.P)
	}
}

// TestRandomStarts fits invented curves from bad starts.
func TestRandomStarts(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 6))
	for k := range 300 {
		a, b := 0.1+5*rng.Float64(), -3+6*rng.Float64()
		pr := Problem{Model: power}
		for x := 1.0; x < 6; x++ {
			pr.X, pr.Y = append(pr.X, x), append(pr.Y, a*math.Pow(x, b))
		}
		f, err := pr.Solve([]float64{0.1 + 5*rng.Float64(), -3 + 6*rng.Float64()})
		if err != nil || digits(f.P[0], a) < 7 || math.Abs(f.P[1]-b) > 1e-7 {
			t.Errorf("%d: %v, %v, want %g, %g", k, f.P, err, a, b)
		}
	}
}
