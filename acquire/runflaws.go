package acquire

import (
	"time"

	"ovenward/acquire/limit"
)

// runFlaws is what keeps the highest value of the present run from being known:
// a stretch of it that nobody saw, or a value of it that no certificate covers.
// Losing data, or its quality, must never make a verdict within.
type runFlaws struct {
	gap     time.Duration // pauses shorter than this belong to one run
	longest time.Duration // between two valid samples; a longer pause was not seen

	run   time.Duration // when the run began
	inRun bool

	unseenTo  time.Duration
	wasUnseen bool

	missed       bool
	uncalibrated bool
}

func newRunFlaws(p *Post) runFlaws {
	// What lasts shorter than the response that emission limits ask is not resolved by
	// their own meter either.
	return runFlaws{gap: p.RunGap, longest: max(limit.EmissionResponse, 2*p.Probe.Period+p.Probe.Timeout)}
}

// unseen notes a stretch that nobody saw.
func (f *runFlaws) unseen(from, to time.Duration) {
	if to <= from {
		return
	}
	f.unseenTo, f.wasUnseen = to, true
	f.missed = f.missed || f.inRun
}

// sample notes a valid sample, which came so long after the last one. since and
// running tell of the oven's run, this sample included, and cut that its begin was not
// seen. A run that begins soon after a stretch that nobody saw may have begun in it.
func (f *runFlaws) sample(at, after, since time.Duration, running, cut, uncalibrated bool) {
	if after > f.longest {
		f.unseen(at-after, at)
	}
	if running && !(f.inRun && f.run == since) {
		f.missed, f.uncalibrated = cut || f.wasUnseen && f.unseenTo > since-f.gap, false
	}
	f.run, f.inRun = since, running
	f.uncalibrated = f.uncalibrated || running && uncalibrated
}

// asBefore says whether sample changes nothing for a calibrated one.
func (f *runFlaws) asBefore(after, since time.Duration, running bool) bool {
	return after <= f.longest && running == f.inRun && since == f.run
}

// sampled hands the run's state after a valid sample on to the flaws.
func (w *watch) sampled(s *Sample) {
	after := time.Duration(0)
	if w.wasValid {
		after = s.Mono - w.valid
	}
	since, running := w.runs.Running()
	w.flaws.sample(s.Mono, after, since, running, w.runs.Cut(), s.Quality&(Uncalibrated|OverRange) == Uncalibrated)
}
