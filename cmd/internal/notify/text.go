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
