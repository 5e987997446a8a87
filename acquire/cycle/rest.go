package cycle

import (
	"math"
	"time"
)

// The thresholds, in noise floors or deviations of the noise. Our own choice: a
// floor is three deviations or more of the noise (common practice, no source), so
// half of three floors keeps as far from noise about rest as from noise about a
// signal of three.
const (
	weakFloors     = 1.5
	strongFloors   = 2 * weakFloors
	perDeviation   = 5.6              // mean deviations, which are 4.5 standard deviations of normal noise
	followIn       = 20 * time.Second // how fast the level at rest follows a drift, unless the probe is slow
	followResponse = 5                // its responses, then
	sureAfter      = 5                // samples at rest that tell how wide the noise is
)

// rise is how clearly a value stands above rest.
type rise uint8

const (
	none rise = iota
	weak
	strong
)

// rest is what the field looks like while the oven is at rest: its level, which may
// drift, and its noise, which may be wider than the probe's floor says. It only
// serves to find runs.
type rest struct {
	floor  float64
	follow time.Duration

	level float64
	noise float64 // mean deviation
	taken int
	lows  int // values far below it, one after the other
	limit float64
}

func newRest(o Options) rest {
	return rest{floor: float64(o.Floor), follow: max(followIn, followResponse*o.Response)}
}

func (r *rest) forget() { r.taken, r.lows, r.noise = 0, 0, 0 }

// above is the value from which on it is emission.
func (r *rest) above() float64 { return r.level + r.limit }

// rise compares a value with rest. Until rest is well known it asks for more.
func (r *rest) rise(x float64) rise {
	d := x - r.level
	switch {
	case r.taken == 0 || !(d > r.limit):
		return none
	case d > strongFloors*r.floor && (d > 2*r.limit || d > 2*r.limit*r.settled()): // mostly without dividing
		return strong
	}
	return weak
}

// settled takes away what the limit has for want of samples.
func (r *rest) settled() float64 { return float64(r.taken) / float64(r.taken+1) }

// take moves level and noise towards a value at rest, which came so long after the
// last. Single ones far below are passed over; two running are the level, and it says
// that the level fell.
func (r *rest) take(x float64, since time.Duration) (fell bool) {
	d := x - r.level
	if r.taken > 0 && -d > r.limit {
		if r.lows++; r.lows < 2 {
			return false
		}
		r.forget()
		fell = true
	}
	r.lows = 0
	if r.taken > 0 {
		d = min(d, r.limit)
	}
	if r.taken == 0 {
		r.level, d = x, 0
	}
	r.taken++
	one := 1 / float64(r.taken)
	share := max(float64(since)/float64(since+r.follow), one)
	if r.taken > 1 {
		r.level += share * d
		r.noise += share * (min(math.Abs(d), r.floor) - r.noise)
	}
	r.limit = weakFloors * r.floor
	if n := perDeviation * r.noise; r.taken >= sureAfter && n > r.limit {
		r.limit = n
	}
	r.limit *= 1 + one
	return fell
}
