package notify

import (
	"slices"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/alarm"
)

// Hours say when somebody is there to be told. They are asked with UTC instants.
type Hours interface {
	// Open says whether somebody is there at an instant, and when that next
	// changes; zero: never.
	Open(at time.Time) (open bool, change time.Time)
}

// Route says which changes of alarms a courier tells of. It decides who is told,
// and nothing else: all changes are in the record. The zero Route takes all.
type Route struct {
	Priorities []alarm.Priority // empty: all
	Posts      []string         // empty: all; the station's own alarms go to everybody
	Hours      Hours            // nil: always; what comes outside waits for them
	Escalation bool             // only what nobody acknowledged in time
}

// takes says whether a change of an alarm is for this courier.
func (r Route) takes(e acquire.Event) bool {
	if r.Escalation && e.Alarm.Reason != reasonEscalated {
		return false
	}
	if len(r.Priorities) > 0 && !slices.Contains(r.Priorities, priorityOf(e)) {
		return false
	}
	return len(r.Posts) == 0 || e.Post == "" || slices.Contains(r.Posts, e.Post)
}

// opens returns when a change of this instant may be told: now, or when the
// hours begin. Hours that never begin again are no hours.
func (r Route) opens(now time.Time) time.Time {
	if r.Hours == nil {
		return now
	}
	open, change := r.Hours.Open(now)
	if open || change.IsZero() {
		return now
	}
	return change
}

// reasonEscalated is the reason of a change that nobody acknowledged in time.
const reasonEscalated alarm.Reason = "escalated"

func priorityOf(e acquire.Event) alarm.Priority { return e.Alarm.Rule.Priority() }
