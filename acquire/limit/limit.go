// Package limit holds limits as data with their sources, counts time above
// them exactly over windows, and gives verdicts that show their reasons. Power
// densities are W/m², distances metres, times durations on the station's
// monotonic clock, so that a wall clock step touches no verdict. It asks no
// clock, knows no probe, and never calls a field safe: a verdict is within,
// exceeds or not decided, against a named limit.
package limit

import "ovenward/acquire/quantity"

// Basis says what kind of limit it is; the kinds are never confused.
type Basis string

const (
	EmissionNew          Basis = "emission new"
	EmissionInUse        Basis = "emission in use"
	ExposurePublic       Basis = "exposure public"
	ExposureOccupational Basis = "exposure occupational"
)

// Emission says whether the limit is one on an oven, at a stated distance from
// its surface, rather than one on people where they stand.
func (b Basis) Emission() bool { return b == EmissionNew || b == EmissionInUse }

// Limit is one limit with where it comes from.
type Limit struct {
	ID       string
	Value    quantity.PowerDensity // W/m²
	Distance quantity.Length       // m; for emission limits
	Basis    Basis
	Source   string
}
