// Package limit holds limits as data with their sources, counts time above
// them and means over windows exactly, and gives verdicts that show their
// reasons. Power densities are W/m², distances metres, frequencies hertz, times
// durations on the station's monotonic clock, so that a wall clock step touches
// no verdict. It asks no clock, knows no probe, and never calls a field safe: a
// verdict is within, exceeds or not decided, against a named limit.
package limit

import (
	"time"

	"ovenward/acquire/quantity"
)

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

// Rule is a decision rule: how the uncertainty of a value enters a verdict. No
// rule touches alarms, which compare the value itself with the limit. The zero
// value means GuardedAcceptance.
type Rule string

const (
	// GuardedAcceptance: within if S + U ≤ limit, exceeds if S > limit, between
	// them not decided. Source: ILAC-G8:09/2019, JCGM 106:2012, guard band w = U.
	GuardedAcceptance Rule = "guarded acceptance"
	// SimpleAcceptance: within if S ≤ limit, exceeds if S > limit. A value at the
	// limit is wrongly accepted every second time (ILAC-G8:09/2019).
	SimpleAcceptance Rule = "simple acceptance"
	// GuardedRejection: exceeds if S > limit + U, within if S ≤ limit, between
	// them not decided. What JCGM 106:2012 would accept above the limit is not
	// called within.
	GuardedRejection Rule = "guarded rejection"
)

// Rules lists the decision rules, the one that holds by itself first.
func Rules() []Rule { return []Rule{GuardedAcceptance, SimpleAcceptance, GuardedRejection} }

// Limit is one limit with where it comes from. It is plain data and may be
// compared.
type Limit struct {
	ID       string
	Value    quantity.PowerDensity // W/m²
	Distance quantity.Length       // m; for emission limits
	Basis    Basis
	Source   string

	Slowest     time.Duration // emission limits: the response, to 90 %, that its document asks of the meter at most; 0: none stated
	Averaging   time.Duration // the mean over this long is judged; 0: each value, or not stated
	Local       bool          // an exposure limit for a part of the body, not for the whole
	Rule        Rule
	Builtin     string // id in the catalogue; empty for a limit of the site's own
	Unconfirmed string // what of it is not confirmed; empty when nothing is

	// CitedAbove is the multiple of the limit above which a regulator's published
	// practice cites an oven, and CitedBy where that is published; 0: none known.
	CitedAbove float64
	CitedBy    string
}

// Averaged says whether the limit is judged by a mean.
func (l Limit) Averaged() bool { return l.Averaging > 0 && !l.Basis.Emission() }

// rule is the decision rule that holds.
func (l Limit) rule() Rule {
	if l.Rule == "" {
		return GuardedAcceptance
	}
	return l.Rule
}
