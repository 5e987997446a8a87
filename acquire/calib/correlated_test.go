package calib

import (
	"math"
	"testing"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat"
	"pgregory.net/rapid"

	"ovenward/acquire/quantity"
)

// input is one correlated input of a model of measurement: its standard
// uncertainty and the sensitivity of the result to it.
type input struct{ u, sensitivity, df float64 }

// budgetOf makes a budget of inputs that do not grow with a value.
func budgetOf(inputs []input, r *mat.SymDense) Budget {
	var b Budget
	for i, x := range inputs {
		b.Terms = append(b.Terms, Term{Value: x.u, Divisor: 1, Distribution: Student, Sensitivity: x.sensitivity, DF: x.df})
		for j := range i {
			b.Pairs = append(b.Pairs, Pair{A: j, B: i, R: r.At(j, i)})
		}
	}
	return b
}

// byMatrix is the same by linear algebra: the root of cᵀ·V·c.
func byMatrix(inputs []input, r *mat.SymDense) float64 {
	n := len(inputs)
	c, v := mat.NewVecDense(n, nil), mat.NewSymDense(n, nil)
	for i, x := range inputs {
		c.SetVec(i, x.sensitivity)
		for j := i; j < n; j++ {
			v.SetSym(i, j, r.At(i, j)*x.u*inputs[j].u)
		}
	}
	return math.Sqrt(mat.Inner(c, v, c))
}

// JCGM 100:2008, H.2, by its first approach: R, X and Z from the means of V, I
// and the phase, their standard uncertainties and their correlations, which are
// printed as r(V,I) = -0.36, r(V,φ) = 0.86, r(I,φ) = -0.65. Printed results: R
// u 0.071, X u 0.295, Z u 0.236 Ω.
func TestGUMH2ByCorrelatedInputs(t *testing.T) {
	data := mat.NewDense(5, 3, []float64{ // table H.2: volts, milliamperes, radians
		5.007, 19.663, 1.0456, 4.994, 19.639, 1.0438, 5.005, 19.640, 1.0468, 4.990, 19.685, 1.0428, 4.999, 19.678, 1.0433,
	})
	var r mat.SymDense
	stat.CorrelationMatrix(&r, data, nil)
	for _, c := range []struct {
		i, j int
		want float64
	}{{0, 1, -0.36}, {0, 2, 0.86}, {1, 2, -0.65}} {
		if got := r.At(c.i, c.j); math.Abs(got-c.want) > 0.0051 {
			t.Errorf("r(%d,%d) = %.4f, printed %v", c.i, c.j, got, c.want)
		}
	}
	var m [3]Moments
	for i := range 5 {
		for j := range m {
			m[j].Add(data.At(i, j))
		}
	}
	v, i, p := m[0].Mean(), m[1].Mean()/1000, m[2].Mean()
	uV, uI, uP := m[0].MeanSD(), m[1].MeanSD()/1000, m[2].MeanSD()
	z := v / i
	for _, c := range []struct {
		name         string
		value, want  float64
		to           float64 // the printed values are those of the second approach
		u            float64
		dV, dI, dPhi float64
	}{
		{"R", z * math.Cos(p), 127.732, 1e-3, 0.071, math.Cos(p) / i, -z * math.Cos(p) / i, -z * math.Sin(p)},
		{"X", z * math.Sin(p), 219.847, 1e-3, 0.295, math.Sin(p) / i, -z * math.Sin(p) / i, z * math.Cos(p)},
		{"Z", z, 254.260, 1e-3, 0.236, 1 / i, -z / i, 0},
	} {
		inputs := []input{{uV, c.dV, 4}, {uI, c.dI, 4}, {uP, c.dPhi, 4}}
		total := budgetOf(inputs, &r).At(0)
		if math.Abs(c.value-c.want) > c.to || math.Abs(total.Combined-c.u) > 6e-4 {
			t.Errorf("%s = %.4f Ω, u %.5f; printed %v, %v", c.name, c.value, total.Combined, c.want, c.u)
		}
		if want := byMatrix(inputs, &r); math.Abs(total.Combined-want) > 1e-9*want {
			t.Errorf("%s: u %v, by the covariance matrix %v", c.name, total.Combined, want)
		}
		if total.DF != 4 {
			t.Errorf("%s: %v degrees of freedom of five observations", c.name, total.DF)
		}
		if alone := budgetOf(inputs, mat.NewSymDense(3, []float64{1, 0, 0, 0, 1, 0, 0, 0, 1})).At(0); math.Abs(alone.Combined-c.u) < 0.05*c.u {
			t.Errorf("%s: u %v without the correlations too", c.name, alone.Combined)
		}
	}
}

// JCGM 100:2008, H.3: the calibration of a thermometer by least squares, table
// H.6, with t0 = 20 °C. Printed (from memory; the arithmetic is anew): y1 =
// -0.1712 °C, s 0.0029; y2 = 0.00218, s 0.00067; r = -0.930; s = 0.0035 °C; the
// correction at 30 °C is -0.1494 °C, u 0.0041.
func TestGUMH3(t *testing.T) {
	at := []float64{21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511}
	b := []float64{-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160}
	x := make([]float64, len(at))
	var mx Moments
	for i := range at {
		x[i] = at[i] - 20
		mx.Add(x[i])
	}
	y1, y2 := stat.LinearRegression(x, b, nil, false)
	var squares float64
	for i := range x {
		d := b[i] - y1 - y2*x[i]
		squares += d * d
	}
	// GUM (H.13): standard deviations and correlation of intercept and slope.
	n := float64(len(x))
	s := math.Sqrt(squares / (n - 2))
	sxx := mx.SD() * mx.SD() * (n - 1)
	s2 := s / math.Sqrt(sxx)
	s1 := s * math.Sqrt(1/n+mx.Mean()*mx.Mean()/sxx)
	r := -mx.Mean() / math.Sqrt(sxx/n+mx.Mean()*mx.Mean())
	for _, c := range []struct {
		name          string
		got, want, to float64
	}{{"y1", y1, -0.1712, 5e-5}, {"y2", y2, 0.00218, 5e-6}, {"s(y1)", s1, 0.0029, 5e-5}, {"s(y2)", s2, 0.00067, 5e-6}, {"r", r, -0.930, 6e-4}, {"s", s, 0.0035, 5e-5}} {
		if math.Abs(c.got-c.want) > c.to {
			t.Errorf("%s = %v, printed %v", c.name, c.got, c.want)
		}
	}
	correlation := mat.NewSymDense(2, []float64{1, r, r, 1})
	inputs := []input{{s1, 1, n - 2}, {s2, 30 - 20, n - 2}}
	total := budgetOf(inputs, correlation).At(0)
	if value := y1 + y2*10; math.Abs(value+0.1494) > 5e-5 || math.Abs(total.Combined-0.0041) > 5e-5 || total.DF != 9 {
		t.Errorf("b(30 °C) = %v, u %v, ν %v; printed -0.1494, 0.0041, 9", value, total.Combined, total.DF)
	}
	if want := byMatrix(inputs, correlation); math.Abs(total.Combined-want) > 1e-12 {
		t.Errorf("u %v, by the covariance matrix %v", total.Combined, want)
	}
}

// What samples carry is never less than what the budget says, and just that
// where both of each pair grow with the value, or neither does.
func TestSpreadOfCorrelatedTerms(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var b Budget
		mixed := false
		for range rapid.IntRange(2, 5).Draw(t, "terms") {
			b.Terms = append(b.Terms, Term{Value: rapid.Float64Range(0.01, 1).Draw(t, "value"), Divisor: 1, DF: math.Inf(1),
				Sensitivity: rapid.Float64Range(-2, 2).Draw(t, "sensitivity"), Relative: rapid.Bool().Draw(t, "relative")})
		}
		p := Pair{A: 0, B: 1, R: rapid.Float64Range(-1, 1).Draw(t, "r")}
		b.Pairs, mixed = []Pair{p}, b.Terms[0].Relative != b.Terms[1].Relative
		level := quantity.PowerDensity(rapid.Float64Range(0.1, 100).Draw(t, "level"))
		total, carried := b.At(level), float64(b.Spread(level).U(level))
		if carried < total.U*(1-1e-9)-1e-12 || !mixed && carried > total.U*(1+1e-9)+1e-6 {
			t.Fatalf("a sample carries %v, the budget says %v", carried, total.U)
		}
	})
}
