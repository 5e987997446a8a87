package acquire

import (
	"fmt"
	"math"
	"sync"
	"time"

	"ovenward/acquire/alarm"
	"ovenward/acquire/calib"
	"ovenward/acquire/cycle"
	"ovenward/acquire/limit"
	"ovenward/acquire/quantity"
	"ovenward/drivers"
)

// watch is what the station knows of one post. Everything in it is guarded by
// mu, which is held for microseconds: nothing under it waits.
type watch struct {
	post   *Post
	index  int
	epoch  time.Time // zero of the monotonic clock
	report func(Event)
	record Recorder

	mu         sync.Mutex
	line       clockLine
	seq        int64
	correction calib.Correction
	unitSaid   string // the unit of the newest reading, and what it is
	unit       quantity.Unit

	sustained *limit.Sustained
	runs      *cycle.Runs
	alarms    []alarm.Alarm // in the order of rules
	trace     trace
	raw       rawRing

	begun     time.Duration // when watching began
	heard     time.Duration // newest frame of any kind
	valid     time.Duration // newest valid or over-range sample
	still     time.Duration // since when the digits stand still
	wasHeard  bool
	wasValid  bool
	linkError string // why there is no port; empty while it is open

	last, newest Sample
	bounds       limit.Stretch // of the newest sample; To not set
	condition    Condition
	since        time.Time
	up           bool
	battery      bool
	runPeakU     quantity.PowerDensity
	counts       Counts
	peak         minutePeak

	unparsedTold   time.Duration
	unparsedUntold uint64
	everUnparsed   bool
}

// rules lists the rules of a post, in the order its alarms are kept.
func rules() []alarm.Rule {
	return []alarm.Rule{alarm.Exceeds, alarm.Silent, alarm.Stale, alarm.Stuck, alarm.Fault}
}

func newWatch(post *Post, index int, epoch time.Time, record Recorder, report func(Event)) *watch {
	w := &watch{
		post: post, index: index, epoch: epoch, record: record, report: report,
		correction: calib.Correction{Certificate: post.Probe.Certificate},
		sustained:  limit.NewSustained(post.Sustained, post.Limit.Value),
		runs:       cycle.NewRuns(post.Probe.Floor, post.RunGap),
		condition:  Starting, since: epoch.UTC(),
		linkError: "the port has not been opened yet",
	}
	for _, r := range rules() {
		w.alarms = append(w.alarms, alarm.Alarm{Post: post.ID, Rule: r, State: alarm.Normal})
	}
	return w
}

// restore takes up what the record knows: numbers go on, stamps stay in order,
// standing alarms stand, and the windows hold what was seen just before.
func (w *watch) restore(p Past) {
	w.seq = p.LastSeq
	w.line.startAfter(p.LastAt)
	w.correction.Zero, w.correction.ZeroAt, w.correction.ZeroBy = p.Zero.Zero, p.Zero.ZeroAt, p.Zero.ZeroBy
	for _, a := range p.Alarms {
		for i := range w.alarms {
			if w.alarms[i].Rule == a.Rule {
				w.alarms[i] = a
			}
		}
	}
	for _, s := range p.Recent {
		s.Mono = s.At.Sub(w.epoch.Round(0))
		if s.Mono < 0 {
			w.follow(s)
		}
	}
	w.spend(0)
	// The clear delay and the counters start anew: time out of service was not seen.
	w.sustained.Break()
	w.counts = Counts{}
}

// take makes samples of frames and hands them on: record, judge. The batch is
// returned for the observers and stays valid until the next call.
func (w *watch) take(frames []heard, batch []Sample) []Sample {
	w.mu.Lock()
	defer w.mu.Unlock()
	batch = batch[:0]
	for _, h := range frames {
		s, err := w.sample(h)
		if err != nil {
			w.unparsed(h, err)
			continue
		}
		batch = append(batch, s)
	}
	if len(batch) == 0 {
		return batch
	}
	w.up = true
	w.record.Append(w.index, batch)
	for _, s := range batch {
		w.judge(s)
	}
	return batch
}

// heard is a frame that was parsed, or was not.
type heard struct {
	frame   drivers.Frame
	reading drivers.Reading
	err     error
}

// sample stamps, corrects and numbers one reading. A reading whose unit is no
// power density is refused like a line that does not parse.
func (w *watch) sample(h heard) (Sample, error) {
	at := h.frame.Arrived
	half := time.Millisecond // a talking probe's line time and the system's delay
	if !h.frame.Departed.IsZero() {
		half = at.Sub(h.frame.Departed) / 2
		at = h.frame.Departed.Add(half)
		w.counts.RoundTrip = 2 * half
	}
	mono := at.Sub(w.epoch)
	w.heard, w.wasHeard = max(mono, w.heard), true
	if h.err != nil {
		return Sample{}, h.err
	}
	s := Sample{Said: h.frame.Bytes, Reading: h.reading, Mono: mono, S: unknown(), U: unknown()}
	raw := unknown()
	if h.reading.HasValue {
		var err error
		if raw, err = w.powerDensity(h.reading); err != nil {
			return Sample{}, err
		}
		s.S, s.U = w.correction.Apply(raw)
	}
	var unsure time.Duration
	s.At, unsure, _ = w.line.look(at, mono)
	s.AtU = half + unsure
	s.Quality = w.quality(s, raw, unsure)
	if s.HasValue() {
		w.raw.add(mono, raw)
	}
	w.seq++
	s.Seq = w.seq
	return s, nil
}

// unknown is a power density that is not known.
func unknown() quantity.PowerDensity { return quantity.PowerDensity(math.NaN()) }

func (w *watch) powerDensity(r drivers.Reading) (quantity.PowerDensity, error) {
	if r.Unit != w.unitSaid {
		u, ok := quantity.LookupUnit(r.Unit)
		if !ok {
			return 0, fmt.Errorf("unit %q is not known", r.Unit)
		}
		w.unitSaid, w.unit = r.Unit, u
	}
	s, ok := w.unit.PowerDensity(r.Value.Float())
	if !ok {
		return 0, fmt.Errorf("unit %q is no unit of power density", r.Unit)
	}
	return s, nil
}

func (w *watch) quality(s Sample, raw quantity.PowerDensity, unsure time.Duration) Quality {
	var q Quality
	probe := &w.post.Probe
	if s.Reading.Status&drivers.Fault != 0 || !s.Reading.HasValue && s.Reading.Status&drivers.OverRange == 0 {
		q |= Fault
	}
	if s.Reading.Status&drivers.OverRange != 0 || raw > probe.Range {
		q |= OverRange
	}
	if !w.correction.Calibrated(s.At) {
		q |= Uncalibrated
	}
	if s.Reading.HasValue && s.S < probe.Floor {
		q |= UnderFloor
	}
	if unsure > 0 {
		q |= ClockUnsure
	}
	return q
}

// unparsedEvery spaces the events that keep lines that hold no reading.
const unparsedEvery = 10 * time.Second

func (w *watch) unparsed(h heard, err error) {
	w.counts.Unparsed++
	w.unparsedUntold++
	now := h.frame.Arrived.Sub(w.epoch)
	if w.everUnparsed && now-w.unparsedTold < unparsedEvery {
		return
	}
	text := fmt.Sprintf("a line held no reading: %v", err)
	if n := w.unparsedUntold - 1; n > 0 {
		text += fmt.Sprintf("; %d more since the last such event", n)
	}
	w.everUnparsed, w.unparsedTold, w.unparsedUntold = true, now, 0
	w.report(Event{At: h.frame.Arrived.UTC(), Post: w.post.ID, Kind: KindUnparsed, Text: text,
		Raw: append([]byte(nil), h.frame.Bytes...)})
}

// judge follows one sample and moves the alarms.
func (w *watch) judge(s Sample) {
	w.follow(s)
	if low := s.Reading.Status&drivers.BatteryLow != 0; low != w.battery {
		w.battery = low
		text := "the probe no longer calls for a new battery"
		if low {
			text = "the probe calls for a new battery: change it soon"
		}
		w.report(Event{At: s.At, Post: w.post.ID, Kind: KindBattery, Text: text})
	}
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
	for i := 1; i < len(w.alarms); i++ {
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
