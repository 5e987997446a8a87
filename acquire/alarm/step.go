package alarm

import (
	"strings"
	"time"
)

// Step applies one happening at instant now that nobody needs to be named for.
func (a Alarm) Step(h Happening, now time.Time) (Alarm, Reason) {
	return a.Do(Act{What: h, At: now})
}

// Do applies an act. The alarm is returned unchanged with None, or a refusal,
// when nothing changes. What follows the condition (State) and what sets the
// alarm aside (Aside) move apart from one another.
func (a Alarm) Do(act Act) (Alarm, Reason) {
	before := a
	a = a.Sound()
	reason := None
	switch act.What {
	case Appears, Disappears, Acknowledge, Reset:
		var to State
		if to, reason = a.next(act.What); reason != None && !reason.Refused() {
			a = a.moved(to, reason, act)
		}
	case Shelve, Unshelve, ShelfEnds:
		a, reason = a.shelf(act)
	case Suppress, Unsuppress, TakeOut, PutBack:
		a, reason = a.service(act)
	case Escalate, TellAgain:
		a, reason = a.attend(act)
	case Comment:
		if reason = Commented; strings.TrimSpace(act.Why) == "" {
			reason = RefusedNoWhy
		} else if a.ID == "" {
			reason = RefusedNothing
		}
	case Announce, Conclude:
		a, reason = a.notice(act)
	case Drop:
		a, reason = a.drop(act)
	}
	if reason == None || reason.Refused() {
		return before, reason
	}
	return a.Recalling(Change{Alarm: a, From: before.State, Reason: reason}, act.At), reason
}

// Recalling notes since when the alarm waits and calls, and that it came, where this
// change did it.
// After a start it is called with the changes of the record, in their order.
func (a Alarm) Recalling(c Change, at time.Time) Alarm {
	if c.ID != a.ID {
		return a
	}
	if c.State.Waits() && !c.From.Waits() {
		a.waits = at
	}
	if c.State.Present() && !c.From.Present() {
		a.came = at
	}
	if c.Reason.CallsAgain() {
		a.calls = at
	}
	return a
}

// moved carries a change of State out.
func (a Alarm) moved(to State, reason Reason, act Act) Alarm {
	switch reason {
	case Raised:
		a.Since, a.ID = act.At, occurrence(a.Post, a.Rule, act.At)
		a.Escalated, a.Told = time.Time{}, time.Time{}
	case RaisedAgain:
		a.Told = time.Time{}
	case WasReset:
		a = a.back() // what was shelved is mended, and what comes next is another matter
	}
	if a.Rule.IsNotice() && to == Normal {
		a = a.back()
	}
	a.State, a.Changed = to, act.At
	return a
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
		return a.acknowledge()
	}
	switch { // Reset
	case !a.Rule.Latches():
		return a.State, RefusedNoLatch
	case a.State.Present():
		return a.State, RefusedPresent
	case a.State == LatchedUnacknowledged, a.State == LatchedAcknowledged:
		return Normal, WasReset
	}
	return a.State, RefusedNothing
}

func (a Alarm) acknowledge() (State, Reason) {
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
}

func (a Alarm) disappear() (State, Reason) {
	latches, latched := a.Rule.Latches(), ReturnedLatched
	if !a.Rule.IsExceedance() && !a.Rule.IsSum() {
		latched = GoneLatched
	}
	switch {
	case a.State == Unacknowledged && latches:
		return LatchedUnacknowledged, latched
	case a.State == Acknowledged && latches:
		return LatchedAcknowledged, latched
	case a.State.Present() && a.Rule.IsNotice():
		return Normal, TimeUp
	case a.State == Unacknowledged:
		return ReturnedUnacknowledged, Returned
	case a.State == Acknowledged:
		return Normal, Returned
	}
	return a.State, None
}

// drop ends what nothing judges any more, and says so: its condition was not seen
// to end. An exceedance waits for its reset all the same, and what has ended for
// whoever acknowledges it.
func (a Alarm) drop(act Act) (Alarm, Reason) {
	to := Normal
	switch {
	case !a.State.Standing(), a.Rule.Latches() && !a.State.Present():
		return a, None
	case a.Rule.Latches():
		if to = LatchedAcknowledged; a.State == Unacknowledged {
			to = LatchedUnacknowledged
		}
	default:
		a = a.back()
	}
	return a.moved(to, Dropped, act), Dropped
}

// shelf puts the alarm on the shelf, or takes it off.
func (a Alarm) shelf(act Act) (Alarm, Reason) {
	if act.What != Shelve {
		switch {
		case a.Aside == Shelved && act.What == ShelfEnds:
			return a.back(), ShelfEnded
		case a.Aside == Shelved:
			return a.back(), WasUnshelved
		case act.What == ShelfEnds:
			return a, None
		}
		return a, RefusedNotAside
	}
	switch {
	case a.Rule.IsNotice():
		return a, RefusedNotice
	case a.State == Normal || !a.State.Known():
		return a, RefusedNothing
	case a.Aside == Shelved:
		return a, RefusedUnchanged // longer only by a new decision, after it was off the shelf
	case a.Aside != NotAside:
		return a, RefusedAside
	case strings.TrimSpace(act.Why) == "":
		return a, RefusedNoWhy
	case !act.Until.After(act.At):
		return a, RefusedNoTime
	case act.Until.Sub(act.At) > a.Rule.LongestShelf():
		return a, RefusedTooLong
	}
	a.Aside, a.By, a.Why, a.AsideSince, a.Until = Shelved, act.Who, act.Why, act.At, act.Until
	return a, WasShelved
}

// service suppresses the alarm by design or takes it out of service, and back.
func (a Alarm) service(act Act) (Alarm, Reason) {
	switch act.What {
	case Unsuppress:
		if a.Aside == Suppressed {
			return a.back(), WasUnsuppressed
		}
		return a, None
	case PutBack:
		if a.Aside == OutOfService {
			return a.back(), WasPutBack
		}
		return a, RefusedNotAside
	}
	switch {
	case a.Rule.IsNotice():
		return a, RefusedNotice
	case a.Rule.Guarded():
		return a, RefusedGuarded
	case act.What == Suppress && a.Aside != NotAside:
		return a, None
	case act.What == Suppress:
		a.Aside, a.By, a.Why, a.AsideSince = Suppressed, "", act.Why, act.At
		return a, WasSuppressed
	case a.Aside == OutOfService:
		return a, RefusedUnchanged
	case strings.TrimSpace(act.Why) == "":
		return a, RefusedNoWhy
	}
	a.Aside, a.By, a.Why, a.AsideSince, a.Until = OutOfService, act.Who, act.Why, act.At, time.Time{}
	return a, WasTakenOut
}

// attend tells the alarm on, or again; when, and how often, is Care's. Escalated stays
// for the whole occurrence: who was told on is to hear how it ends.
func (a Alarm) attend(act Act) (Alarm, Reason) {
	switch {
	case a.Rule.IsNotice() || !a.Calls() || !a.State.Standing():
		return a, None
	case act.What == TellAgain:
		a.Told = act.At
		return a, ToldAgain
	case a.State.Waits():
		a.Escalated = act.At
		return a, Escalated
	}
	return a, None
}

// notice begins or ends what people announce.
func (a Alarm) notice(act Act) (Alarm, Reason) {
	switch {
	case !a.Rule.IsNotice():
		return a, RefusedNoNotice
	case act.What == Conclude && a.State.Present():
		return a.moved(Normal, Concluded, act), Concluded
	case act.What == Conclude:
		return a, RefusedNothing
	case a.State.Present():
		return a, RefusedUnchanged
	case !act.Until.IsZero() && !act.Until.After(act.At):
		return a, RefusedNoTime
	}
	a = a.moved(Acknowledged, Raised, act)
	a.By, a.Why, a.AsideSince, a.Until = act.Who, act.Why, act.At, act.Until
	return a, Announced
}
