package calib

import (
	"errors"
	"fmt"
	"time"

	"ovenward/acquire/quantity"
)

// ZeroState is what must be known before a zero is taken.
type ZeroState struct {
	Running bool                    // the oven runs, or ran a moment ago
	Alarm   bool                    // an alarm stands at the post
	Seeing  bool                    // the probe gives fresh, good samples
	Recent  []quantity.PowerDensity // raw readings of the last seconds, W/m²
	Floor   quantity.PowerDensity   // the probe's noise floor
	Bound   quantity.PowerDensity   // the largest zero the probe is stated to need; 0: 3 × floor
}

// minZeroReadings is how many readings a zero is averaged over, at least.
const minZeroReadings = 5

// TakeZero returns the zero that the recent readings show, or why none may be
// taken. Settled means that the readings spread over no more than twice the
// noise floor.
func TakeZero(z ZeroState) (quantity.PowerDensity, error) {
	switch {
	case z.Running:
		return 0, errors.New("zero refused: the oven runs or ran within the last run gap; stop it, wait, and try again")
	case z.Alarm:
		return 0, errors.New("zero refused: an alarm stands at this post; end it first")
	case !z.Seeing:
		return 0, errors.New("zero refused: the probe gives no fresh good sample")
	case len(z.Recent) < minZeroReadings:
		return 0, fmt.Errorf("zero refused: only %d recent readings, %d are needed; wait a few seconds", len(z.Recent), minZeroReadings)
	}
	lo, hi := z.Recent[0], z.Recent[0]
	var m Moments
	for _, r := range z.Recent {
		lo, hi = min(lo, r), max(hi, r)
		m.Add(float64(r))
	}
	if !(hi-lo <= 2*z.Floor) { // so that no value is unsettled, too
		return 0, fmt.Errorf("zero refused: the readings are unsettled, they spread over %.4g W/m² and the noise floor is %.4g W/m²", float64(hi-lo), float64(z.Floor))
	}
	zero, bound := quantity.PowerDensity(m.Mean()), z.Bound
	if bound == 0 {
		bound = zeroBound(z.Floor)
	}
	if !(zero <= bound && zero >= -bound) {
		return 0, fmt.Errorf("zero refused: %.4g W/m² is beyond the bound of %.4g W/m²; take the probe away from fields, state a larger zero_bound if its handbook allows one, or have it looked at", float64(zero), float64(bound))
	}
	return zero, nil
}

// zeroBound is how far the zero of a probe may lie from nothing when nobody
// states it. Our own choice, no source.
func zeroBound(floor quantity.PowerDensity) quantity.PowerDensity { return 3 * floor }

// ZeroOff says whether a value lies so far below zero, W/m², that the zero is off: by as
// much it hides of a field, so that the field is not known.
func ZeroOff(s, floor quantity.PowerDensity) bool { return s < -zeroBound(floor) }

// Drift tells how far the zero has moved since the last one was taken, which is
// zero time when none was; its instant is told in a zone.
func Drift(was quantity.PowerDensity, wasAt time.Time, is quantity.PowerDensity, at time.Time, zone *time.Location) string {
	if wasAt.IsZero() {
		return fmt.Sprintf("none was taken before; it has drifted by %s from the maker's", signed(is))
	}
	return fmt.Sprintf("it has drifted by %s in %s, since the zero of %s", signed(is-was),
		quantity.FormatDuration(at.Sub(wasAt).Round(time.Second)), wasAt.In(zone).Format("2006-01-02 15:04:05 MST"))
}

func signed(s quantity.PowerDensity) string {
	text := quantity.MilliwattPerSquareCentimetre().FormatDigits(float64(s), 3)
	if s > 0 {
		return "+" + text
	}
	return text
}
