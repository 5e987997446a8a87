package acquire

import (
	"math"
	"time"

	"ovenward/acquire/alarm"
	"ovenward/acquire/limit"
	"ovenward/acquire/quantity"
)

// judgeAll follows samples and moves the alarms.
func (w *watch) judgeAll(batch []Sample) {
	for len(batch) > 0 {
		n := w.calm(batch)
		if n == 0 {
			w.judge(&batch[0])
			n = 1
		}
		batch = batch[n:]
	}
}

// judge follows one sample and moves the alarms.
func (w *watch) judge(s *Sample) {
	w.follow(s)
	w.vital(s)
	w.counts.Samples[s.Quality.Class()]++
	here := !w.away()
	has, over := here && s.HasValue(), here && s.Quality&OverRange != 0
	w.trace.add(s.Mono, s.S, has, over)
	if has && !w.belowZero(s.S) {
		w.peak.add(s.Mono, max(s.S, 0))
	} else if over && s.Quality&Fault == 0 {
		w.peak.add(s.Mono, w.post.Probe.Range)
	}
	w.step(s.Mono, s.At)
}

// follow moves windows, runs and integrals up to the sample.
func (w *watch) follow(s *Sample) {
	w.spend(s.Mono)
	fault, over := s.Quality&Fault != 0, s.Quality&OverRange != 0
	b := &w.bounds
	b.From, b.Lo, b.Hi, b.Seen, b.U, b.Uncalibrated = max(s.Mono, b.From), s.S, s.S, !fault, s.U, s.Quality&Uncalibrated != 0
	switch {
	case fault:
		w.keep(s, false)
		w.faulty = s.Mono
		return
	case w.away(): // what it reads is not the field of its post
		w.bounds.Seen = false
		w.last, w.still = w.newest, s.Mono
	case over:
		w.keep(s, false)
		w.bounds.Lo, w.bounds.Hi = w.floorOfTop, quantity.PowerDensity(math.Inf(1))
		for i := range w.held {
			w.held[i].notBelow(w.means.End())
		}
		w.runs.Observe(s.Mono, quantity.PowerDensity(math.Inf(1)))
		w.sampled(s)
		w.still = s.Mono
		w.smooth.overRange(s.Mono)
	default:
		if s.Quality&UnderFloor != 0 {
			w.bounds.Lo, w.bounds.Hi = 0, w.post.Probe.Floor
			w.bounds.Seen = !w.belowZero(s.S)
		}
		for _, i := range w.spots {
			if h := &w.held[i]; s.S > h.limit.Value {
				h.sustained.Break() // it has no duration yet, and is above all the same
			}
		}
		peak := w.runs.Peak()
		begun, _ := w.runs.Running()
		w.runs.Observe(s.Mono, s.S)
		since, running := w.runs.Running()
		if w.runs.Peak() != peak || since != begun {
			w.runPeakU = s.U
		}
		w.sampled(s)
		if w.slowed {
			w.smooth.observe(s.Mono, s.S, since, running)
		}
		unseen := !w.wasValid || s.Mono-w.valid > w.post.Stale // what was not seen did not stand still
		if s.Reading.Value != w.last.Reading.Value || s.Reading.Axes != w.last.Reading.Axes || s.Quality&UnderFloor != 0 && !w.belowZero(s.S) || unseen {
			w.still = s.Mono
		}
		w.keep(s, true)
	}
	w.valid, w.wasValid = s.Mono, true
	if len(w.ruled) > 0 {
		w.followRules(s.At)
	}
}

// keep makes s the newest sample, and the last valid one where it is. The one of
// both that it takes the place of is overwritten.
func (w *watch) keep(s *Sample, valid bool) {
	switch {
	case valid:
		w.newest = w.last
	case w.newest == w.last:
		w.newest = &w.room[0]
		if w.last == w.newest {
			w.newest = &w.room[1]
		}
	}
	*w.newest = *s
	w.newest.Said = nil
}

// spend accounts for the time up to now: the newest sample holds for at most
// the stale time, after which nothing is known. That the rule was met on the way
// is kept, so that what follows cannot hide it: a probe that dies in a leaking
// field leaves an exceedance behind, not just silence.
func (w *watch) spend(now time.Duration) {
	b := &w.bounds
	if b.From >= now {
		return
	}
	b.To = b.From
	if b.Seen {
		b.To = min(now, max(w.newest.Mono+w.post.Stale, b.From))
		w.observe(b)
		w.integrate(b)
	}
	if b.To < now {
		w.flaws.unseen(b.To, now)
		b.Seen = false
		unseen := limit.Stretch{From: b.To, To: now}
		w.observe(&unseen)
	}
	b.From = now
}

// integrate adds a seen stretch to the totals.
func (w *watch) integrate(b *limit.Stretch) {
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
	w.spend(mono)
	at := w.stamp(now)
	w.step(mono, at)
	w.look(mono, at)
	w.tend(mono, at)
}

// stamp is the instant of an event, never before that of an earlier sample.
func (w *watch) stamp(now time.Time) time.Time {
	last := w.line.newest()
	if at := now.UTC(); at.After(last) {
		return at
	}
	return last
}

// step recomputes the condition and moves every alarm.
func (w *watch) step(mono time.Duration, at time.Time) {
	if c := w.conditionAt(mono); c != w.condition {
		since := at
		if w.condition == Starting && w.since.Equal(w.epoch.UTC()) { // the first one found
			since = w.stoodSince(c, at, mono)
		}
		w.condition, w.since = c, since
	}
	blind := w.condition.Blind()
	if blind {
		w.up = w.up && (w.condition == StuckNow || w.condition == AwayNow || w.condition == TestNow)
	}
	if over := w.overRange(); over || w.tense {
		w.exceedances(over, mono, at)
	}
	if len(w.ruled) > 0 {
		w.judgeRules(mono, at)
	}
	faulty := w.newest.Seq > 0 && w.newest.Quality&Fault != 0 || w.stranger != nil
	if !faulty && !w.blind && !blind {
		return // nothing of this kind appears, and none is there to end
	}
	w.blindness(silentAt, w.condition == SilentNow, true, at, mono)
	w.blindness(staleAt, w.condition == StaleNow && !faulty && mono-w.heard <= w.post.Stale, true, at, mono)
	w.blindness(stuckAt, w.condition == StuckNow, true, at, mono)
	w.blindness(faultAt, faulty && w.condition != SilentNow && w.announced() == "", mono-w.faulty > w.post.Stale, at, mono)
	w.blind = false
	for i := silentAt; i <= faultAt; i++ {
		w.blind = w.blind || w.alarms[i].State.Present()
	}
}

// stoodSince is since when a condition found at the start is so: where the record knows
// that it was so before, since then. Of a post that sees, what is read back of it knows,
// and where the post was blind meanwhile, if only for want of a program, no further.
func (w *watch) stoodSince(c Condition, at time.Time, mono time.Duration) time.Time {
	before, saw := at, w.recalled.to != 0 && mono-w.recalled.to <= w.post.Stale
	begun, running := w.runs.Running()
	ended, ever := w.runs.Last()
	if ended += w.post.RunGap; !ever {
		ended = w.recalled.from
	}
	switch i, ok := map[Condition]int{SilentNow: silentAt, StaleNow: staleAt, StuckNow: stuckAt, AwayNow: awayAt, TestNow: testAt}[c]; {
	case ok && w.alarms[i].State.Present():
		before = w.alarms[i].Since
	case saw && c == Seeing && running:
		before = w.epoch.Add(max(begun, w.recalled.from)).UTC()
	case saw && c == Idle:
		before = w.epoch.Add(max(ended, w.recalled.from)).UTC()
	}
	if before.IsZero() || before.After(at) {
		return at
	}
	return before
}

// blindness moves one alarm of a post that does not see. Only seeing ends it,
// never another way of not seeing; a stuck probe at least answers.
func (w *watch) blindness(i int, present, mayEnd bool, at time.Time, mono time.Duration) {
	sees := w.condition == Seeing || w.condition == Idle || w.condition == StuckNow && i != stuckAt
	switch {
	case present:
		w.move(i, alarm.Appears, at, mono)
	case w.alarms[i].State.Present() && sees && mayEnd:
		w.move(i, alarm.Disappears, at, mono)
	}
}

// gone says that nothing fresh is known of the field.
func (c Condition) gone() bool {
	return c == StaleNow || c == SilentNow || c == Starting || c == AwayNow
}

func (w *watch) overRange() bool {
	return w.newest.Seq > 0 && w.newest.Quality&OverRange != 0 && w.newest.Quality&Fault == 0 && !w.condition.gone()
}

func (w *watch) conditionAt(mono time.Duration) Condition {
	heardAgo, validAgo := mono-w.begun, mono-w.begun
	if w.wasHeard {
		heardAgo = mono - max(w.heard, w.begun) // it need not answer before it is back at its post
	}
	if w.wasValid {
		validAgo = mono - max(w.valid, w.begun)
	}
	_, running := w.runs.Running()
	if c := w.announced(); c != "" {
		return c
	}
	switch {
	case heardAgo > w.post.Silent:
		return SilentNow
	case !w.wasHeard, validAgo <= w.post.Stale && !(w.wasValid && w.valid >= w.begun):
		return Starting
	case validAgo > w.post.Stale:
		return StaleNow
	case mono-w.still > w.post.Stuck:
		return StuckNow
	case running, w.newest.Quality&(OverRange|Fault) == OverRange: // from which no run begins before rest was seen
		return Seeing
	}
	return Idle
}

// move steps one alarm and reports the change.
func (w *watch) move(i int, h alarm.Happening, at time.Time, mono time.Duration) {
	_, reason := w.alarms[i].Step(h, at)
	if reason == alarm.None || reason.Refused() {
		return
	}
	var verdict *alarm.Grounds
	text := w.detail(mono)
	if h := w.heldBy(i); h != nil {
		v := w.alarmVerdict(h, mono)
		verdict, text = grounds(v), exceedsText(v, reason)
	} else if reason == alarm.Returned {
		text = "the probe is seen again"
	}
	w.apply(i, alarm.Act{What: h, At: at}, text, verdict)
}
