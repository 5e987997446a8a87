// Package calib turns what a probe said, as a power density in W/m², into the
// corrected power density and its expanded uncertainty, both W/m²: first the
// zero is taken away, then the calibration factor multiplies. The raw reading
// is never changed, and a correction once used keeps its number, so a corrected
// value can be derived again years later. It asks no clock and reads no file.
package calib

import (
	"errors"
	"fmt"
	"math"
	"time"

	"ovenward/acquire/quantity"
)

// Certificate is a calibration as its laboratory states it.
type Certificate struct {
	Number     string    `json:"number"`
	Laboratory string    `json:"laboratory"`
	Date       time.Time `json:"date"`                 // valid from the start of this day, UTC
	Due        time.Time `json:"due"`                  // overdue from the start of this day, UTC
	Factor     float64   `json:"factor"`               // multiplies the reading
	U          float64   `json:"expanded_uncertainty"` // relative, of the factor
	K          float64   `json:"k"`                    // coverage factor of U
}

// Correction is what is done to every reading of a probe from an instant on.
type Correction struct {
	Zero        quantity.PowerDensity `json:"zero_w_per_m2"`
	ZeroAt      time.Time             `json:"zero_at,omitzero"` // zero instant when none was taken
	ZeroBy      string                `json:"zero_by,omitempty"`
	Certificate *Certificate          `json:"certificate,omitempty"` // nil: uncalibrated, factor 1
}

// Apply corrects one raw power density. u is the expanded uncertainty of the
// calibration alone, at the certificate's coverage factor, and NaN without a
// certificate: unknown is not zero.
func (c Correction) Apply(raw quantity.PowerDensity) (s, u quantity.PowerDensity) {
	if c.Certificate == nil {
		return raw - c.Zero, quantity.PowerDensity(math.NaN())
	}
	s = (raw - c.Zero) * quantity.PowerDensity(c.Certificate.Factor)
	return s, quantity.PowerDensity(math.Abs(float64(s)) * c.Certificate.U)
}

// Calibrated says whether a certificate is in force at an instant.
func (c Correction) Calibrated(at time.Time) bool {
	return c.Certificate != nil && !at.Before(c.Certificate.Date) && at.Before(c.Certificate.Due)
}

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
	lo, hi, sum := z.Recent[0], z.Recent[0], quantity.PowerDensity(0)
	for _, r := range z.Recent {
		lo, hi, sum = min(lo, r), max(hi, r), sum+r
	}
	if !(hi-lo <= 2*z.Floor) { // so that no value is unsettled, too
		return 0, fmt.Errorf("zero refused: the readings are unsettled, they spread over %.4g W/m² and the noise floor is %.4g W/m²", float64(hi-lo), float64(z.Floor))
	}
	zero, bound := sum/quantity.PowerDensity(len(z.Recent)), z.Bound
	if bound == 0 {
		bound = 3 * z.Floor
	}
	if !(zero <= bound && zero >= -bound) {
		return 0, fmt.Errorf("zero refused: %.4g W/m² is beyond the bound of %.4g W/m²; take the probe away from fields, state a larger zero_bound if its handbook allows one, or have it looked at", float64(zero), float64(bound))
	}
	return zero, nil
}
