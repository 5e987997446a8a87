package notify

import (
	"fmt"
	"strings"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/alarm"
	"ovenward/acquire/limit"
	"ovenward/acquire/quantity"
)

// StopOven is what to do while a field exceeds its limit.
const StopOven = "Stop using this oven. Switch it off at its control or at the wall. Do not open the cabinet. Keep people away from the door. Call licensed service."

// describe puts a message into one paragraph: what, where, how much against
// which limit, since when, and what to do now. p may be nil.
func describe(m Message, p *acquire.Post) string {
	var said []string
	say := func(s string) {
		if s != "" {
			said = append(said, s)
		}
	}
	if m.Simulated {
		say("SIMULATED, no real oven is meant.")
	}
	say(where(m) + ": " + headline(m) + ".")
	if m.Rule.IsExceedance() {
		say(howMuch(m, p))
	}
	if said := quoted(m); said != "" {
		say(said)
	}
	say(when(m))
	say(whatNow(m, p))
	switch {
	case m.AndNMore == 1:
		say("One earlier change of this alarm was not sent; this message stands in for it.")
	case m.AndNMore > 1:
		say(fmt.Sprintf("%d earlier changes of this alarm were not sent; this message stands in for them.", m.AndNMore))
	}
	if !m.Recorded {
		say("This was not yet seen in the record.")
	}
	return strings.Join(said, " ")
}

func where(m Message) string {
	if m.Post == "" {
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
	case alarm.Returned, alarm.ReturnedLatched:
		return ended
	case alarm.WasReset:
		return "the exceedance was reset" + by
	}
	return what
}

// subjectWords says what a rule's alarm means while present, and after it ended.
func subjectWords(m Message) (present, ended string) {
	const unknown, seen = "the field at this post is not known: ", "the probe is seen again"
	rule := m.Rule
	if rule.IsExceedance() {
		rule = alarm.Exceeds
	}
	switch rule {
	case alarm.Exceeds:
		return "the field exceeds the limit", string(alarm.ReturnedLatched)
	case alarm.Silent:
		return unknown + "the probe does not answer", seen
	case alarm.Stale:
		return unknown + "the probe answers, but gives no valid reading", seen
	case alarm.Stuck:
		return unknown + "the reading stands still for longer than its noise allows", seen
	case alarm.Fault:
		return unknown + "the probe declares itself unfit", seen
	case alarm.Record:
		return "the record cannot be written", "the record is written again"
	case alarm.Battery:
		return "the probe's battery is low", "the probe's battery is no longer low"
	case alarm.Temperature:
		return "the probe is warmer or colder than it is meant for", "the probe's temperature is within its bounds again"
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
	if len(m.Reasons) > 0 {
		s += " Grounds: " + strings.Join(m.Reasons, "; ") + "."
	}
	return s
}

// quoted repeats what the record says where the numbers do not tell it.
func quoted(m Message) string {
	if m.Detail == "" || m.Rule.IsExceedance() && m.Reason != alarm.WasReset {
		return ""
	}
	return "The record says: “" + m.Detail + "”."
}

func when(m Message) string {
	const layout = "2006-01-02 15:04:05"
	if m.Since.IsZero() {
		return ""
	}
	if m.State.Present() {
		return "Since " + m.Since.Format(layout) + " UTC."
	}
	if m.Reason == alarm.Returned || m.Reason == alarm.ReturnedLatched {
		return fmt.Sprintf("It lasted from %s to %s UTC (%s).", m.Since.Format(layout), m.At.Format(layout),
			quantity.FormatDuration(m.At.Sub(m.Since).Round(time.Second)))
	}
	return "Raised at " + m.Since.Format(layout) + " UTC."
}

// whatNow says what to do.
func whatNow(m Message, p *acquire.Post) string {
	switch {
	case m.Rule.IsExceedance() && m.State.Present():
		return StopOven
	case m.Rule.IsExceedance() && m.State.Standing():
		return "Keep this oven out of use until licensed service has mended the cause or a survey was made; only a reset that names it ends this alarm."
	case m.Rule.IsExceedance():
		return "The reset states that the cause is mended; the next run of the oven will show it."
	case m.Rule == alarm.Record && m.State.Present():
		return "Readings may be lost until it can. Look at the disk of this station: space, permissions, whether it is mounted."
	case m.Rule == alarm.Record:
		return ""
	case m.Rule == alarm.Battery && m.State.Present():
		return "The probe still reads. Change its battery soon; without it nobody knows whether this oven leaks."
	case m.Rule == alarm.Temperature && m.State.Present():
		return "The probe still reads, but its readings may be off. Shield it from heat or cold, or move it."
	case !m.Rule.Blinds():
		return ""
	case m.State.Present():
		return "The field at this post is not known. " + lookAt(m, p) + " Until the probe is seen again, nobody knows whether this oven leaks."
	}
	return "What the field was in between is not known."
}

// lookAt names what a person should look at when a post is blind.
func lookAt(m Message, p *acquire.Post) string {
	probe := "the probe"
	if m.Probe != "" {
		probe = "probe " + m.Probe
	}
	port := ""
	if p != nil && p.Probe.Port != "" {
		port = " " + p.Probe.Port
	}
	switch m.Rule {
	case alarm.Silent:
		return "Look at the power of " + probe + ", its cable and its port" + port + "."
	case alarm.Stale:
		return "Look at the display and the settings of " + probe + "."
	case alarm.Stuck:
		return "Look at " + probe + ": compare it with one known to be good."
	}
	return "Look at " + probe + "."
}
