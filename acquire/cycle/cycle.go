// Package cycle sees from the field alone when an oven runs. A run is an
// interval in which the oven emits, with pauses no longer than the run gap,
// since ovens at part power emit for only some seconds in each 20 to 30 s.
// Power densities are W/m², times are on the station's monotonic clock. It
// never corrects a value and gives no verdict.
//
// That an oven runs is proof of emission, and a verdict may rest on it. So a
// run begins only with a rise: a field that merely stands above the floor can be
// a zero that has drifted, or another source.
package cycle

import (
	"math"
	"time"

	"ovenward/acquire/quantity"
)

// Options say what is known of the post's probe.
type Options struct {
	Floor    quantity.PowerDensity // the probe's noise floor
	Gap      time.Duration         // shorter pauses are part of one run
	Response time.Duration         // of the probe to 90 % of a step, first order; 0: at once
	Stale    time.Duration         // how long a sample holds at most; 0: for the gap
}

// Run is one run. Energy, mean and peak are of the field as it was, not less what
// was there at rest, and of the time in which it emitted.
//
// The begin of a run was seen where rest was seen for the whole gap before it: a
// shorter pause would have been part of the run. Where it was not, as when watching began in the
// middle of the run, the run is cut: it may have begun before Start, and On,
// Energy and Peak are lower bounds.
type Run struct {
	Start, Last time.Duration // first and newest emission
	End         time.Duration // up to when the newest one held: On lies between Start and End
	On          time.Duration // time in which it emitted
	Energy      quantity.EnergyDensity
	Peak        quantity.PowerDensity // +Inf: over range
	PeakAt      time.Duration
	OverRange   time.Duration // of On; then Energy and mean are lower bounds
	Cut         bool          // its begin was not seen
}

// Mean is the mean field while it emitted; NaN when that was for no time in range.
func (r Run) Mean() quantity.PowerDensity {
	return quantity.PowerDensity(float64(r.Energy) / (r.On - r.OverRange).Seconds())
}

// Duty is the share of the run in which it emitted, of at most 1.
func (r Run) Duty() float64 {
	if r.End == r.Start {
		return 1
	}
	return float64(r.On) / float64(r.End-r.Start)
}

// Runs finds runs in the samples of one post. Observing is O(1) and allocates
// nothing.
type Runs struct {
	gap, stale time.Duration
	rest       rest
	fall       fall

	at       time.Duration // of the newest sample
	from     time.Duration // from here on, what it holds for is not counted yet
	value    float64       // of it
	seen     bool
	goesOn   bool          // from another detection
	rested   time.Duration // since when no emission can have gone unseen but in a run
	emitting bool
	weak     bool    // the newest sample may be emission, if the next one is
	doubted  float64 // the value of that sample
	on       float64 // what the field is like while it emits, over some seconds

	run      Run
	running  bool
	ever     bool
	finished int
	last     Run // the newest finished one
}

// NewRuns starts with the oven not known to run.
func NewRuns(o Options) *Runs {
	if o.Stale <= 0 {
		o.Stale = o.Gap
	}
	return &Runs{gap: o.Gap, stale: o.Stale, rest: newRest(o), fall: newFall(o.Response)}
}

// GoOn takes up what another detection saw of the same oven up to here: since when no
// emission can have gone unseen. It is for one that has observed nothing yet.
func (r *Runs) GoOn(o *Runs) {
	r.at, r.rested, r.goesOn = o.at, o.rested, o.seen || o.goesOn
	if o.running {
		r.rested, r.goesOn = o.run.End, r.goesOn && !o.emitting
	}
}

// never is later than any instant.
const never = time.Duration(math.MaxInt64)

// Observe takes a value at an instant; values come in order. +Inf stands for a
// field over the probe's range, NaN for one that is not known from there on: the
// value before holds no longer.
func (r *Runs) Observe(at time.Duration, s quantity.PowerDensity) {
	x := float64(s)
	if x != x {
		r.hold(at)
		r.Advance(at)
		r.from = never
		return
	}
	x = max(x, 0) // a reading below zero is no field, and coming back from it no rise
	if r.emitting {
		r.hold(at)
	}
	if r.running && at-r.run.Last > r.gap {
		r.Advance(at)
	}
	if r.seen && at-r.at > 2*r.gap {
		r.rest.forget() // what rest looks like now is not known
		r.fall.forget()
		r.weak = false
	}
	before := r.at
	since := at - before
	if !r.seen && !r.goesOn || since > r.stale {
		r.rested = at
	}
	r.at, r.from, r.value, r.seen = at, at, x, true
	rise, bar := r.rest.rise(x), 0.0
	if rise != none {
		bar = r.bar()
	}
	switch {
	case rise != none && r.fall.over(at, x, bar):
		r.emitting, r.weak = false, false // the probe still falls, the field has gone
	case rise == none && math.IsInf(x, 1): // before rest was ever seen: it is not what rest looks like
		r.emitting, r.weak, r.rested = false, false, at
	case rise == none || x < bar:
		r.emitting, r.weak = false, false
		if r.rest.take(x, since) {
			r.rested = at // what looked like rest was not: the oven may have run since before the first sample
		}
	case rise == strong:
		r.emit(at, at)
	case r.weak:
		doubted := quantity.PowerDensity(r.doubted)
		if r.emit(before, at); doubted > r.run.Peak {
			r.run.Peak, r.run.PeakAt = doubted, before
		}
	default: // noise goes as far once in a while, and hardly ever twice running
		r.weak, r.emitting, r.doubted = true, false, x
	}
	if r.fall.tau != 0 && r.fall.moves(at, x) {
		r.fall.take(at, x)
	}
}

// leftOver is how small a part of the field while it emits may be left behind when
// it has gone: a zero that has moved meanwhile, another oven far away. Our own choice.
const leftOver = 0.1

// bar is what a value must reach to be emission: in a run more than what may be
// left over.
func (r *Runs) bar() float64 {
	if !r.running {
		return r.rest.above()
	}
	return max(r.rest.above(), r.rest.level+leftOver*(r.on-r.rest.level))
}

// remember is over how long the field while it emits is averaged.
const remember = 10 * time.Second

// emit notes emission at an instant, which began at from if none was there before.
func (r *Runs) emit(from, at time.Duration) {
	if !r.running {
		r.running, r.ever = true, true
		r.run, r.on = Run{Start: from, Cut: from-r.rested < r.gap}, 0
	}
	if x := r.value; !math.IsInf(x, 1) {
		if since := at - r.run.Last; r.on == 0 || since > remember {
			r.on = x
		} else {
			r.on += (x - r.on) * (float64(since) * (1 / float64(remember)))
		}
	}
	r.run.Last, r.run.End = at, at
	r.emitting, r.weak, r.doubted = true, true, 0
	if v := quantity.PowerDensity(r.value); v > r.run.Peak {
		r.run.Peak, r.run.PeakAt = v, at
	}
}

// hold counts the time since the newest sample that is not counted yet, if that
// was emission.
func (r *Runs) hold(now time.Duration) {
	end := min(now, r.at+r.stale)
	if !r.emitting || end <= r.from {
		return
	}
	d := end - r.from
	r.from, r.run.End = end, end
	r.run.On += d
	if math.IsInf(r.value, 1) {
		r.run.OverRange += d
		return
	}
	r.run.Energy += quantity.PowerDensity(r.value).Over(d)
}

// Advance ends a run whose last emission lies further back than the run gap.
func (r *Runs) Advance(now time.Duration) {
	if r.running && now-r.run.Last > r.gap {
		if r.emitting {
			r.hold(now) // silence: what the newest sample held for still counts
			r.emitting, r.weak = false, false
		} else if r.value > r.rest.above() {
			r.rest.forget() // something is left over: that is rest from now on
		}
		r.running = false
		r.finished++
		r.last = r.run
	}
}

// Running says whether the oven runs, and since when.
func (r *Runs) Running() (since time.Duration, running bool) { return r.run.Start, r.running }

// Cut says of the present run, or the last one, that its begin was not seen.
func (r *Runs) Cut() bool { return r.run.Cut }

// Last is when emission was last seen, in the present run or the last one, and
// whether any ever was.
func (r *Runs) Last() (at time.Duration, ever bool) { return r.run.Last, r.ever }

// Emits says whether the newest sample is emission.
func (r *Runs) Emits() bool { return r.emitting }

// Peak is the highest value of the present run, or of the last one.
func (r *Runs) Peak() quantity.PowerDensity { return r.run.Peak }

// Run is the present run as far as it has come, or the last one.
func (r *Runs) Run() Run { return r.run }

// Finished is how many runs have ended, and the newest of them. At most one ends
// with each call of Observe or Advance.
func (r *Runs) Finished() (n int, newest Run) { return r.finished, r.last }
