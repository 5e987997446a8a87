package calib

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"

	"ovenward/acquire/quantity"
)

// modelProbe is one like those of the model kitchen: three axes, floor
// 0.02 mW/cm², at 50 mm, with a certificate of 15 %.
func modelProbe() (Nature, *Certificate) {
	cert := certificate()
	cert.U, cert.Factor = 0.15, 1.03
	return Nature{Floor: 0.2, Axes: 3, Distance: 0.05}, cert
}

// inputs are what makes the readings of a probe uncertain: half-widths, but for
// the calibration and the noise. They are written here anew, not taken from the
// budget, which could lack one.
type inputs struct {
	calibration, k                                  float64 // expanded, relative; coverage factor
	linearity, frequency, isotropy, facing          float64 // relative
	kelvin, perKelvin, zero, resolution, metres, sd float64 // K, 1/K, W/m², W/m², m, W/m²
	readings                                        int     // that sd was found from; 0: it is known
}

// modelInputs are those of modelProbe: what is assumed where nobody states it, a
// zero of three times the floor, half a step of a tenth of the floor, and a noise
// of a third of it. Common practice, no source.
func modelInputs() inputs {
	return inputs{calibration: 0.15, k: 2, linearity: 0.05, frequency: 0.10, isotropy: 0.12,
		kelvin: 10, perKelvin: 0.002, zero: 0.6, resolution: 0.01, metres: 0.002, sd: 0.2 / 3}
}

// modelTerms are the names that a budget must have for them.
func modelTerms(direction string) []string {
	return []string{"calibration", "linearity", "frequency response", direction, "temperature",
		"zero", "resolution", "distance", "reading noise"}
}

// draw propagates distributions through the model of a measurement (JCGM
// 101:2008), which is written here anew and not taken from the budget: what the
// probe says of a true field 50 mm from the oven, and what is then made of it by
// a certificate whose factor is 1.03. It returns the errors of the corrected
// value, W/m², in rising order.
func draw(in inputs, field float64, trials int) []float64 {
	const stated, factor = 0.05, 1.03
	r := rand.New(rand.NewPCG(7, 1))
	rect := func(half float64) float64 { return half * (2*r.Float64() - 1) }
	noise := func() float64 { return in.sd * r.NormFloat64() }
	if m := in.readings; m > 1 {
		noise = distuv.StudentsT{Mu: 0, Sigma: in.sd, Nu: float64(m - 1), Src: r}.Rand
	}
	_, cert := modelProbe()
	ch := Correction{Certificate: cert}.Chain()
	errors := make([]float64, trials)
	for i := range errors {
		seen := field * math.Pow(stated/(stated+rect(in.metres)), 2)
		seen *= 1 + rect(in.frequency) + rect(in.linearity)
		seen *= 1 + rect(in.isotropy) + rect(in.facing)
		seen *= 1 + in.perKelvin*rect(in.kelvin)
		said := seen/(factor*(1+in.calibration/in.k*r.NormFloat64())) + rect(in.zero) + rect(in.resolution) + noise()
		s, _, _ := ch.Apply(Raw{S: quantity.PowerDensity(said)})
		errors[i] = float64(s) - field
	}
	slices.Sort(errors)
	return errors
}

// spanOf is half of the 95 % interval between the quantiles.
func spanOf(errors []float64) float64 {
	n := float64(len(errors))
	return (errors[int(0.975*n)] - errors[int(0.025*n)]) / 2
}

func TestBudgetAgreesWithMonteCarlo(t *testing.T) {
	const trials = 400_000 // the quantiles scatter by some tenths of a per cent
	for _, tc := range []struct {
		name  string
		set   func(*Nature, *Certificate, *inputs)
		field float64
		warns string
	}{
		{"the model probe at the limit", func(*Nature, *Certificate, *inputs) {}, 50, ""},
		{"well below the limit", func(*Nature, *Certificate, *inputs) {}, 5, ""},
		{"near the floor", func(*Nature, *Certificate, *inputs) {}, 0.3, "zero is rectangular"},
		{"one axis, turned", func(n *Nature, _ *Certificate, in *inputs) {
			n.Axes, n.Turned = 1, true
			in.isotropy, in.facing = 0, 0.07
		}, 50, ""},
		// With few readings the two guides differ: by Supplement 1 noise of ν degrees
		// of freedom has a variance ν/(ν-2) times larger.
		{"noise of thirty readings", func(n *Nature, _ *Certificate, in *inputs) {
			n.Stated.Noise, n.Stated.NoiseReadings = 4, 30
			in.sd, in.readings = 4, 30
		}, 50, ""},
		{"isotropy alone", func(n *Nature, c *Certificate, in *inputs) {
			c.U, n.Stated.Isotropy, n.Stated.FrequencyResponse, n.Stated.Distance = 0.02, 0.3, 0.01, 0.0002
			in.calibration, in.isotropy, in.frequency, in.metres = 0.02, 0.3, 0.01, 0.0002
		}, 50, "isotropy is rectangular and rules the sum"},
	} {
		n, cert := modelProbe()
		in := modelInputs()
		tc.set(&n, cert, &in)
		b := ProbeBudget(n, cert, nil)
		direction := "isotropy"
		if in.facing > 0 {
			direction = "facing"
		}
		var names []string
		for _, term := range b.Terms {
			names = append(names, term.Name)
		}
		if want := modelTerms(direction); !slices.Equal(names, want) {
			t.Errorf("%s: terms %q, want %q", tc.name, names, want)
		}
		total := b.At(quantity.PowerDensity(tc.field))
		true95 := spanOf(draw(in, tc.field, trials))
		off := math.Abs(total.U/true95 - 1)
		t.Logf("%s: budget ±%.4g W/m² (k %.3g, ν %.3g), Monte Carlo ±%.4g W/m²: %.2f %%", tc.name, total.U, total.K, total.DF, true95, 100*off)
		switch {
		case tc.warns == "" && (off > 0.05 || len(total.Warnings) > 0):
			t.Errorf("%s: U = %v W/m², Monte Carlo %v; warnings %v", tc.name, total.U, true95, total.Warnings)
		case tc.warns != "" && (off <= 0.05 || len(total.Warnings) != 1 || !strings.Contains(total.Warnings[0], tc.warns)):
			t.Errorf("%s: it must warn that U = %v W/m² is not the %v of Monte Carlo; warnings %v", tc.name, total.U, true95, total.Warnings)
		}
	}
}

// A warning of shape stands only where a rectangle rules the sum, not for few degrees of
// freedom, and the interval is nearer to what it names than to U: drawn from the terms,
// each by its distribution and degrees of freedom (JCGM 101:2008, from memory).
func TestShapeIsWarnedOfByMonteCarlo(t *testing.T) {
	for _, tc := range []struct {
		name             string
		sd, df, distance float64 // W/m²: of the calibration; half of the distance's width
		rest             float64
		warns            bool
	}{
		{"a certificate of eight degrees of freedom", 6.25, 8, 4, 1.8, false},
		{"distance rules", 1, 8, 20, 0, true},
		{"distance rules, and few readings too", 4, 5, 20, 0, true},
		{"distance rules, and U is too small", 6, 2, 20, 0, true},
		{"distance rules, but few readings widen it to U", 6, 5, 20, 0, false},
	} {
		b := Budget{Terms: []Term{
			{Name: "calibration", Value: 2 * tc.sd, Distribution: Normal, Divisor: 2, Sensitivity: 1, DF: tc.df},
			{Name: "distance", Value: tc.distance, Distribution: Rectangular, Divisor: math.Sqrt(3), Sensitivity: 1, DF: math.Inf(1)},
			{Name: "noise", Value: tc.rest, Distribution: Normal, Divisor: 1, Sensitivity: 1, DF: math.Inf(1)}}}
		total := b.At(50)
		r := rand.New(rand.NewPCG(11, 1))
		student := distuv.StudentsT{Sigma: tc.sd, Nu: tc.df, Src: r}
		sums := make([]float64, 400_000)
		for i := range sums {
			sums[i] = student.Rand() + tc.distance*(2*r.Float64()-1) + tc.rest*r.NormFloat64()
		}
		slices.Sort(sums)
		true95 := spanOf(sums)
		t.Logf("%s: U ±%.4g (k %.3g), Monte Carlo ±%.4g W/m²; %q", tc.name, total.U, total.K, true95, total.Warnings)
		if warned := len(total.Warnings) > 0; warned != tc.warns || !warned && math.Abs(total.U/true95-1) > 0.05 {
			t.Errorf("%s: U %v, Monte Carlo %v W/m²; %q", tc.name, total.U, true95, total.Warnings)
		}
		for _, w := range total.Warnings {
			var named float64 // mW/cm²
			_, after, _ := strings.Cut(w, "is nearer to ±")
			if _, err := fmt.Sscan(after, &named); err != nil || math.Abs(10*named-true95) > math.Abs(total.U-true95) {
				t.Errorf("%s: Monte Carlo %v W/m²; %q, %v", tc.name, true95, w, err)
			}
		}
	}
}

// The half-width that a warning names: a rectangle alone covers 95 % with 0.95 of
// its half-width, a normal distribution with 1.96 standard deviations, and both
// together what is drawn.
func TestHalfWidth(t *testing.T) {
	if got := halfWidth(2, 0, 0.95); math.Abs(got-1.9) > 1e-12 {
		t.Errorf("a rectangle: %v", got)
	}
	if got := halfWidth(1e-6, 1, 0.95); math.Abs(got-1.959964) > 1e-6 {
		t.Errorf("a normal distribution: %v", got)
	}
	r := rand.New(rand.NewPCG(3, 1))
	for _, sd := range []float64{0.05, 0.3, 1, 3} {
		all := make([]float64, 200_000)
		for i := range all {
			all[i] = 2*r.Float64() - 1 + sd*r.NormFloat64()
		}
		slices.Sort(all)
		if got, want := halfWidth(1, sd, 0.95), spanOf(all); math.Abs(got/want-1) > 0.01 {
			t.Errorf("sd %v: %v, drawn %v", sd, got, want)
		}
	}
}
