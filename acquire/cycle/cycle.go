// Package cycle sees from the field alone when an oven runs. A run is an
// interval in which the oven emits, with pauses no longer than the run gap,
// since ovens at part power emit for only some seconds in each 20 to 30 s.
// Power densities are W/m², times are on the station's monotonic clock. It
// never corrects a value and gives no verdict.
package cycle

import (
	"time"

	"ovenward/acquire/quantity"
)

// overFloor is how far above the noise floor a field must be to count as
// emission. Our own choice: three times keeps noise out.
const overFloor = 3

// Runs finds runs in the samples of one post. Observing is O(1).
type Runs struct {
	floor quantity.PowerDensity
	gap   time.Duration

	running bool
	start   time.Duration
	last    time.Duration // newest emission
	peak    quantity.PowerDensity
}

// NewRuns starts with the oven not known to run.
func NewRuns(floor quantity.PowerDensity, gap time.Duration) *Runs {
	return &Runs{floor: floor, gap: gap}
}

// Observe takes a value at an instant; values come in order.
func (r *Runs) Observe(at time.Duration, s quantity.PowerDensity) {
	r.Advance(at)
	if s <= overFloor*r.floor {
		return
	}
	if !r.running {
		r.running, r.start, r.peak = true, at, 0
	}
	r.last = at
	r.peak = max(r.peak, s)
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
