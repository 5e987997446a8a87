package survey

import (
	"errors"
	"fmt"
	"math"
	"time"

	"ovenward/acquire/quantity"
)

// MarkHold takes one mark of a walk back: the mean over two whole turns of the
// stirrer, once the probe shows what is there.
type MarkHold struct {
	Distance quantity.Length // +Inf: the oven is off
	Begun    time.Time
	Response time.Duration // of the probe, to 90 % of a step
	Turn     time.Duration // of the stirrer
	Floor    quantity.PowerDensity
	End      quantity.PowerDensity // at which the walk ends, as EndOf tells

	sums [2]float64 // over each turn
	ns   [2]int
	last time.Time
	err  error
	done bool
}

// markOff is how well a mark's distance is kept, a half-width: 2 mm, common
// practice, no source.
const markOff quantity.Length = 0.002

// EndOf is the level at which work with the probe in hand ends, by the limit that
// the oven is judged by.
func EndOf(most quantity.PowerDensity) quantity.PowerDensity { return min(endRatio*most, endLevel) }

// begins is when the first turn counts: the step on arriving has decayed to a
// thousandth.
func (h *MarkHold) begins() time.Time { return h.Begun.Add(3 * h.Response) }

// Lasts is how long the hold takes in all.
func (h *MarkHold) Lasts() time.Duration { return 3*h.Response + 2*h.Turn }

// Observe takes a reading, and says whether the hold is over.
func (h *MarkHold) Observe(r Reading) bool {
	from := h.begins()
	switch {
	case !h.done && !r.Fault && (r.OverRange || r.HasValue && quantity.PowerDensity(r.S) >= h.End):
		return h.fail(fmt.Errorf("the field is at or above %s, or over the probe's range. %s", shown(float64(h.End)), StepBack))
	case h.done || r.Fault || !r.HasValue && !r.OverRange || r.At.Before(from):
		return h.done
	case r.Unsure:
		return h.fail(errors.New("the value lies beyond what the probe's certificate covers"))
	case !h.last.IsZero() && r.At.Sub(h.last) > max(h.Response, time.Second):
		return h.fail(fmt.Errorf("the probe said nothing for %s: hold again", r.At.Sub(h.last).Round(time.Millisecond)))
	}
	h.last = r.At
	turn := int(r.At.Sub(from) / h.Turn)
	if turn >= len(h.sums) {
		h.done = true
		return true
	}
	h.sums[turn] += r.S
	h.ns[turn]++
	return false
}

// Overdue ends a hold whose readings do not come.
func (h *MarkHold) Overdue(now time.Time) bool {
	if !h.done && now.Sub(h.Begun) > h.Lasts()+max(h.Response, time.Second) {
		h.fail(errors.New("the probe said too little: is it read?"))
	}
	return h.done
}

func (h *MarkHold) fail(err error) bool {
	h.err, h.done = err, true
	return true
}

// Mark is what the hold came to. Its standard uncertainty is of what differs from
// mark to mark: by how much both turns differ, the probe's noise, and the distance,
// for a field that falls with its square.
func (h *MarkHold) Mark() (Mark, error) {
	switch {
	case !h.done:
		return Mark{}, errors.New("the hold is not over")
	case h.err != nil:
		return Mark{}, h.err
	case h.ns[0] < leastReadings/2 || h.ns[1] < leastReadings/2:
		return Mark{}, fmt.Errorf("%d readings in two turns of %s are too few", h.ns[0]+h.ns[1], h.Turn)
	}
	a, b := h.sums[0]/float64(h.ns[0]), h.sums[1]/float64(h.ns[1])
	n := float64(h.ns[0] + h.ns[1])
	mean := (a + b) / 2
	if zeroOff(mean, h.Floor) { // each mark would read low by that, and the distance come out short
		return Mark{}, fmt.Errorf("the hold reads %s: the probe's zero is off; zero it away from any field, and take all marks anew", shown(mean))
	}
	noise := float64(h.Floor) / 3 // as the budget takes it where nobody stated it
	u := math.Hypot((a-b)/2, noise/math.Sqrt(n))
	if !math.IsInf(float64(h.Distance), 1) {
		u = math.Hypot(u, 2*math.Abs(mean)*float64(markOff/h.Distance)/math.Sqrt(3))
	}
	return Mark{Distance: h.Distance, Value: quantity.PowerDensity(mean), U: quantity.PowerDensity(u)}, nil
}
