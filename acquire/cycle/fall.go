package cycle

import (
	"math"
	"time"
)

// fall tells a field that has gone from a probe that still falls. A first-order
// probe with time constant τ shows, after a while h, what it showed before times
// exp(−h/τ), and of the field in between the rest: so what the field was in the
// mean follows from two values. The first of them stands one to two τ back, where
// noise counts for little.
type fall struct {
	tau        float64 // s; 0: the probe does not lag
	perNs      float64 // 1/τ
	spacing    time.Duration
	old, young mark
}

type mark struct {
	at    time.Duration
	value float64
	known bool
}

func newFall(response time.Duration) fall {
	tau := response.Seconds() / math.Ln10 // 1 − exp(−T90/τ) = 0.9
	return fall{tau: tau, perNs: 1 / (tau * float64(time.Second)), spacing: time.Duration(tau * float64(time.Second))}
}

func (f *fall) forget() { f.old, f.young = mark{}, mark{} }

// over says whether the field since a mark was in the mean below a value,
// though the probe shows x, which is more.
func (f *fall) over(at time.Duration, x, below float64) bool {
	m := f.old
	if at-f.young.at >= f.spacing {
		m = f.young
	}
	if f.tau == 0 || !m.known || f.clearly(at-m.at, m.value, x, below) || x >= m.value {
		return false
	}
	return f.exactly(at, m, x, below)
}

// clearly says whether x is too high for a field that was in the mean below a
// value, without an exponential: exp(h) is at least 1 + h + h²/2. It leaves what is
// near to exactly.
func (f *fall) clearly(since time.Duration, before, x, below float64) bool {
	h := float64(since) * f.perNs
	slack := 1e-12 * (before + below) // of rounding, here and there
	return (x-below-slack)*(1+h*(1+h/2)) > before-below
}

func (f *fall) exactly(at time.Duration, m mark, x, below float64) bool {
	keep := math.Exp(-(at - m.at).Seconds() / f.tau)
	return x-keep*m.value <= below*(1-keep)
}

// moves says whether take does anything.
func (f *fall) moves(at time.Duration, x float64) bool {
	return at-f.young.at >= f.spacing || !f.old.known || x > math.MaxFloat64
}

// take moves the marks on. Over range nothing follows, and it begins anew.
func (f *fall) take(at time.Duration, x float64) {
	m := mark{at, x, true}
	switch {
	case math.IsInf(x, 1):
		f.forget()
	case !f.old.known:
		f.old, f.young = m, m
	case at-f.young.at >= f.spacing:
		f.old, f.young = f.young, m
	}
}
