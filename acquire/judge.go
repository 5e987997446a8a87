package acquire

import (
	"fmt"
	"math"
	"time"

	"ovenward/acquire/alarm"
	"ovenward/acquire/limit"
	"ovenward/acquire/quantity"
)

// judge follows one sample and moves the alarms.
func (w *watch) judge(s Sample) {
	w.follow(s)
	w.vital(s)
	class := s.Quality.Class()
	w.counts.Samples[class]++
	over := s.Quality&OverRange != 0
	w.trace.add(s.Mono, s.S, s.HasValue(), over)
	if s.HasValue() {
		w.peak.add(s.At, max(s.S, 0))
	} else if over && s.Quality&Fault == 0 {
		w.peak.add(s.At, w.post.Probe.Range)
	}
	w.step(s.Mono, s.At)
}

// follow moves windows, runs and integrals up to the sample.
func (w *watch) follow(s Sample) {
	w.spend(s.Mono)
	fault, over := s.Quality&Fault != 0, s.Quality&OverRange != 0
	w.newest = s
	w.newest.Said = nil
	w.bounds = limit.Stretch{From: s.Mono, Lo: s.S, Hi: s.S, Seen: true}
	switch {
	case fault:
		w.bounds.Seen = false
		return
	case over:
		w.bounds.Lo, w.bounds.Hi = w.post.Probe.Range, quantity.PowerDensity(math.Inf(1))
		w.sustained.Break()
		w.runs.Observe(s.Mono, quantity.PowerDensity(math.Inf(1)))
		w.still = s.Mono
	default:
		if s.Quality&UnderFloor != 0 {
			w.bounds.Lo, w.bounds.Hi = 0, w.post.Probe.Floor
		}
		if s.S > w.post.Limit.Value {
			w.sustained.Break() // it has no duration yet, and is above all the same
		}
		was := w.runs.Peak()
		w.runs.Observe(s.Mono, s.S)
		if w.runs.Peak() != was {
			w.runPeakU = s.U
		}
		if s.Reading.Value != w.last.Reading.Value || s.Quality&UnderFloor != 0 || !w.wasValid {
			w.still = s.Mono
		}
		w.last = w.newest
	}
	w.valid, w.wasValid = s.Mono, true
}

// spend accounts for the time since the newest sample: it holds for at most
// the stale time, after which nothing is known.
func (w *watch) spend(now time.Duration) {
	b := w.bounds
	if b.From >= now {
		return
	}
	w.bounds = limit.Stretch{From: now}
	b.To = b.From
	if b.Seen {
		b.To = min(now, b.From+w.post.Stale)
		w.sustained.Observe(b)
		w.integrate(b)
	}
	w.sustained.Observe(limit.Stretch{From: b.To, To: now})
}

// integrate adds a seen stretch to the totals.
func (w *watch) integrate(b limit.Stretch) {
	d := b.To - b.From
	held := w.newest.S
	if w.newest.Quality&OverRange != 0 {
		held = b.Lo
		w.counts.OverRange += d
	}
	w.counts.Observed += d
	w.counts.Energy += max(held, 0).Over(d)
}

// tick moves what depends on time alone: staleness, silence, runs.
func (w *watch) tick(now time.Time) {
	w.mu.Lock()
	defer w.mu.Unlock()
	mono := now.Sub(w.epoch)
	w.runs.Advance(mono)
	at := now.UTC()
	if at.Before(w.line.line) {
		at = w.line.line
	}
	w.step(mono, at)
}

// step recomputes the condition and moves every alarm.
func (w *watch) step(mono time.Duration, at time.Time) {
	if c := w.conditionAt(mono); c != w.condition {
		w.condition, w.since = c, at
	}
	if w.condition.Blind() {
		w.up = w.up && w.condition == StuckNow
	}
	over := w.overRange()
	exceeds := w.alarms[0]
	switch {
	case over || w.sustained.Above() && !w.condition.gone():
		w.move(0, alarm.Appears, at, mono)
	case exceeds.State.Present() && w.sustained.Returned():
		w.move(0, alarm.Disappears, at, mono)
	}
	faulty := w.newest.Seq > 0 && w.newest.Quality&Fault != 0
	present := [...]bool{1: w.condition == SilentNow, 2: w.condition == StaleNow && !faulty && mono-w.heard <= w.post.Stale,
		3: w.condition == StuckNow, 4: faulty && w.condition != SilentNow}
	for i := 1; i < len(present); i++ {
		switch {
		case present[i]:
			w.move(i, alarm.Appears, at, mono)
		case w.alarms[i].State.Present() && w.settled(i):
			w.move(i, alarm.Disappears, at, mono)
		}
	}
}

// settled says whether a blindness alarm may end: only seeing ends it, never
// another way of not seeing.
func (w *watch) settled(i int) bool {
	return !w.condition.Blind() && w.condition != Starting || rules()[i] != alarm.Stuck && w.condition == StuckNow
}

// gone says that nothing fresh is known of the field.
func (c Condition) gone() bool { return c == StaleNow || c == SilentNow || c == Starting }

func (w *watch) overRange() bool {
	return w.newest.Seq > 0 && w.newest.Quality&OverRange != 0 && w.newest.Quality&Fault == 0 && !w.condition.gone()
}

func (w *watch) conditionAt(mono time.Duration) Condition {
	heardAgo, validAgo := mono-w.begun, mono-w.begun
	if w.wasHeard {
		heardAgo = mono - w.heard
	}
	if w.wasValid && w.wasHeard {
		validAgo = mono - w.valid
	}
	_, running := w.runs.Running()
	switch {
	case heardAgo > w.post.Silent:
		return SilentNow
	case !w.wasHeard, !w.wasValid && validAgo <= w.post.Stale:
		return Starting
	case validAgo > w.post.Stale:
		return StaleNow
	case mono-w.still > w.post.Stuck:
		return StuckNow
	case running:
		return Seeing
	}
	return Idle
}

// move steps one alarm and reports the change.
func (w *watch) move(i int, h alarm.Happening, at time.Time, mono time.Duration) {
	from := w.alarms[i].State
	next, reason := w.alarms[i].Step(h, at)
	if reason == alarm.None {
		return
	}
	w.alarms[i] = next
	c := &alarm.Change{Alarm: next, From: from, Reason: reason}
	var text string
	if next.Rule == alarm.Exceeds {
		v := w.verdict(mono)
		c.Verdict = grounds(v)
		text = exceedsText(v, reason)
	} else {
		text = w.detail(mono)
		if reason == alarm.Returned {
			text = "the probe is seen again"
		}
	}
	w.report(Event{At: at, Post: w.post.ID, Kind: KindAlarm, Text: fmt.Sprintf("%s: %s", reason, text), Alarm: c})
}
