package calib

import (
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

// draw propagates distributions through the model of a measurement (JCGM
// 101:2008), which is written here anew and not taken from the budget: what the
// probe says of a true field at the stated distance, and what is then made of
// it. It returns the errors of the corrected value, W/m², in rising order.
func draw(n Nature, cert *Certificate, b Budget, field float64, trials int) []float64 {
	r := rand.New(rand.NewPCG(7, 1))
	half := map[string]float64{}
	for _, t := range b.Terms {
		half[t.Name] = t.Value
	}
	rect := func(name string) float64 { return half[name] * (2*r.Float64() - 1) }
	normal := func(name string, k float64) float64 { return half[name] / k * r.NormFloat64() }
	noise := func() float64 { return normal("reading noise", 1) }
	if m := n.Stated.NoiseReadings; m > 1 {
		student := distuv.StudentsT{Mu: 0, Sigma: half["reading noise"], Nu: float64(m - 1), Src: r}
		noise = student.Rand
	}
	perKelvin := b.Terms[slices.IndexFunc(b.Terms, func(t Term) bool { return t.Name == "temperature" })].Sensitivity
	ch := Correction{Certificate: cert}.Chain()
	errors := make([]float64, trials)
	for i := range errors {
		distance := float64(n.Distance) + rect("distance")
		seen := field * math.Pow(float64(n.Distance)/distance, 2)
		seen *= 1 + rect("frequency response") + rect("linearity")
		seen *= 1 + rect("isotropy") + rect("facing")
		seen *= 1 + perKelvin*rect("temperature")
		said := seen/(cert.Factor*(1+normal("calibration", cert.K))) + rect("zero") + rect("resolution") + noise()
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
		set   func(*Nature, *Certificate)
		field float64
		warns string
	}{
		{"the model probe at the limit", func(*Nature, *Certificate) {}, 50, ""},
		{"well below the limit", func(*Nature, *Certificate) {}, 5, ""},
		{"near the floor", func(*Nature, *Certificate) {}, 0.3, "zero is rectangular"},
		{"one axis, turned", func(n *Nature, _ *Certificate) { n.Axes, n.Turned = 1, true }, 50, ""},
		// With few readings the two guides differ: by Supplement 1 noise of ν degrees
		// of freedom has a variance ν/(ν-2) times larger.
		{"noise of thirty readings", func(n *Nature, _ *Certificate) { n.Stated.Noise, n.Stated.NoiseReadings = 4, 30 }, 50, ""},
		{"isotropy alone", func(n *Nature, c *Certificate) {
			c.U, n.Stated.Isotropy, n.Stated.FrequencyResponse, n.Stated.Distance = 0.02, 0.3, 0.01, 0.0002
		}, 50, "isotropy is rectangular and rules the sum"},
	} {
		n, cert := modelProbe()
		tc.set(&n, cert)
		b := ProbeBudget(n, cert)
		total := b.At(quantity.PowerDensity(tc.field))
		true95 := spanOf(draw(n, cert, b, tc.field, trials))
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
