// Package alarm is the life of an alarm after ISA-18.2 / IEC 62682: a pure
// state machine, (alarm, happening, instant) -> (alarm, typed reason). It
// decides nothing about fields or probes: that a condition is present is
// limit's word for exceedances and the station's for blindness. It asks no
// clock, stores nothing and tells nobody. Instants are UTC wall time, for
// people; delays are counted elsewhere, on the monotonic clock.
package alarm

import (
	"strings"
	"time"
)

// Rule names what an alarm is about.
type Rule string

const (
	Exceeds Rule = "exceeds" // the field stayed above the limit, or went over range
	Silent  Rule = "silent"  // the probe does not answer, or its port is gone
	Stale   Rule = "stale"   // the probe answers, but gives no valid sample
	Stuck   Rule = "stuck"   // the reading stands still longer than noise allows
	Fault   Rule = "fault"   // the probe declares itself unfit
	Record  Rule = "record"  // the record cannot be written

	Battery     Rule = "battery"     // the probe calls for a new battery, or its battery is below a bound
	Temperature Rule = "temperature" // the probe is warmer or colder than it is meant for
)

// ExceedsOf is the rule for the limit with this id, where a post has more limits
// than one; that of its first limit is Exceeds.
func ExceedsOf(limitID string) Rule { return Exceeds + ":" + Rule(limitID) }

// IsExceedance says whether the rule is about a field above a limit.
func (r Rule) IsExceedance() bool {
	return r == Exceeds || strings.HasPrefix(string(r), string(Exceeds)+":")
}

// Latches says whether a falling value may end an alarm of this rule. An
// exceedance latches: only a reset that names a repair or a survey ends it.
func (r Rule) Latches() bool { return r.IsExceedance() }

// Priority is how fast a person should act.
type Priority string

const (
	High   Priority = "high"
	Medium Priority = "medium"
	Low    Priority = "low"
)

// Priority of a rule: an exceedance is high, blindness and doubt of readings
// are medium, what can wait for the next round is low.
func (r Rule) Priority() Priority {
	switch {
	case r.IsExceedance():
		return High
	case r == Battery:
		return Low
	}
	return Medium
}

// Blinds says whether the field is not known while an alarm of this rule is
// present.
func (r Rule) Blinds() bool {
	switch r {
	case Exceeds, Record, Battery, Temperature:
		return false
	}
	return true
}

// State is a state of ISA-18.2 / IEC 62682.
type State string

const (
	Normal                 State = "normal"
	Unacknowledged         State = "unacknowledged"
	Acknowledged           State = "acknowledged"
	ReturnedUnacknowledged State = "returned to normal, unacknowledged"
	LatchedUnacknowledged  State = "latched, unacknowledged"
	LatchedAcknowledged    State = "latched, acknowledged"
)

// Standing says whether an alarm in this state still wants something mended:
// its condition is present, or it is latched.
func (s State) Standing() bool {
	switch s {
	case Unacknowledged, Acknowledged, LatchedUnacknowledged, LatchedAcknowledged:
		return true
	}
	return false
}

// Present says whether the condition itself is present in this state.
func (s State) Present() bool { return s == Unacknowledged || s == Acknowledged }

// Known says whether s is one of the states above; a record read back is
// checked with it.
func (s State) Known() bool {
	return s == Normal || s == ReturnedUnacknowledged || s.Standing()
}

// Happening is what can happen to an alarm.
type Happening uint8

const (
	Appears     Happening = iota // the condition is present
	Disappears                   // the condition is seen to be absent; unknown is not absent
	Acknowledge                  // a named operator has seen it
	Reset                        // a named operator states that the cause is mended
)

// Reason says why an alarm changed state.
type Reason string

const (
	None             Reason = ""
	Raised           Reason = "raised"
	RaisedAgain      Reason = "raised again"
	WasAcknowledged  Reason = "acknowledged"
	Returned         Reason = "returned"
	ReturnedLatched  Reason = "below the limit now; the cause is not known to be mended"
	WasReset         Reason = "reset"
	RefusedPresent   Reason = "refused: the condition is still present"
	RefusedNothing   Reason = "refused: nothing stands to be acted on"
	RefusedNoLatch   Reason = "refused: this alarm ends by itself when its condition ends"
	RefusedUnchanged Reason = "refused: already so"
)

// Refused says whether the reason tells of an operator's act that was refused.
func (r Reason) Refused() bool { return len(r) > 8 && r[:8] == "refused:" }

// Alarm is one rule at one post. The zero State means Normal.
type Alarm struct {
	Post    string    `json:"post"` // empty for the station itself
	Rule    Rule      `json:"rule"`
	State   State     `json:"state"`
	ID      string    `json:"id"`      // of this occurrence, from raise to the change that ends it; kept until the next raise
	Since   time.Time `json:"since"`   // when this occurrence was raised
	Changed time.Time `json:"changed"` // when the state last changed
}

// Step applies one happening at instant now. The alarm is returned unchanged
// with None, or a refusal, when nothing changes.
func (a Alarm) Step(h Happening, now time.Time) (Alarm, Reason) {
	to, reason := a.next(h)
	if reason == None || reason.Refused() {
		return a, reason
	}
	if reason == Raised {
		a.Since = now
		a.ID = occurrence(a.Post, a.Rule, now)
	}
	a.State, a.Changed = to, now
	return a, reason
}

// occurrence names one raise for good: post, rule and millisecond.
func occurrence(post string, rule Rule, at time.Time) string {
	if post == "" {
		post = "station"
	}
	return post + "." + string(rule) + "." + at.UTC().Format("20060102T150405.000Z")
}

func (a Alarm) next(h Happening) (State, Reason) {
	switch h {
	case Appears:
		switch a.State {
		case Unacknowledged, Acknowledged:
			return a.State, None
		case ReturnedUnacknowledged, LatchedUnacknowledged, LatchedAcknowledged:
			return Unacknowledged, RaisedAgain
		}
		// Normal, or a state that nobody knows: neither may keep it from being told.
		return Unacknowledged, Raised
	case Disappears:
		return a.disappear()
	case Acknowledge:
		switch a.State {
		case Unacknowledged:
			return Acknowledged, WasAcknowledged
		case LatchedUnacknowledged:
			return LatchedAcknowledged, WasAcknowledged
		case ReturnedUnacknowledged:
			if a.Rule.Latches() { // not reached by Step; a record may say so all the same
				return LatchedAcknowledged, WasAcknowledged
			}
			return Normal, WasAcknowledged
		case Acknowledged, LatchedAcknowledged:
			return a.State, RefusedUnchanged
		}
		return a.State, RefusedNothing
	case Reset:
		switch {
		case !a.Rule.Latches():
			return a.State, RefusedNoLatch
		case a.State.Present():
			return a.State, RefusedPresent
		case a.State == LatchedUnacknowledged, a.State == LatchedAcknowledged:
			return Normal, WasReset
		}
		return a.State, RefusedNothing
	}
	return a.State, None
}

func (a Alarm) disappear() (State, Reason) {
	latches := a.Rule.Latches()
	switch {
	case a.State == Unacknowledged && latches:
		return LatchedUnacknowledged, ReturnedLatched
	case a.State == Acknowledged && latches:
		return LatchedAcknowledged, ReturnedLatched
	case a.State == Unacknowledged:
		return ReturnedUnacknowledged, Returned
	case a.State == Acknowledged:
		return Normal, Returned
	}
	return a.State, None
}

// Change is one transition with all that a reader years later needs to take it
// apart.
type Change struct {
	Alarm
	From    State    `json:"from"`
	Reason  Reason   `json:"reason"`
	Verdict *Grounds `json:"verdict,omitempty"` // what the change rests on; absent for operators' acts
}

// Grounds is the verdict behind a change, in numbers with SI units and words.
type Grounds struct {
	Outcome     string   `json:"outcome"`                        // within, exceeds or not decided
	Value       *float64 `json:"value_w_per_m2,omitempty"`       // absent when there is no number
	Uncertainty *float64 `json:"uncertainty_w_per_m2,omitempty"` // expanded
	Limit       float64  `json:"limit_w_per_m2"`
	LimitID     string   `json:"limit_id"`
	Source      string   `json:"limit_source"`
	Reasons     []string `json:"reasons"`

	Judged            *float64 `json:"judged_w_per_m2,omitempty"`             // what the outcome rests on
	JudgedUncertainty *float64 `json:"judged_uncertainty_w_per_m2,omitempty"` // expanded
	Coverage          *float64 `json:"coverage_factor,omitempty"`             // k of both uncertainties
	Rule              string   `json:"decision_rule,omitempty"`
	Averaging         float64  `json:"averaging_s,omitempty"` // the mean over this long was judged
	MeanLo            *float64 `json:"mean_lower_w_per_m2,omitempty"`
	MeanHi            *float64 `json:"mean_upper_w_per_m2,omitempty"` // absent when it has no upper bound
	Cover             *float64 `json:"cover_ratio,omitempty"`         // seen fraction of the window
	Distance          *float64 `json:"distance_m,omitempty"`
	Certificate       string   `json:"certificate,omitempty"`
	Wrong             *float64 `json:"wrong_acceptance_probability,omitempty"` // of accepting Judged
	Notes             []string `json:"notes,omitempty"`
}
