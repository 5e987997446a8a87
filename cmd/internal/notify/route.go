package notify

import (
	"slices"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/alarm"
)

// Hours say when somebody is there to be told.
type Hours interface {
	// Covers says whether somebody is there at an instant.
	Covers(at time.Time) bool
}

// Route says which changes of alarms a courier tells of. It decides who is told,
// and nothing else: all changes are in the record. The zero Route takes all.
type Route struct {
	Priorities []alarm.Priority // empty: all
	Posts      []string         // empty: all; the station's own alarms go to everybody
	Hours      Hours            // nil: always; what comes outside waits for them
	Escalation bool             // only what nobody acknowledged in time
}

// takes says whether a change of an alarm is for this courier. machine says that
// it is told of all that changes; people are not called by what is set aside, but
// are told that it was.
func (r Route) takes(e acquire.Event, machine bool) bool {
	a := e.Alarm
	switch {
	case a.Reason == alarm.None || a.Reason.Refused():
		return false
	case !machine && !a.Reason.Calls():
		return false
	case !machine && !a.Calls() && a.Reason != alarm.WasShelved && a.Reason != alarm.WasTakenOut:
		return false
	case !machine && a.Reason.CallsAgain() && !a.State.Standing():
		return false // it calls again, and there is nothing to be called for
	case r.Escalation && a.Escalated.IsZero():
		// It stays set until the alarm comes anew: who was called is also told how it
		// went on.
		return false
	case len(r.Priorities) > 0 && !slices.Contains(r.Priorities, a.Urgency()):
		return false
	}
	return len(r.Posts) == 0 || e.Post == "" || slices.Contains(r.Posts, e.Post)
}

// ends says whether a change is the end of an alarm that is set aside, and for this
// courier: whoever heard that it stands hears that it does not, once, and no more of its
// coming and going until it calls again. heard is what was last told of it.
func (r Route) ends(e, heard acquire.Event, machine bool) bool {
	c := *e.Alarm
	told := c.Since.Before(c.AsideSince) // where heard is not known, after a start
	if heard.Alarm != nil {
		told = heard.Alarm.State.Standing()
	}
	if machine || !told || c.Calls() || c.Reason != alarm.Returned {
		return false
	}
	c.Aside = alarm.NotAside
	e.Alarm = &c
	return r.takes(e, machine)
}

// shows says whether an alarm that stands is for a courier that is new. What its
// newest change was does not matter then: a remark, or a shelf that a person put
// it on, hides nothing. What something else explains is not told on its own.
func (r Route) shows(e acquire.Event, machine bool) bool {
	c := *e.Alarm
	if !machine && c.Aside == alarm.Suppressed || !c.State.Standing() {
		return false
	}
	if c.Reason == alarm.Commented || c.Reason == alarm.WasSuppressed || c.Aside != alarm.NotAside {
		c.Reason = alarm.WasShelved // that is told of what is set aside too
	}
	e.Alarm = &c
	return r.takes(e, machine)
}

// longestClosed bounds the search for when hours begin.
const longestClosed = 8 * 24 * time.Hour

// opens returns when a change of this instant may be told: now, or when the
// hours begin, to the minute. Hours that do not begin within eight days are no
// hours.
func (r Route) opens(now time.Time) time.Time {
	if r.Hours == nil || r.Hours.Covers(now) {
		return now
	}
	for at := now.Truncate(time.Minute); at.Sub(now) < longestClosed; at = at.Add(time.Minute) {
		if at.After(now) && r.Hours.Covers(at) {
			return at
		}
	}
	return now
}
