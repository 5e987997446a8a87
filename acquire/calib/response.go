package calib

import (
	"math"
	"time"

	"ovenward/acquire/quantity"
)

// Filter slows a fast probe down to the response that a limit asks for: 90 % of
// a step after a stated time. It is a first-order low-pass, exact for samples at
// any intervals when each value holds until the next.
//
// The probe is taken to be of first order itself, which its handbook seldom
// says, so that probe and filter together reach 90 % of a step of the field just
// at the stated time. For a probe of another kind with the same response time
// that is an approximation: the error is bounded by the probe's own share, and
// vanishes for one much faster than the limit asks.
type Filter struct {
	tau     float64 // s; 0: nothing is filtered
	keep    decay
	in, out float64 // newest input, and output at its instant
	at      time.Duration
	running bool
}

// NewFilter makes a filter for a probe that reaches 90 % of a step after
// response, to be judged as if it took asked. A probe as slow as that, and one
// whose response is not known, is not filtered.
func NewFilter(response, asked time.Duration) Filter {
	tau := filterConstant(response.Seconds(), asked.Seconds())
	return Filter{tau: tau, keep: decay{perNs: 1 / (1e9 * tau), share: 1}}
}

// decay is what is left of something after a time: exp(−t/τ). Probes are asked at
// an even pace, so the exponential of the last time is kept, and for one that differs by
// little the series is as exact.
type decay struct {
	perNs float64 // 1/τ
	after time.Duration
	share float64 // that is left after that
}

func (k *decay) of(d time.Duration) float64 {
	x := float64(k.after-d) * k.perNs
	if !(x < 1./256 && x > -1./256) {
		return k.anew(d)
	}
	// The term that is left out is below 2⁻⁵⁷. Terms are paired so that they need not wait
	// for each other.
	return k.share * (1 + x + x*x*(1./2+x*(1./6)+x*x*(1./24+x*(1./120))))
}

func (k *decay) anew(d time.Duration) float64 {
	k.after, k.share = d, math.Exp(-float64(d)*k.perNs)
	return k.share
}

// Active says whether the filter changes anything.
func (f *Filter) Active() bool { return f.tau > 0 }

// Tau is the filter's time constant in s.
func (f *Filter) Tau() float64 { return f.tau }

// Observe takes the next value and returns the output at its instant. After
// Break, and at first, the output starts at the value itself.
func (f *Filter) Observe(at time.Duration, s quantity.PowerDensity) quantity.PowerDensity {
	if f.running && f.tau > 0 {
		f.out = f.in + (f.out-f.in)*f.keep.of(max(at-f.at, 0))
	} else {
		f.out, f.running = float64(s), true
	}
	f.in, f.at = float64(s), at
	return quantity.PowerDensity(f.out)
}

// Read returns the output at an instant after the newest value, which holds on.
func (f *Filter) Read(at time.Duration) quantity.PowerDensity {
	if !(f.tau > 0) {
		return quantity.PowerDensity(f.in)
	}
	return quantity.PowerDensity(f.in + (f.out-f.in)*math.Exp(-max(at-f.at, 0).Seconds()/f.tau))
}

// Break forgets what was: the field was not seen, or was over range.
func (f *Filter) Break() { f.running = false }

// ninety is the share of a step that a response time is stated for: 90 % of the
// steady reading (21 CFR 1030.10(c)(3)(i); Canada, REDR Part III).
const ninety = 0.9

// timeConstant is that of a first-order meter which reaches 90 % of a step after
// t90: t90/ln 10.
func timeConstant(t90 float64) float64 { return t90 / math.Ln10 }

// filterConstant finds the time constant that a filter behind a first-order
// probe needs, so that both together reach 90 % of a step at asked. All in s.
func filterConstant(response, asked float64) float64 {
	if !(response > 0) || !(response < asked) {
		return 0
	}
	probe := timeConstant(response)
	// The more the filter slows, the less is reached at asked: halve.
	lo, hi := 0.0, timeConstant(asked)
	for range 60 {
		if tau := (lo + hi) / 2; reached(probe, tau, asked) > ninety {
			lo = tau
		} else {
			hi = tau
		}
	}
	return lo
}

// reached is the share of a step that two first-order stages in a row show after
// t.
func reached(a, b, t float64) float64 {
	if a < b {
		a, b = b, a
	}
	switch {
	case b <= 0:
		return -math.Expm1(-t / a)
	case a-b < 1e-6*a: // the limit of the formula below for a = b
		return 1 - math.Exp(-t/a)*(1+t/a)
	}
	return 1 - (a*math.Exp(-t/a)-b*math.Exp(-t/b))/(a-b)
}
