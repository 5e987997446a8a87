package cycle

import (
	"math"
	"testing"
	"time"

	"pgregory.net/rapid"
)

// Without an exponential a value is only ever told from a falling probe where the
// exponential would tell it too.
func TestFallByBoundIsFallByExponential(t *testing.T) {
	clear := 0
	rapid.Check(t, func(t *rapid.T) {
		f := newFall(time.Duration(rapid.Int64Range(1e6, 60e9).Draw(t, "response")))
		level := rapid.OneOf(rapid.Float64Range(0, 200), rapid.Float64Range(0, 1e-3))
		before, below := level.Draw(t, "before"), level.Draw(t, "below")
		f.old = mark{value: before, known: true}
		f.young = f.old
		at := time.Duration(rapid.OneOf(rapid.Float64Range(0, 3), rapid.Float64Range(0, 1000)).Draw(t, "times tau") * f.tau * 1e9)
		// About where the field would be just as high as is asked.
		keep := math.Exp(-at.Seconds() / f.tau)
		edge := keep*before + (1-keep)*below
		near := rapid.SampledFrom([]float64{0, 1e-16, -1e-16, 1e-12, -1e-12, 1e-6, -1e-6}).Draw(t, "near")
		for _, x := range []float64{edge * (1 + near), level.Draw(t, "x"), before * rapid.Float64Range(0.5, 1).Draw(t, "share")} {
			x = math.Min(x, before)
			if f.clearly(at, before, x, below) {
				clear++
				if f.exactly(at, f.old, x, below) {
					t.Fatalf("%v after %v, below %v in %s at τ = %v s: it falls by the exponential, and clearly not by the bound", x, before, below, at, f.tau)
				}
			}
		}
	})
	if clear == 0 {
		t.Error("nothing was ever clear")
	}
}
