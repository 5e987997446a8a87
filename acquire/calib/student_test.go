package calib

import (
	"math"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"
)

// The factor is what gonum's distribution gives, which is the reference here: its
// quantile, and its probability within ±t.
func TestCoverageAgainstGonum(t *testing.T) {
	for _, df := range []float64{1, 1.5, 2, 3, 7.3, 16, 50, 1e3, 1e5} {
		d := distuv.StudentsT{Sigma: 1, Nu: df}
		for _, p := range []float64{0.1, 0.5, 0.6827, 0.9, 0.95, 0.9545, 0.99, 0.9973, 0.9999, 0.999999} {
			got := Coverage(p, df)
			if want := d.Quantile((1 + p) / 2); math.Abs(got/want-1) > 1e-8 {
				t.Errorf("p %g, %g degrees of freedom: %.15g, gonum's quantile is %.15g", p, df, got, want)
			}
			if out := 2 * d.CDF(-got); math.Abs(out/(1-p)-1) > 1e-6 {
				t.Errorf("p %g, %g degrees of freedom: %g lies outside ±%g, want %g", p, df, out, got, 1-p)
			}
		}
	}
}
