package acquire

import (
	"time"

	"ovenward/acquire/alarm"
)

// stats copies the state of one post.
func (w *watch) stats(now time.Time) Stats {
	w.mu.Lock()
	defer w.mu.Unlock()
	mono := now.Sub(w.epoch)
	since, running := w.runs.Running()
	s := Stats{
		Post: w.post, Index: w.index, Now: now.UTC(), Zone: w.zone,
		Condition: w.condition, Since: w.since, Detail: w.detail(mono), Up: w.up,
		Last: *w.last, Newest: *w.newest, OverRange: w.overRange(), Verdicts: w.verdicts(mono),
		Running: running, Battery: w.battery, Vitals: w.vitals, Zero: w.correction.Zero, ZeroAt: w.correction.ZeroAt,
		Uncalibrated: w.uncalibrated(),
		Counts:       w.counts, Alarms: append([]alarm.Alarm(nil), w.alarms...), RunPeak: w.runs.Peak(),
		Withdrawn: w.withdrawn, Hints: w.told(),
	}
	s.Verdict = s.Verdicts[0]
	if running {
		s.RunningSince, s.RunCut = w.epoch.Add(since).UTC(), w.runs.Cut()
	}
	if last, ever := w.runs.Last(); ever {
		s.RanFrom, s.RanTo = w.epoch.Add(since).UTC(), w.epoch.Add(last).UTC()
	}
	_, s.TimeUp = w.sustained.TimeAbove()
	s.Counts.Peak, s.Counts.HasPeak = w.peak.read(mono)
	return s
}
