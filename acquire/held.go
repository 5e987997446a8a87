package acquire

import (
	"math"
	"slices"
	"time"

	"ovenward/acquire/alarm"
	"ovenward/acquire/limit"
)

// Limits lists all limits of the post, the first first.
func (p *Post) Limits() []limit.Limit {
	return append([]limit.Limit{p.Limit}, p.More...)
}

// Judges says whether the post has the limit or the rule that an alarm of this rule is
// about: the exceedance of one that it has no longer waits for its reset, and nothing
// says any more whether the field is above it.
func (p *Post) Judges(exceedance alarm.Rule) bool {
	return exceedance == alarm.Exceeds ||
		slices.ContainsFunc(p.More, func(l limit.Limit) bool { return alarm.ExceedsOf(l.ID) == exceedance }) ||
		slices.ContainsFunc(p.Rules, func(r Rule) bool { return r.Rule == exceedance })
}

// held is what is held against one limit of a post.
type held struct {
	sustained *limit.Sustained // time above; it stands still where a mean is judged
	mean      *limit.Mean      // nil unless the limit is judged by its mean
	place     int              // of the limit among those held against means
	alarm     int              // index in the watch's alarms

	above   bool // the limit is exceeded, at the end of the windows
	kept    bool // the mean is known to be at or below it there
	reached bool // the limit was exceeded since the alarms were last moved

	below  time.Duration // how long the mean was known to be at or below the limit, while its alarm is present
	looked time.Duration // up to when

	limit limit.Limit
}

// hold begins the windows of all limits. The alarm of the first limit has the
// plain name that a post with one limit has always had.
func (w *watch) hold() {
	w.top, w.topU, w.floorOfTop = w.post.top()
	w.means = limit.NewWindows(w.top, w.topU)
	for i, l := range w.post.Limits() {
		h := held{limit: l, sustained: limit.NewSustained(w.post.Sustained, l.Value)}
		if l.Averaged() {
			h.place, h.mean = w.means.Hold(l.Value, l.Averaging)
		} else {
			w.spots = append(w.spots, i)
		}
		w.slowed = w.slowed || l.Response() > 0 && w.smooth.filter.Active()
		if i > 0 {
			h.alarm = len(w.alarms)
			w.alarms = append(w.alarms, alarm.Alarm{Post: w.post.ID, Rule: alarm.ExceedsOf(l.ID), State: alarm.Normal})
		}
		w.held = append(w.held, h)
	}
	w.sustained = w.held[0].sustained
}

// widen makes the windows hold what the probe could show in the recall span too, of
// which the ranges may have been others.
func (w *watch) widen(p Past) {
	if p.Least > 0 {
		w.floorOfTop = min(w.floorOfTop, p.Least)
	}
	if !(p.Top > w.top) || math.IsInf(float64(p.Top), 0) {
		return
	}
	w.top, w.topU = p.Top, max(w.topU, p.TopU)
	w.renewMeans()
}

// renewMeans begins the windows of all means anew, with nothing seen.
func (w *watch) renewMeans() {
	w.means = limit.NewWindows(w.top, w.topU)
	for i := range w.held {
		if h := &w.held[i]; h.mean != nil {
			h.place, h.mean = w.means.Hold(h.limit.Value, h.limit.Averaging)
		}
	}
	for i := range w.ruled {
		if k := &w.ruled[i]; k.mean != nil {
			k.mean = limit.NewMean(k.Window, w.top, w.topU)
		}
	}
	w.lookMeans()
}

// heldBy returns the limit that the alarm with this index is about; nil for one
// that is about no limit, or about one that the post no longer has.
func (w *watch) heldBy(alarm int) *held {
	for i := range w.held {
		if w.held[i].alarm == alarm {
			return &w.held[i]
		}
	}
	return nil
}

// takeUp puts an alarm of the record in its place, if the post still has its rule.
func (w *watch) takeUp(a alarm.Alarm) {
	for i := range w.alarms {
		if w.alarms[i].Rule == a.Rule {
			w.alarms[i] = a
			return
		}
	}
}

// observe hands a stretch to all windows, those of the rules too. That a limit was
// reached on the way is kept until the alarms are moved.
func (w *watch) observe(st *limit.Stretch) {
	if len(w.ruled) > 0 {
		w.observeRules(st)
	}
	if w.means.Observe(st) {
		w.lookMeans()
	}
	above := w.meansAbove
	for _, i := range w.spots {
		h := &w.held[i]
		h.sustained.Observe(st)
		h.above = h.sustained.Above()
		above = above || h.above
	}
	if above {
		w.tighten(st.Seen)
	}
}

// lookMeans takes how the limits on means stand now, and says whether any is exceeded.
func (w *watch) lookMeans() bool {
	w.meansAbove = false
	for i := range w.held {
		if h := &w.held[i]; h.mean != nil {
			h.above, h.kept = w.means.Against(h.place)
			w.meansAbove = w.meansAbove || h.above
		}
	}
	return w.meansAbove
}

// tighten notes limits that are exceeded after a stretch.
func (w *watch) tighten(seen bool) {
	for i := range w.held {
		if h := &w.held[i]; h.above { // the clear delay starts anew, whatever comes before the next look
			w.tense, h.reached, h.below = true, h.reached || seen, 0
		}
	}
}

// recall lets the windows see what the record knows, up to the start. No mean and no run
// holds what was seen before the post moved; that counts as unseen.
func (w *watch) recall(p Past) error {
	if p.Recent == nil {
		return nil
	}
	first, here := true, p.Moved.IsZero()
	moved := min(p.Moved.Sub(w.epoch.Round(0)), 0)
	broken := false  // what came last was not known
	var ahead Sample // the newest one, from which on the record may be ahead of the clock
	for s, err := range p.Recent {
		if err != nil {
			return err
		}
		s.Mono = s.At.Sub(w.epoch.Round(0))
		if first {
			first, w.bounds.From = false, min(s.Mono, 0)
			here = here || s.Mono >= moved // nothing is recalled of before
			if s.Seq > 1 {                 // there was more, which is not recalled
				w.flaws.unseen(s.Mono-1, s.Mono)
			}
		}
		if !here && s.Mono >= moved {
			w.arrive(moved)
			here = true
		}
		if !s.At.Before(p.Placed) { // by another probe else
			w.heedBattery(&s.Reading)
		}
		if s.Mono >= 0 {
			if ahead.Seq > 0 && ahead.Mono >= 0 {
				w.recallAhead(&ahead, &s)
			}
			ahead = s
			continue
		}
		if s.HasValue() && math.IsNaN(float64(s.S)) && s.Quality&OverRange == 0 { // as where what corrects it is lost
			w.spend(s.Mono)
			w.bounds.Seen, broken = false, true
			continue
		}
		blind := broken || !w.wasValid || s.Mono-w.valid > w.post.Stale || s.Mono-w.still > w.post.Stuck
		w.follow(&s)
		ahead = s
		if w.wasValid && w.valid == s.Mono {
			if w.recalled.to, broken = s.Mono, false; blind {
				w.recalled.from = s.Mono
			}
		}
		over := s.Quality&OverRange != 0 && s.Quality&Fault == 0
		for i := range w.held {
			h := &w.held[i]
			h.reached = (h.reached || over) && !s.At.Before(w.alarms[h.alarm].Changed) // else that exceedance is known
		}
	}
	if !here {
		w.arrive(moved)
	}
	return nil
}

// arrive has the post stand at its place from an instant on, with nothing seen there yet.
func (w *watch) arrive(moved time.Duration) {
	w.spend(moved)
	w.bounds.Seen = false // it holds no longer
	w.renewMeans()
	w.runs, w.flaws, w.runPeakU = newRuns(w.post), newRunFlaws(w.post), 0
	w.recalled.from = moved
}

// exceedances moves the alarms of the limits. A limit is exceeded by time above or
// by the lower bound of its mean; no decision rule enters. There is nothing to do while
// none is or was, and no alarm is present.
func (w *watch) exceedances(over bool, mono time.Duration, at time.Time) {
	tense := false
	for i := range w.held {
		h := &w.held[i]
		present := w.alarms[h.alarm].State.Present()
		switch {
		case over || h.reached || h.above && (h.mean != nil || !w.condition.gone()):
			if h.reached = false; !present {
				h.notBelow(w.means.End())
				w.move(h.alarm, alarm.Appears, at, mono)
			}
			h.looked = w.means.End()
			tense = true
		case present:
			if h.returned(w.post.Sustained.Clear, w.means.End()) {
				w.move(h.alarm, alarm.Disappears, at, mono)
			}
			tense = true
		default:
			tense = tense || h.above
		}
	}
	w.tense = tense
}

// returned says whether the limit was known to be kept for the whole clear delay,
// since its alarm is present. upTo is where the windows end.
func (h *held) returned(clear, upTo time.Duration) bool {
	if h.mean == nil {
		return h.sustained.Returned()
	}
	if h.kept {
		h.below += max(upTo-h.looked, 0)
	}
	h.looked = upTo
	return h.below >= clear
}

// notBelow makes the clear delay start anew.
func (h *held) notBelow(upTo time.Duration) {
	h.sustained.Break()
	h.below, h.looked = 0, upTo
}

// verdicts judges the post against each of its limits.
func (w *watch) verdicts(mono time.Duration) []limit.Verdict {
	all := make([]limit.Verdict, len(w.held))
	for i := range w.held {
		all[i] = w.verdict(&w.held[i], mono)
	}
	return all
}
