// Package alarm is the life of an alarm after ISA-18.2 / IEC 62682: a pure
// state machine, (alarm, act, instant) -> (alarm, typed reason). It decides
// nothing about fields or probes: that a condition is present is limit's word
// for exceedances and the station's for all else. It asks no clock, stores
// nothing and tells nobody. Instants are UTC wall time, for people; delays are
// spans of the monotonic clock, handed in.
//
// An alarm has two parts. State follows the condition and what people did about
// it, whatever else is so. Aside says whether it was set aside: shelved, taken
// out of service, or suppressed by design. Setting an alarm aside stops it from
// calling people and nothing else: State goes on, so that no alarm that is set
// aside can make a post look well.
package alarm

import "time"

// State is a state of ISA-18.2 / IEC 62682.
type State string

// The states that follow the condition.
const (
	Normal                 State = "normal"
	Unacknowledged         State = "unacknowledged"
	Acknowledged           State = "acknowledged"
	ReturnedUnacknowledged State = "returned to normal, unacknowledged"
	LatchedUnacknowledged  State = "latched, unacknowledged"
	LatchedAcknowledged    State = "latched, acknowledged"
)

// The states of an alarm that is set aside; they stand in Alarm.Aside.
const (
	NotAside     State = ""
	Shelved      State = "shelved"              // by a person, for a time, with a reason
	Suppressed   State = "suppressed by design" // by the station, while something else explains it
	OutOfService State = "out of service"       // by a person, with a reason, until put back
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

// Waits says whether an alarm in this state waits for somebody to acknowledge it.
func (s State) Waits() bool {
	return s == Unacknowledged || s == ReturnedUnacknowledged || s == LatchedUnacknowledged
}

// Known says whether s is a state that follows the condition; a record read back
// is checked with it.
func (s State) Known() bool {
	return s == Normal || s == ReturnedUnacknowledged || s.Standing()
}

// KnownAside says whether s is a way of being set aside, or of not being so.
func (s State) KnownAside() bool {
	return s == NotAside || s == Shelved || s == Suppressed || s == OutOfService
}

// Alarm is one rule at one post. The zero State means Normal.
type Alarm struct {
	Post     string    `json:"post"` // empty for the station itself
	Rule     Rule      `json:"rule"`
	Priority Priority  `json:"priority,omitempty"` // empty: that of the rule; Urgency tells
	State    State     `json:"state"`
	ID       string    `json:"id"`      // of this occurrence, from raise to the change that ends it; kept until the next raise
	Since    time.Time `json:"since"`   // when this occurrence was raised
	Changed  time.Time `json:"changed"` // when State last changed

	Escalated time.Time `json:"escalated,omitzero"` // when it was last told on in this occurrence, since nobody acknowledged it; zero: not
	Told      time.Time `json:"told,omitzero"`      // when it was last told again while it stood; zero: not

	// Set aside, or announced: how, by whom, why and until when.
	Aside      State     `json:"aside,omitempty"`
	By         string    `json:"by,omitempty"`
	Why        string    `json:"why,omitempty"`
	AsideSince time.Time `json:"aside_since,omitzero"`
	Until      time.Time `json:"until,omitzero"` // when the shelf, or what was announced, ends by itself; zero: it does not

	// Since when it waits to be acknowledged, since when it calls after it was set aside,
	// and when it last came; zero: not known. Only the record's changes tell: see Recalling.
	waits, calls, came time.Time
}

// Urgency is the alarm's priority.
func (a Alarm) Urgency() Priority {
	if a.Priority.Known() {
		return a.Priority
	}
	return a.Rule.Priority()
}

// Shown is the alarm's state by the standards' single list: how it is set aside,
// else how it stands.
func (a Alarm) Shown() State {
	switch {
	case a.Aside != NotAside:
		return a.Aside
	case a.State == "":
		return Normal
	}
	return a.State
}

// Calls says whether the alarm may call people: it is not set aside.
func (a Alarm) Calls() bool { return a.Aside == NotAside }

// Sound takes away what a damaged or older record may say and no step leads to:
// a guarded alarm that is suppressed or out of service, a notice set aside, a
// shelf without an end.
func (a Alarm) Sound() Alarm {
	switch {
	case a.Aside == NotAside:
		return a
	case a.Aside.KnownAside() && !a.Rule.IsNotice() && (a.Aside == Shelved || !a.Rule.Guarded()) && (a.Aside != Shelved || !a.Until.IsZero()):
		return a
	}
	return a.back()
}

// back ends being set aside.
func (a Alarm) back() Alarm {
	a.Aside, a.By, a.Why, a.AsideSince, a.Until = NotAside, "", "", time.Time{}, time.Time{}
	return a
}
