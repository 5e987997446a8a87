// Package history turns the samples of a post, as the record holds them, into its
// runs and into sums of each hour of UTC, so that a day, a month or a long test is
// summed up without reading its samples again. What it makes is derived: made anew
// from the same samples it is the same. Power densities are W/m².
package history

import (
	"math"
	"time"

	"ovenward/acquire/cycle"
	"ovenward/acquire/cycle/stats"
	"ovenward/acquire/quantity"
)

// Options say what is known of a post.
type Options struct {
	Floor    quantity.PowerDensity   // the probe's noise floor
	Response time.Duration           // of the probe to 90 %
	Gap      time.Duration           // shorter pauses are part of one run
	Stale    time.Duration           // how long a sample holds at most
	Levels   []quantity.PowerDensity // whose exceedances are counted
	Covered  bool                    // it is asked what a certificate covered, of sums made before they told it too
}

// Sample is one sample of the record.
type Sample struct {
	At    time.Time
	S     quantity.PowerDensity
	Valid bool // it has a value that counts, or is over range
	Over  bool // over range: S is the range's top
	Low   bool // so far below zero that the zero is off: not valid on that account

	Uncalibrated bool // no certificate covers it
	Indicated    bool // what corrects it is lost: rest by the next correction is no run beside it
}

// shows says whether the sample shows if the oven emits.
func (s *Sample) shows() bool { return s.Valid && (s.Over || !s.Indicated) }

// Run is one run of the oven, as the field shows it. Mean, Deviation and the
// percentiles are of the values while it emitted, each for as long as it held.
type Run struct {
	Number     int64         // at its post, from 1
	Start, End time.Time     // first emission; up to when the newest one held
	On         time.Duration // of the time between them
	OverRange  time.Duration // of On; then mean and dose are lower bounds
	Unseen     time.Duration // of the run; then all its figures are lower bounds
	Begun      bool          // its begin was seen: what went before was seen and was rest
	Dose       quantity.EnergyDensity
	Mean       quantity.PowerDensity
	Deviation  quantity.PowerDensity
	Median     quantity.PowerDensity
	P95        quantity.PowerDensity
	Peak       quantity.PowerDensity // +Inf: over range
	PeakAt     time.Time
}

// Hour is what one hour of UTC comes to.
type Hour struct {
	From time.Time
	Sum  stats.Summary
	Lost bool // what was kept of it is damaged, and Sum is empty
}

// span is from begin up to end; zero times leave a side open.
type span struct{ from, to time.Time }

// cut is what lies in the span of a stretch; to is not after from where nothing does.
func (s span) cut(from, to time.Time) (time.Time, time.Time) {
	if from.Before(s.from) {
		from = s.from
	}
	if !s.to.IsZero() && s.to.Before(to) {
		to = s.to
	}
	return from, to
}

// Past takes the samples of one post in order. O(1) each.
type Past struct {
	o     Options
	only  span // what is summed up; runs are found in all
	run   func(Run)
	hour  func(Hour)
	runs  *cycle.Runs
	epoch time.Time

	last     Sample
	has      bool
	finished int
	doneOn   time.Duration

	at  time.Time // begin of the hour that sum is of
	sum stats.Summary

	inRun   bool
	since   time.Duration // begin of the run that during is of
	during  stats.Distribution
	covered time.Duration // of that run, up to the newest sample
	begun   bool

	each    func(Run, *stats.Summary) // takes the whole of each run, pauses in it too; may be nil
	whole   stats.Summary             // of the run, up to its last emission
	pending stats.Summary             // what came since

	coveredToLast time.Duration // of that run, up to its last emission
	rested        time.Duration // unbroken rest that was seen since the last emission
}

// New makes one that hands on each run and each hour when it has ended. A run has
// no number yet.
func New(o Options, run func(Run), hour func(Hour)) *Past {
	return &Past{o: o, run: run, hour: hour,
		runs: cycle.NewRuns(cycle.Options{Floor: o.Floor, Gap: o.Gap, Response: o.Response, Stale: o.Stale})}
}

// Observe takes the next sample.
func (t *Past) Observe(s Sample) {
	if t.epoch.IsZero() {
		t.epoch = s.At
	}
	mono := s.At.Sub(t.epoch)
	before := t.on()
	x := s.S
	switch {
	case !s.shows():
		x = quantity.PowerDensity(math.NaN())
	case s.Over:
		x = quantity.PowerDensity(math.Inf(1))
	}
	t.runs.Observe(mono, x)
	if t.has && t.last.Valid {
		t.hold(s.At, t.on() > before)
	}
	t.close()
	t.begin(mono)
	t.last, t.has = s, true
}

// on is for how long the oven has emitted in all.
func (t *Past) on() time.Duration {
	total := t.doneOn
	if n, last := t.runs.Finished(); n > t.finished {
		total += last.On
	}
	if _, running := t.runs.Running(); running {
		total += t.runs.Run().On
	}
	return total
}

// hold adds the newest sample for as long as it held, cut where an hour ends.
func (t *Past) hold(until time.Time, on bool) {
	from := t.last.At
	if end := from.Add(t.o.Stale); t.o.Stale > 0 && end.Before(until) {
		until = end
	}
	if t.inRun && t.last.shows() {
		t.covered += until.Sub(from)
	}
	from, until = t.only.cut(from, until)
	for from.Before(until) {
		hour := from.Truncate(time.Hour)
		if !hour.Equal(t.at) {
			t.endHour()
			t.at, t.sum = hour, stats.NewSummary(t.o.Levels...)
		}
		end := hour.Add(time.Hour)
		if until.Before(end) {
			end = until
		}
		p := stats.Piece{At: from, For: end.Sub(from), S: t.last.S, On: on, Over: t.last.Over, Uncalibrated: t.last.Uncalibrated}
		t.sum.Add(p)
		if on && t.inRun {
			t.during.Add(p)
		}
		if t.each != nil && t.inRun {
			t.ofRun(p)
		}
		from = end
	}
}

// ofRun adds a piece to the whole of the run under way, once it is known that the run
// went on behind it.
func (t *Past) ofRun(p stats.Piece) {
	if !p.On {
		t.pending.Add(p)
		return
	}
	if t.pending.Seen() > 0 {
		t.whole.Merge(&t.pending)
		t.pending = stats.NewSummary(t.o.Levels...)
	}
	t.whole.Add(p)
}

// close hands on the run that has ended by now.
func (t *Past) close() {
	n, r := t.runs.Finished()
	if n == t.finished {
		return
	}
	t.finished, t.doneOn = n, t.doneOn+r.On
	d := &t.during
	run := Run{Start: t.epoch.Add(r.Start), End: t.epoch.Add(r.End), On: r.On, OverRange: r.OverRange, Begun: t.begun,
		Dose: r.Energy, Mean: r.Mean(), Peak: r.Peak, PeakAt: t.epoch.Add(r.PeakAt),
		Deviation: quantity.PowerDensity(d.Moments.Deviation()),
		Median:    quantity.PowerDensity(d.Quantiles.At(0.5)), P95: quantity.PowerDensity(d.Quantiles.At(0.95))}
	run.Unseen = max(0, r.Last-r.Start-t.coveredToLast)
	t.inRun = false
	t.run(run)
	if t.each != nil {
		t.each(run, &t.whole)
	}
}

// begin notes whether the newest sample begins a run, or goes on with one.
func (t *Past) begin(mono time.Duration) {
	since, running := t.runs.Running()
	last, _ := t.runs.Last()
	pause := mono - t.last.At.Sub(t.epoch)
	seen := t.has && t.last.shows() && pause <= t.o.Stale
	if !seen {
		t.rested = 0
	}
	if running && !(t.inRun && t.since == since) {
		if t.each != nil {
			t.whole, t.pending = stats.NewSummary(t.o.Levels...), stats.NewSummary(t.o.Levels...)
		}
		t.inRun, t.since, t.during, t.covered = true, since, stats.Distribution{}, mono-since
		// Its begin was seen where rest was seen up to it, for so long that it cannot go
		// on with what was before. A weak signal begins with the sample before the one
		// that confirms it.
		rested := t.rested
		if seen && since == mono {
			rested += pause
		}
		t.begun = rested >= t.o.Gap
	}
	switch {
	case running && last == mono:
		t.coveredToLast, t.rested = t.covered, 0
	case seen:
		t.rested += pause
	}
}

func (t *Past) endHour() {
	if !t.at.IsZero() && t.sum.Seen() > 0 {
		t.hour(Hour{From: t.at, Sum: t.sum})
	}
}

// settle has the newest sample hold up to now, as it would were there no more.
func (t *Past) settle(now time.Time) {
	if t.has && t.last.Valid && t.last.At.Before(now) {
		before := t.on()
		t.runs.Advance(now.Sub(t.epoch))
		_, running := t.runs.Running()
		at, _ := t.runs.Last()
		t.hold(now, t.on() > before || running && at == t.last.At.Sub(t.epoch))
	}
}

// Open is the hour under way, as far as it has come, and when the run under way
// began; zero times where there is none.
func (t *Past) Open() (hour Hour, run time.Time) {
	if t.inRun {
		run = t.epoch.Add(t.since)
	}
	return Hour{From: t.at, Sum: t.sum}, run
}
