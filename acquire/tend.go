package acquire

import (
	"fmt"
	"time"

	"ovenward/acquire/alarm"
)

// apply does something to one alarm of a post, and reports what changed.
func (w *watch) apply(i int, act alarm.Act, text string, verdict *alarm.Grounds) alarm.Reason {
	a := w.alarms[i]
	if act.What == alarm.Appears && a.Calls() {
		if why := w.explained(a.Rule); why != "" {
			w.apply(i, alarm.Act{What: alarm.Suppress, At: act.At, Why: why}, why, nil)
			a = w.alarms[i]
		}
	}
	next, reason := a.Do(act)
	if reason == alarm.None || reason.Refused() {
		return reason
	}
	w.alarms[i], w.tense = next, true
	w.report(changed(a, next, reason, act, text, verdict, w.zone))
	return reason
}

// groundsOf is the verdict of this moment behind an alarm about a field; nil for all
// else, and for a dose, of which a moment tells nothing.
func (w *watch) groundsOf(i int, mono time.Duration) *alarm.Grounds {
	h := w.heldBy(i)
	if i == emissionAt {
		h = &w.held[0]
	}
	for k := range w.ruled {
		if r := &w.ruled[k]; r.alarm == i && r.Dose <= 0 {
			h = &w.held[max(r.held, 0)]
		}
	}
	if h == nil {
		return nil
	}
	return grounds(w.alarmVerdict(h, mono))
}

// changed makes the event of a change: when, who, why and the verdict behind it, in
// words of the site's zone.
func changed(before, after alarm.Alarm, reason alarm.Reason, act alarm.Act, text string, verdict *alarm.Grounds, zone *time.Location) Event {
	said := string(reason)
	until := act.What == alarm.Shelve || act.What == alarm.Announce // each has a who
	switch {
	case until && !after.Until.IsZero():
		said += fmt.Sprintf(" by %s until %s", act.Who, when(after.Until, zone))
	case act.Who != "":
		said += " by " + act.Who
	}
	if text != "" {
		said += ": " + text
	}
	remark := ""
	if act.Who != "" {
		remark = act.Why
	}
	return Event{At: act.At, Post: after.Post, Kind: KindAlarm, Who: act.Who, Text: said,
		Alarm: &alarm.Change{Alarm: after, From: before.State, Reason: reason, Remark: remark, Verdict: verdict}}
}

// explained says what explains an alarm of this rule now, so that it is
// suppressed by design; empty when nothing does. Guarded alarms never are.
func (w *watch) explained(r alarm.Rule) string {
	if r.Guarded() || r.IsNotice() {
		return ""
	}
	switch r {
	case alarm.OverRange:
		for i := range w.alarms {
			if a := &w.alarms[i]; a.Rule.IsExceedance() && a.State.Standing() && a.Calls() {
				return "the exceedance at this post tells it already"
			}
		}
		fallthrough
	case alarm.UnderFloor, alarm.ZeroDrift, alarm.Battery, alarm.Temperature, alarm.Position:
		switch w.announced() {
		case AwayNow:
			return "the probe is away for a survey"
		case TestNow:
			return "the probe is under test"
		}
	}
	return ""
}

// announced is the condition that people announced; empty when none was.
func (w *watch) announced() Condition {
	switch {
	case w.away():
		return AwayNow
	case w.alarms[testAt].State.Present():
		return TestNow
	}
	return ""
}

// away says whether the probe was announced to be away.
func (w *watch) away() bool { return w.alarms[awayAt].State.Present() }

// tend does what is due for the post's alarms by time alone: shelves and notices
// that end, what is told on or again, what is suppressed by design and no longer.
func (w *watch) tend(mono time.Duration, at time.Time) {
	for len(w.cares) < len(w.alarms) {
		w.cares = append(w.cares, alarm.Care{})
	}
	for i := range w.alarms {
		a := &w.alarms[i]
		switch why := w.explained(a.Rule); {
		case a.Aside == alarm.Suppressed && why == "":
			w.apply(i, alarm.Act{What: alarm.Unsuppress, At: at}, "what explained it has ended", nil)
		case a.Aside == alarm.NotAside && why != "" && a.State.Standing():
			w.apply(i, alarm.Act{What: alarm.Suppress, At: at, Why: why}, why, nil)
		}
		if h, due := w.cares[i].Look(w.alarms[i], w.attention, mono, at); due {
			w.due(i, h, at, mono)
		}
	}
}

// due carries out what is due for one alarm.
func (w *watch) due(i int, h alarm.Happening, at time.Time, mono time.Duration) {
	a := w.alarms[i]
	text := ""
	switch {
	case a.Rule.IsNotice():
		text = "announced by " + a.By
	case h == alarm.ShelfEnds:
		text = fmt.Sprintf("it was shelved by %s: %s; it is %s", a.By, a.Why, a.State)
	default:
		text = fmt.Sprintf("%s since %s", a.State, when(a.Since, w.zone))
	}
	w.apply(i, alarm.Act{What: h, At: at}, text, w.groundsOf(i, mono))
	if a.Rule.IsNotice() {
		w.resume(mono)
	}
}

// resume begins the waiting for readings anew, when a post that was away or
// under test is watched again: what it is now must show itself.
func (w *watch) resume(mono time.Duration) {
	w.begun = mono
	w.still = max(w.still, mono)
}

// endOf ends an alarm of a rule that the configuration no longer has: nothing
// would ever move it. An exceedance waits for its reset all the same.
func (w *watch) endOf(a alarm.Alarm) {
	for i := range w.alarms {
		if w.alarms[i].Rule == a.Rule {
			return
		}
	}
	act := alarm.Act{What: alarm.Drop, At: w.epoch.UTC()}
	next, reason := a.Do(act)
	if reason != alarm.None && !reason.Refused() {
		w.report(changed(a, next, reason, act, "the configuration no longer has this rule", nil, w.zone))
	}
	if next.State != alarm.Normal {
		w.alarms = append(w.alarms, next)
	}
}
