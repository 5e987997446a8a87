package acquire

import (
	"fmt"
	"math"
	"time"

	"ovenward/acquire/alarm"
	"ovenward/acquire/limit"
	"ovenward/acquire/quantity"
)

// ruled is a rule of the configuration at a post, and what it has seen.
type ruled struct {
	Rule
	alarm int // index in the watch's alarms
	held  int // index of the limit it is about; -1: none
	gate  alarm.Gate
	band  alarm.Band

	mean      *limit.Mean
	sustained *limit.Sustained

	dose  quantity.EnergyDensity // since the civil day began, at least
	day   int                    // of which dose is: year and day of the year
	stood int                    // the newest day on which the dose was above the rule

	count int           // rises above the limit in this run, at least
	above bool          // now
	stir  time.Duration // up to when the oven may have run
	quiet bool          // the run was seen to end, and no other has begun
}

// rule begins the rules of the configuration. Each has an alarm of its own.
func (w *watch) rule() {
	for _, r := range w.post.Rules {
		k := ruled{Rule: r, alarm: len(w.alarms), held: -1, stir: longAgo,
			gate: alarm.Gate{On: r.OnDelay, Off: r.OffDelay},
			band: alarm.Band{Level: float64(r.Level), Deadband: r.Deadband}}
		for i, l := range w.post.Limits() {
			if l.ID == r.LimitID {
				k.held = i
			}
		}
		switch {
		case r.Level > 0 && r.Window > 0:
			k.mean = limit.NewMean(r.Window, w.top, w.topU)
		case r.Level > 0 && r.Sustained:
			k.sustained = limit.NewSustained(w.post.Sustained, r.Level)
		}
		w.alarms = append(w.alarms, alarm.Alarm{Post: w.post.ID, Rule: r.Rule, Priority: r.Priority, State: alarm.Normal})
		w.ruled = append(w.ruled, k)
	}
}

// observeRules hands a stretch to the windows of the rules, as observe does to
// those of the limits.
func (w *watch) observeRules(st *limit.Stretch) {
	for i := range w.ruled {
		k := &w.ruled[i]
		switch {
		case k.mean != nil:
			k.mean.Observe(*st)
		case k.sustained != nil:
			k.sustained.Observe(st)
		case k.Dose > 0 && st.Seen:
			low := max(st.Lo, 0)
			k.dose += low.Over(st.To - st.From)
		}
	}
}

// followRules looks at one sample: which civil day it is of, and whether the
// field rose above a limit that is counted.
func (w *watch) followRules(at time.Time) {
	for i := range w.ruled {
		k := &w.ruled[i]
		switch {
		case k.Dose > 0:
			k.turn(at.In(w.zone))
		case k.Count > 0:
			w.countRise(k)
		case k.sustained != nil && float64(w.bounds.Lo) > float64(k.Level):
			k.sustained.Break() // it has no duration yet, and is above all the same
		}
	}
}

// civilDay numbers the day of an instant in its own zone: year and day of the year.
func civilDay(at time.Time) int { return at.Year()*1000 + at.YearDay() }

// turn begins another day's dose.
func (k *ruled) turn(at time.Time) {
	if day := civilDay(at); day != k.day {
		k.day, k.dose = day, 0
	}
}

// countRise counts how often the field rose above the limit in one run. What was
// not seen ends no run: only the oven seen at rest for the whole run gap does.
func (w *watch) countRise(k *ruled) {
	at := w.newest.Mono
	k.stir = max(k.stir, w.lastStir(at))
	if k.quiet = at-k.stir > w.post.RunGap; k.quiet {
		k.count = 0
	}
	lo, hi, seen := w.field()
	level := float64(w.held[max(k.held, 0)].limit.Value)
	switch (alarm.Band{Level: level, Deadband: k.Deadband}).Look(lo, hi) {
	case alarm.Present:
		if seen && !k.above {
			k.count++
		}
		if k.above = seen || k.above; seen {
			k.stir, k.quiet = at, false
		}
	case alarm.Absent:
		k.above = k.above && !seen
	}
}

// longAgo is before anything that a start recalls.
const longAgo = time.Duration(math.MinInt64 / 2)

// lastStir is up to when, as of a sample's instant, the oven may have run:
// emission was seen, or nothing was.
func (w *watch) lastStir(at time.Duration) time.Duration {
	stir := longAgo
	if last, ever := w.runs.Last(); ever {
		stir = last
	}
	if w.flaws.wasUnseen && stir <= w.flaws.unseenTo {
		if stir = w.flaws.unseenTo; w.newest.S > w.post.Probe.Floor {
			stir = at // a run that goes on steadily after a pause shows no rise
		}
	}
	return stir
}

// restoreRules takes up what the record knows of the alarms of the rules: on
// which day a dose alarm stood, and with which priority the alarms come now.
func (w *watch) restoreRules(p Past) {
	for i := range w.ruled {
		k := &w.ruled[i]
		a := &w.alarms[k.alarm]
		if a.Priority = k.Priority; k.Dose <= 0 || !a.State.Present() {
			continue
		}
		newest := p.LastAt
		if a.Changed.After(newest) {
			newest = a.Changed
		}
		k.stood = civilDay(newest.In(w.zone))
	}
}

// recallAhead adds what the record holds of the dose from beyond the clock, which
// was set back: the day's dose needs no clock, only how the stamps follow one another.
func (w *watch) recallAhead(before, s *Sample) {
	for i := range w.ruled {
		k := &w.ruled[i]
		if k.Dose <= 0 {
			continue
		}
		k.turn(before.At.In(w.zone))
		if before.Quality&Fault == 0 && !math.IsNaN(float64(w.leastOf(before))) {
			k.dose += w.leastOf(before).Over(min(s.At.Sub(before.At), w.post.Stale))
		}
		k.turn(s.At.In(w.zone))
	}
}

// leastOf is the least that the field was when a sample was taken.
func (w *watch) leastOf(s *Sample) quantity.PowerDensity {
	switch {
	case s.Quality&OverRange != 0:
		return w.floorOfTop
	case s.Quality&UnderFloor != 0:
		return 0
	}
	return max(s.S, 0)
}

// field is between what bounds the field lies now, and whether anything is seen.
func (w *watch) field() (lo, hi float64, seen bool) {
	return float64(w.bounds.Lo), float64(w.bounds.Hi), w.bounds.Seen
}

// judgeRules moves the alarms of the rules.
func (w *watch) judgeRules(mono time.Duration, at time.Time) {
	for i := range w.ruled {
		k := &w.ruled[i]
		if k.Dose > 0 {
			k.turn(at.In(w.zone))
		}
		var h alarm.Happening
		var tell bool
		k.gate, h, tell = k.gate.Look(w.presence(k), mono)
		if !tell || h == alarm.Disappears && !w.alarms[k.alarm].State.Present() || h == alarm.Appears && w.alarms[k.alarm].State.Present() {
			continue
		}
		w.apply(k.alarm, alarm.Act{What: h, At: at}, w.ruleText(k, h), w.groundsOf(k.alarm, mono))
	}
}

// presence is whether what the rule is about is so.
func (w *watch) presence(k *ruled) alarm.Presence {
	switch {
	case k.Dose > 0:
		switch {
		case k.dose > k.Rule.Dose:
			k.stood = k.day
			return alarm.Present
		case k.stood == k.day: // what a damaged or thinned record no longer holds took nothing back
			return alarm.Unknown
		}
		return alarm.Absent
	case k.Count > 0:
		switch {
		case k.count >= k.Rule.Count:
			return alarm.Present
		case k.quiet:
			return alarm.Absent
		}
		return alarm.Unknown
	case k.mean != nil:
		m := k.mean.Read()
		return k.band.Look(float64(m.Lo), float64(m.Hi))
	case k.sustained != nil && k.sustained.Above():
		return alarm.Present
	case k.sustained != nil && !k.sustained.Returned():
		return alarm.Unknown
	}
	lo, hi, seen := w.field()
	if !seen {
		return alarm.Unknown
	}
	is := k.band.Look(lo, hi)
	if k.sustained != nil && is == alarm.Present {
		return alarm.Unknown
	}
	return is
}

// ruleText tells what a rule saw.
func (w *watch) ruleText(k *ruled, h alarm.Happening) string {
	level := fmt.Sprintf("the level of %s", k.Level)
	if k.Share > 0 {
		level = fmt.Sprintf("%.3g %% of limit %s, %s", 100*k.Share, k.LimitID, k.Level)
	}
	gone := h == alarm.Disappears
	switch {
	case k.Dose > 0 && gone:
		return "another day has begun"
	case k.Dose > 0:
		return fmt.Sprintf("the dose of this day is at least %.3g J/m², and the rule is %.3g J/m²", float64(k.dose), float64(k.Rule.Dose))
	case k.Count > 0 && gone:
		return "that run has ended"
	case k.Count > 0:
		return fmt.Sprintf("in this run the field rose %d times above limit %s, and the rule is %d", k.count, w.held[max(k.held, 0)].limit.ID, k.Rule.Count)
	case gone:
		return "the field was seen below " + level
	case k.mean != nil:
		return fmt.Sprintf("mean over %s %s: above %s", quantity.FormatDuration(k.Window), between(k.mean.Read()), level)
	case math.IsInf(float64(w.bounds.Hi), 1):
		return "the field is over the probe's range, above " + level
	case k.sustained != nil:
		return fmt.Sprintf("the field stayed above %s; now it is %s", level, w.last.S)
	}
	return fmt.Sprintf("the field is %s, above %s", w.last.S, level)
}

// ruleStands says whether a rule of the configuration stands by which the limit
// is exceeded.
func (w *watch) ruleStands(h *held) bool {
	for i := range w.ruled {
		k := &w.ruled[i]
		if k.held >= 0 && &w.held[k.held] == h && k.Rule.Rule.IsExceedance() && w.alarms[k.alarm].State.Standing() {
			return true
		}
	}
	return false
}
