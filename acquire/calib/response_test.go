package calib

import (
	"math"
	"testing"
	"time"

	"pgregory.net/rapid"

	"ovenward/acquire/quantity"
)

// A first-order meter that reaches 90 % in 3 s has a time constant of 3 s/ln 10
// = 1.3029 s, one of 2 s 0.8686 s, and a 3-s meter shows 53.6 % after 1 s.
func TestTimeConstant(t *testing.T) {
	for t90, want := range map[float64]float64{3: 1.3029, 2: 0.8686} {
		if got := timeConstant(t90); math.Abs(got-want) > 5e-5 {
			t.Errorf("90 %% in %v s: τ = %v s, want %v", t90, got, want)
		}
	}
	f := NewFilter(time.Nanosecond, 3*time.Second)
	f.Observe(0, 0)
	f.Observe(0, 1)
	if got := float64(f.Read(time.Second)); math.Abs(got-0.536) > 5e-4 {
		t.Errorf("after 1 s of a step: %v, want 0.536", got)
	}
}

// Probe and filter in a row reach 90 % of a step of the field at 3 s, whatever
// the probe's own response. The probe is integrated here in small steps.
func TestProbeAndFilterReachNinety(t *testing.T) {
	for _, response := range []time.Duration{time.Millisecond, 200 * time.Millisecond, time.Second, 2 * time.Second, 2900 * time.Millisecond} {
		f := NewFilter(response, 3*time.Second)
		if !f.Active() {
			t.Errorf("a probe of %s is not filtered", response)
		}
		const step = 200 * time.Microsecond
		tau := response.Seconds() / math.Ln10
		var out float64
		f.Observe(0, 0)
		for at := step; at <= 3*time.Second; at += step {
			f.Observe(at, quantity.PowerDensity(-math.Expm1(-at.Seconds()/tau)))
			out = float64(f.Read(at))
		}
		if math.Abs(out-0.9) > 2e-4 {
			t.Errorf("a probe of %s, filtered, shows %v of a step after 3 s", response, out)
		}
	}
	for _, slow := range []time.Duration{0, -1, 3 * time.Second, time.Minute} {
		f := NewFilter(slow, 3*time.Second)
		f.Observe(0, 0)
		if got := f.Observe(time.Second, 7); f.Active() || got != 7 || f.Read(2*time.Second) != 7 {
			t.Errorf("a probe of %s is filtered: %v", slow, got)
		}
	}
}

// For values that hold until the next one, the output does not depend on how the
// time between changes is cut up: exact for irregular steps.
func TestFilterIsExactForIrregularSteps(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		whole, cut := NewFilter(time.Second, 3*time.Second), NewFilter(time.Second, 3*time.Second)
		var at time.Duration
		for range rapid.IntRange(1, 20).Draw(t, "changes") {
			s := quantity.PowerDensity(rapid.Float64Range(0, 100).Draw(t, "s"))
			whole.Observe(at, s)
			cut.Observe(at, s)
			span := time.Duration(rapid.Int64Range(1, int64(5*time.Second)).Draw(t, "span"))
			for range rapid.IntRange(0, 4).Draw(t, "cuts") {
				between := time.Duration(rapid.Int64Range(0, int64(span)).Draw(t, "cut"))
				if at+between >= cut.at {
					cut.Observe(at+between, s)
				}
			}
			at += span
			if a, b := float64(whole.Read(at)), float64(cut.Read(at)); math.Abs(a-b) > 1e-9 {
				t.Fatalf("at %s: %v and, cut up, %v", at, a, b)
			}
		}
	})
}

func TestFilterStaysWithinItsInputs(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		f := NewFilter(100*time.Millisecond, 3*time.Second)
		lo, hi := math.Inf(1), math.Inf(-1)
		var at time.Duration
		for range rapid.IntRange(1, 30).Draw(t, "n") {
			s := rapid.Float64Range(-1, 100).Draw(t, "s")
			lo, hi = min(lo, s), max(hi, s)
			if out := float64(f.Observe(at, quantity.PowerDensity(s))); out < lo-1e-9 || out > hi+1e-9 {
				t.Fatalf("%v lies outside %v to %v", out, lo, hi)
			}
			at += time.Duration(rapid.Int64Range(0, int64(time.Minute)).Draw(t, "step"))
		}
	})
}

func TestBrokenFilterStartsAnew(t *testing.T) {
	f := NewFilter(time.Second, 3*time.Second)
	f.Observe(0, 100)
	f.Break()
	if got := f.Observe(time.Second, 2); got != 2 {
		t.Errorf("after a break: %v, want 2", got)
	}
}

// The exponential by its last value and the series is the exponential, but for the
// last digits of a float64.
func TestDecayIsTheExponential(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		f := NewFilter(time.Duration(rapid.Int64Range(1, 2e9).Draw(t, "response")), 3*time.Second)
		about := rapid.SampledFrom([]int64{0, 1e6, 1e8, 1e9}).Draw(t, "about")
		for range 20 {
			d := time.Duration(rapid.OneOf(rapid.Int64Range(about, about+3e6), rapid.Int64Range(0, 30e9)).Draw(t, "time"))
			got, want := f.keep.of(d), math.Exp(-d.Seconds()/f.tau)
			if math.Abs(got-want) > (1+d.Seconds()/f.tau)*1e-15*want { // an error of the exponent counts as often as that is large
				t.Fatalf("after %s at τ = %v s: %v, want %v", d, f.tau, got, want)
			}
		}
	})
}
