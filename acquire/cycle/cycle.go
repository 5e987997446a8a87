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

// overFloor is how many noise floors a field must rise to count as emission.
// Our own choice: three keep noise out.
const overFloor = 3

// Runs finds runs in the samples of one post. Observing is O(1).
type Runs struct {
	rise quantity.PowerDensity
	gap  time.Duration
	base lowest

	running bool
	level   quantity.PowerDensity // a field above it is emission of the present run
	start   time.Duration
	last    time.Duration // newest emission
	peak    quantity.PowerDensity
}

// NewRuns starts with the oven not known to run.
func NewRuns(floor quantity.PowerDensity, gap time.Duration) *Runs {
	return &Runs{rise: overFloor * floor, gap: gap, base: lowest{span: gap}}
}

// Observe takes a value at an instant; values come in order. +Inf stands for a
// field over the probe's range, NaN for no value.
func (r *Runs) Observe(at time.Duration, s quantity.PowerDensity) {
	if math.IsNaN(float64(s)) {
		return
	}
	r.Advance(at)
	s = max(s, 0) // a reading below zero is no field, and coming back from it no rise
	if !r.running {
		if low, known := r.base.read(at); known && s > low+r.rise {
			r.running, r.start, r.peak, r.level = true, at, 0, low+r.rise
		}
	}
	if r.running && s > r.level {
		r.last = at
		r.peak = max(r.peak, s)
	}
	r.base.add(at, s)
}

// Advance ends a run whose last emission lies further back than the run gap.
func (r *Runs) Advance(now time.Duration) {
	if r.running && now-r.last > r.gap {
		r.running = false
	}
}

// Running says whether the oven runs, and since when.
func (r *Runs) Running() (since time.Duration, running bool) { return r.start, r.running }

// Peak is the highest value of the present run, or of the last one.
func (r *Runs) Peak() quantity.PowerDensity { return r.peak }

// lowest is the lowest value of the last one to two spans.
type lowest struct {
	span        time.Duration
	began       time.Duration // of the present span
	now, before quantity.PowerDensity
	hasNow      bool
	hasBefore   bool
}

func (l *lowest) advance(at time.Duration) {
	switch {
	case !l.hasNow && !l.hasBefore, at-l.began >= 2*l.span:
		*l = lowest{span: l.span, began: at}
	case at-l.began >= l.span:
		*l = lowest{span: l.span, began: l.began + l.span, before: l.now, hasBefore: l.hasNow}
	}
}

func (l *lowest) add(at time.Duration, s quantity.PowerDensity) {
	l.advance(at)
	if !l.hasNow || s < l.now {
		l.now, l.hasNow = s, true
	}
}

func (l *lowest) read(at time.Duration) (s quantity.PowerDensity, known bool) {
	l.advance(at)
	switch {
	case l.hasNow && l.hasBefore:
		return min(l.now, l.before), true
	case l.hasNow:
		return l.now, true
	}
	return l.before, l.hasBefore
}
