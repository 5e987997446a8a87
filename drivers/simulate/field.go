package simulate

import (
	"math"
	"time"
)

// reference is the distance from a seam at which a leak is stated, in metres.
const reference = 0.05

// falloff returns what part of the field at 50 mm is left at distance r in
// metres: the inverse square beyond 50 mm; nearer, where no simple law holds,
// the kitchen does not let the field rise further.
func falloff(r float64) float64 {
	if r <= reference {
		return 1
	}
	return reference / r * (reference / r)
}

// heard is one oven as it is felt at one place.
type heard struct {
	*source
	share float64 // falloff
}

// place sums the ovens' power densities at one point. They add, since
// magnetrons keep no common phase.
type place []heard

// cycle returns the field in W/m² in the two halves of mains cycle n, which
// begins at kitchen time n × 20 ms. Within each half it is constant.
func (p place) cycle(n int64) (first, second float64) {
	t := time.Duration(n) * mainsCycle
	for i := range p {
		mean := p[i].leak(t) * p[i].share
		if p[i].Magnetrons == 2 {
			first += mean
			second += mean
		} else {
			first += 2 * mean
		}
	}
	return first, second
}

// lag is a first-order response, stepped exactly over a field that is
// constant in each half of a mains cycle:
//
//	x(t+h) = S + (x(t) − S)·exp(−h/τ)
//
// What it says of an instant is a pure function of that instant, bit for bit,
// whatever was asked before, and going to any instant takes a bounded time:
// time is cut into blocks of at least 64 τ, and the state within a block is the one
// that began at zero at the start of the block before (what came earlier is
// forgotten to exp(−64), below what a float64 can show).
type lag struct {
	tau   float64 // s
	keep  float64 // exp(−half a mains cycle/τ)
	take  float64 // 1 − keep, without cancellation
	block int64   // mains cycles in a block

	at        int64   // the state below is that at the start of mains cycle at
	now, next float64 // began one block before this one; began with this one
}

func newLag(tau float64) lag {
	h := (mainsCycle / 2).Seconds() / tau
	return lag{
		tau:   tau,
		keep:  math.Exp(-h),
		take:  -math.Expm1(-h),
		block: max(1000, int64(math.Ceil(64*tau/mainsCycle.Seconds()))),
	}
}

// seek brings the state to the start of mains cycle n ≥ 0 at place p.
func (l *lag) seek(p place, n int64) {
	before := max(0, n/l.block-1) * l.block // where the state wanted here began
	if n < l.at || l.at < before {
		l.at, l.now, l.next = before, 0, 0
	}
	for l.at < n {
		if l.at%l.block == 0 {
			l.now, l.next = l.next, 0
		}
		first, second := p.cycle(l.at)
		l.now = l.step(l.now, first, second)
		l.next = l.step(l.next, first, second)
		l.at++
	}
}

// step carries x over one whole mains cycle.
func (l *lag) step(x, first, second float64) float64 {
	x = first*l.take + x*l.keep
	return second*l.take + x*l.keep
}

// value returns the lagged field in W/m² at kitchen time t ≥ 0 at place p.
func (l *lag) value(p place, t time.Duration) float64 {
	n := int64(t / mainsCycle)
	l.seek(p, n)
	x, within := l.now, t%mainsCycle
	if n%l.block == 0 {
		x = l.next // the block's first cycle is handed over when it is stepped
	}
	first, second := p.cycle(n)
	if half := mainsCycle / 2; within > half {
		x = first*l.take + x*l.keep
		first, within = second, within-half
	}
	h := within.Seconds() / l.tau
	return x*math.Exp(-h) - first*math.Expm1(-h)
}
