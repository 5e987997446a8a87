package notify

import (
	"fmt"
	"strings"
	"time"

	"ovenward/acquire/alarm"
)

// headline says what happened, without a full stop.
func headline(m Message) string {
	switch m.Kind {
	case KindSeveral:
		if len(m.Alarms) == 1 { // of the others newer news was told
			return "1 alarm changed, of several that were too many to tell one by one"
		}
		return fmt.Sprintf("%d alarms changed, too many to tell one by one", len(m.Alarms))
	case KindHeartbeat:
		return m.Heartbeat.summary()
	case KindTest:
		return "an operator tries this courier"
	}
	by := ""
	if m.Who != "" {
		by = " by " + m.Who
	}
	what, ended := subjectWords(m)
	switch m.Reason {
	case alarm.RaisedAgain:
		return what + ", again"
	case alarm.WasAcknowledged:
		if m.State.Present() {
			return what + "; this was acknowledged" + by
		}
		return "acknowledged" + by + "; " + ended
	case alarm.Returned, alarm.ReturnedLatched, alarm.GoneLatched, alarm.Concluded:
		return ended
	case alarm.TimeUp: // nobody said that it has ended
		return "the time is up for this: " + strings.TrimSuffix(what, fieldUnknown) + "; the post is watched again from now on"
	case alarm.WasReset:
		return "the " + latchedWord(m.Rule) + " was reset" + by
	case alarm.Escalated:
		return "nobody has acknowledged this in time: " + standsNow(m, what, ended)
	case alarm.ToldAgain:
		return "this still stands: " + standsNow(m, what, ended)
	case alarm.WasShelved, alarm.WasTakenOut:
		return fmt.Sprintf("the alarm was %s%s%s; %s", m.Reason, by, asideWords(m), standsOrNot(m, what, ended))
	case alarm.Commented, alarm.WasSuppressed: // told to whoever is new
		if m.Aside != alarm.NotAside {
			return fmt.Sprintf("the alarm is %s%s; %s", m.Aside, asideWords(m), standsOrNot(m, what, ended))
		}
		return standsNow(m, what, ended)
	case alarm.Unread:
		if !m.State.Standing() {
			return "this alarm changed, and the record of that is lost or damaged; it does not stand now"
		}
		return standsNow(m, what, ended)
	case alarm.Dropped:
		return droppedWords(m)
	case alarm.WasUnshelved, alarm.ShelfEnded, alarm.WasPutBack, alarm.WasUnsuppressed:
		if !m.State.Standing() {
			return "the alarm calls again (" + string(m.Reason) + by + "); it does not stand now"
		}
		return "the alarm calls again (" + string(m.Reason) + by + "): " + standsNow(m, what, ended)
	}
	return what
}

// standsNow tells of an alarm that stands: its condition, or what it left behind.
func standsNow(m Message, present, ended string) string {
	if m.State.Present() {
		return present
	}
	return ended
}

// standsOrNot says whether an alarm stands that was set aside.
func standsOrNot(m Message, present, ended string) string {
	if m.State.Standing() {
		return "it still stands: " + standsNow(m, present, ended)
	}
	return "it does not stand now"
}

// asideWords says until when an alarm is set aside, and why.
func asideWords(m Message) string {
	s := ""
	if m.Reason != alarm.WasShelved && m.Reason != alarm.WasTakenOut && m.By != "" {
		s = " by " + m.By
	}
	return s + untilWhy(m.Until, m.Why)
}

// untilWhy says until when something is set aside, and why.
func untilWhy(until time.Time, why string) (s string) {
	if !until.IsZero() {
		s = " until " + until.UTC().Format(layout) + " UTC"
	}
	if why != "" {
		s += " (“" + why + "”)"
	}
	return s
}

// droppedWords says why nothing judges an alarm any more. It was not seen to end.
func droppedWords(m Message) string {
	switch {
	case m.Rule.Kind() == alarm.CourierOf("").Kind():
		return "that messages of courier " + m.Rule.Name() + " are not accepted is watched no more; it was not seen to end"
	case m.Rule.IsSum():
		return "sum " + m.Rule.Name() + " was removed from the configuration; that its posts together exceed is not known to be mended"
	case m.Post == "":
		return "the station no longer watches this: rule " + string(m.Rule)
	case m.post == nil && m.Rule.Latches():
		return "this post was removed from the configuration: nobody watches it any more, and its " + latchedWord(m.Rule) + " is not known to be mended"
	case m.post == nil:
		return "this post was removed from the configuration: nobody watches it any more"
	case m.Rule.IsExceedance():
		return "this limit or rule was removed from the configuration; its exceedance is not known to be mended"
	case m.Rule.Latches():
		return "nothing tells any more whether this door is open; the field beside it is not known to be mended"
	case m.Rule == alarm.Temperature: // it is said no more, or has no bounds any more: the record says which
		return "this alarm has ended, but the probe's temperature was not seen to be within its bounds again"
	}
	return "rule " + string(m.Rule) + " is no longer watched at this post; it was not seen to end"
}

// latchedWord names what a rule that latches is about.
func latchedWord(r alarm.Rule) string {
	if r.IsExceedance() || r.IsSum() {
		return "exceedance"
	}
	return "field beside the open door"
}

// fieldUnknown is what follows from what people announce of a probe.
const fieldUnknown = "; the field at this post is not known"

// subjectWords says what a rule's alarm means while present, and after it ended.
func subjectWords(m Message) (present, ended string) {
	const unknown, seen = "the field at this post is not known: ", "the probe is seen again"
	switch alarm.Rule(m.Rule.Kind()) {
	case alarm.Exceeds:
		if m.Reason == alarm.ReturnedLatched {
			return "the field exceeds the limit", string(m.Reason)
		}
		return "the field exceeds the limit", "the field was above the limit, and the cause is not known to be mended"
	case alarm.OpenDoor:
		return "a field persists though the oven's door is open", "a field persisted though the oven's door was open; it is not seen now, and the cause is not known to be mended"
	case alarm.Emission:
		return "oven " + m.Oven + " emits, though it is withdrawn", "it has ended that oven " + m.Oven + " emits though it is withdrawn"
	case alarm.Silent:
		return unknown + "the probe does not answer", seen
	case alarm.Stale:
		return unknown + "the probe answers, but gives no valid reading", seen
	case alarm.Stuck:
		return unknown + "the reading stands still for longer than its noise allows", seen
	case alarm.Fault:
		return unknown + "the probe declares itself unfit", seen
	case alarm.Away:
		return "the probe is away for a survey" + fieldUnknown, "the probe is back from the survey"
	case alarm.UnderTest:
		return "the probe is under test" + fieldUnknown, "the test of the probe has ended"
	case alarm.Record:
		return "the record cannot be written", "the record is written again"
	case alarm.Disk:
		return "the disk of the record fills up", "the disk of the record has room again"
	case alarm.Clock:
		return "the station's clock is not known to be right", "the station's clock is known to be right again"
	case alarm.Battery:
		return "the probe's battery is low", "nothing tells any more that the probe's battery is low"
	case alarm.Temperature:
		return "the probe is warmer or colder than it is meant for", "the probe's temperature is within its bounds again"
	case alarm.OverRange:
		return "the probe was driven beyond what it can show", "the probe is back in its range"
	case alarm.UnderFloor:
		return "the probe sees nothing, though the oven is known to run", "the probe sees something again"
	case alarm.ZeroDrift:
		return "the reading rests off zero while the oven is not known to run", "the reading rests at zero again"
	case alarm.CertificateDue:
		return "the probe's calibration is due soon", "the reminder that the probe's calibration is due soon has ended"
	case alarm.CertificateOverdue:
		return "no calibration of the probe is in force", "a calibration of the probe is in force"
	case alarm.Position:
		return "nobody has stated for too long that the probe stands where it should", "somebody stated that the probe stands where it should"
	}
	return namedWords(m)
}

// namedWords is subjectWords for the rules that somebody gave a name.
func namedWords(m Message) (present, ended string) {
	name := m.Rule.Name()
	switch m.Rule.Kind() {
	case "warning":
		return "early warning " + name + ": the field is above a share of its limit", "early warning " + name + " has ended"
	case "dose":
		return "the dose of this day is above what rule " + name + " allows", "the day of rule " + name + " has ended"
	case "count":
		return "as many exceedances in one run as rule " + name + " counts", "the run of rule " + name + " has ended"
	case "courier":
		return "messages of courier " + name + " are not accepted", "messages of courier " + name + " are accepted again"
	case "input":
		return "contact " + name + " cannot be read", "contact " + name + " is read again"
	case "sum":
		return "several frequencies together exceed: sum " + name, "several frequencies together exceeded: sum " + name + "; the cause is not known to be mended"
	case "ageing":
		return "the runs at post " + name + " come near the limit", "the runs at post " + name + " no longer come near the limit"
	case "withdrawn":
		return "oven " + name + " is withdrawn", "oven " + name + " is in use again"
	}
	return "alarm " + string(m.Rule), "alarm " + string(m.Rule) + " has ended"
}
