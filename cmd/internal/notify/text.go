package notify

import (
	"fmt"
	"strings"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/alarm"
	"ovenward/acquire/limit"
	"ovenward/acquire/quantity"
	"ovenward/cmd/internal/advice"
)

// Telling is what a template may use: all fields of Message, and the sentences
// that the default text is made of. A sentence that does not apply is empty.
type Telling struct {
	Message
	Mark     string // "SIMULATED, …", "TEST, …"
	Where    string // without a full stop, as is What
	What     string
	Headline string // where and what
	HowMuch  string // the value against the limit, and how sure that is
	Quoted   string // what the record says
	When     string
	Now      string // what to do now
	More     string // what was not told one by one
	Early    string // that it is not yet seen in the record
}

// tellingOf makes the sentences of a message.
func tellingOf(m Message) Telling {
	t := Telling{Message: m, Where: where(m), What: headline(m)}
	var marks []string
	if m.Kind == KindTest {
		marks = append(marks, "TEST, nothing has happened.")
	}
	if m.Simulated {
		marks = append(marks, "SIMULATED, no real oven is meant.")
	}
	t.Mark = strings.Join(marks, " ")
	t.Headline = t.Where + ": " + t.What + "."
	switch m.Kind {
	case KindSeveral:
		t.More = listed(m.Alarms)
	case KindHeartbeat:
		t.More = m.Heartbeat.sentences()
	case KindTest:
		t.Now = "If you can read this, the courier works. " + Caution
	default:
		t.HowMuch, t.Quoted, t.When, t.Now = howMuch(m, m.post), quoted(m), when(m), whatNow(m)
		if t.Now != "" && m.State.Standing() && m.tell != "" {
			t.Now += " Tell " + m.tell + "."
		}
		t.More = sentences(notSent(m.AndNMore), notToAll(m.some))
		if !m.Recorded {
			t.Early = "This was not yet seen in the record."
		}
	}
	return t
}

// notSent tells of the changes that a message stands in for.
func notSent(n int) string {
	switch n {
	case 0:
		return ""
	case 1:
		return "One earlier change of this alarm was not sent; this message stands in for it."
	}
	return fmt.Sprintf("%d earlier changes of this alarm were not sent; this message stands in for them.", n)
}

// maxListed is how many alarms a text for people lists; the rest is counted.
const maxListed = 20

// listed puts several alarms into lines.
func listed(all []Message) string {
	var b strings.Builder
	for i, m := range all {
		if i == maxListed {
			fmt.Fprintf(&b, "\n- and %d more alarms, on the page", len(all)-i)
			break
		}
		fmt.Fprintf(&b, "\n- %s: %s", where(m), headline(m))
		if !m.Since.IsZero() {
			said := "first raised"
			if m.Rule.IsNotice() {
				said = "announced"
			}
			fmt.Fprintf(&b, ", %s at %s UTC", said, m.Since.Format(layout))
		}
		if n := m.AndNMore + m.some; n == 1 {
			b.WriteString(" (and 1 earlier change)")
		} else if n > 1 {
			fmt.Fprintf(&b, " (and %d earlier changes)", n)
		}
	}
	return b.String()
}

// layout is how people read an instant, UTC.
const layout = "2006-01-02 15:04:05"

func where(m Message) string {
	if m.Kind != KindAlarm {
		return m.Site
	}
	switch {
	case m.Post == "" && m.Rule.NamesPlace():
		return m.Site
	case m.Post == "":
		return m.Site + ", the station itself"
	}
	var parts []string
	for _, s := range []string{m.Site, m.Place} {
		if s != "" {
			parts = append(parts, s)
		}
	}
	if m.Oven != "" {
		parts = append(parts, "oven "+m.Oven)
	}
	return strings.Join(append(parts, "post "+m.Post), ", ")
}

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

// howMuch gives the value against the limit, and how sure that is.
func howMuch(m Message, p *acquire.Post) string {
	if m.Limit == "" {
		return ""
	}
	against := fmt.Sprintf("the limit of %s (%s: %s)", m.Limit, m.LimitID, m.LimitSource)
	var s string
	switch {
	case m.MeanLo != nil:
		s = fmt.Sprintf("The mean over %s is at least %s. It is judged against %s.",
			quantity.FormatDuration(time.Duration(m.Averaging*float64(time.Second))), bothUnits(*m.MeanLo), against)
	case m.Value != "" && m.Ratio != nil:
		s = fmt.Sprintf("Measured at this moment: %s, %.3g times %s;", m.Value, *m.Ratio, against)
		if m.UncertaintyText != "" {
			s += " expanded uncertainty " + m.UncertaintyText + "."
		} else {
			s += " uncertainty not known."
		}
	case m.Outcome == string(limit.Exceeds) && p != nil && p.Probe.Range > 0:
		s = fmt.Sprintf("There is no number: the probe shows up to %s. It is judged against %s.", bothUnits(float64(p.Probe.Range)), against)
	default:
		s = fmt.Sprintf("There is no number. It is judged against %s.", against)
	}
	// Of another alarm they say why it is within, or is not decided; at a reset, that it
	// was not reset yet.
	if len(m.Reasons) > 0 && m.Rule.IsExceedance() && m.Reason != alarm.WasReset {
		s += " Grounds: " + strings.Join(m.Reasons, "; ") + "."
	}
	return s
}

// quoted repeats what the record says where the numbers do not tell it.
func quoted(m Message) string {
	switch {
	case m.Detail == "", m.Reason == alarm.WasShelved, m.Reason == alarm.WasTakenOut: // What says it
		return ""
	case m.Reason == alarm.Dropped && m.post == nil && m.Post != "": // so it does
		return ""
	case m.Rule.IsExceedance() && !m.Rule.IsNamedLevel() && m.Reason != alarm.WasReset && m.Reason != alarm.Unread && m.Remark == "": // HowMuch says it
		return ""
	}
	return "The record says: “" + m.Detail + "”."
}

// when says when it began, and ended. An alarm that was raised again has kept since
// when it was first raised.
func when(m Message) string {
	if m.Since.IsZero() {
		return ""
	}
	first := m.Since.Format(layout)
	switch {
	case m.State == alarm.Unacknowledged && m.Reason != alarm.Raised && m.changed.After(m.Since):
		return fmt.Sprintf("Again since %s; first raised at %s UTC.", m.changed.UTC().Format(layout), first)
	case m.Rule.IsNotice() && !m.State.Present(): // nobody raised it
		return "Announced at " + first + " UTC."
	case m.State == alarm.Unacknowledged, m.Rule.IsNotice():
		return "Since " + first + " UTC."
	case m.Reason == alarm.Returned:
		return fmt.Sprintf("First raised at %s; ended at %s UTC.", first, m.At.Format(layout))
	case m.Reason == alarm.ReturnedLatched, m.Reason == alarm.GoneLatched:
		return fmt.Sprintf("First raised at %s; not seen any more at %s UTC.", first, m.At.Format(layout))
	}
	return "First raised at " + first + " UTC."
}

// whatNow says what to do.
func whatNow(m Message) string {
	if (m.Reason == alarm.Dropped || m.Reason == alarm.Unread) && !m.State.Standing() {
		return ""
	}
	p := advice.Probe{ID: m.Probe}
	if m.post != nil {
		p.Port = m.post.Probe.Port
	}
	return advice.Now(m.Rule, m.State, p)
}
