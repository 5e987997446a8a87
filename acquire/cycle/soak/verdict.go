package soak

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"ovenward/acquire/cycle/stats"
	"ovenward/acquire/limit"
	"ovenward/acquire/quantity"
)

// judge says what the test has shown of its limit of acceptance. What exceeds does so
// whatever else is amiss; within must be earned by the whole test.
func (r *Result) judge(w *Watched) {
	if r.exceeds(); r.Outcome == Exceeds {
		return
	}
	if r.amiss(); len(r.Reasons) == 0 {
		r.unlike(w)
	}
	r.uncovered()
	if len(r.Reasons) > 0 {
		r.Outcome = NotDecided
		return
	}
	r.Outcome = Within
	if p := r.Life.Plan; p.guard() > 0 {
		r.add("the whole test was seen, with %d runs; no value came nearer to limit %s than its uncertainty, and each checkpoint's survey is within", r.Runs, p.LimitID)
	} else {
		r.add("the whole test was seen, with %d runs; no value was above limit %s, which by %s is enough, and each checkpoint's survey is within", r.Runs, p.LimitID, p.Rule)
	}
	if said := r.Life.unbacked(); len(said) > 0 {
		r.add("by word alone, without a survey of this record: %s", strings.Join(said, ", "))
	}
}

func (r *Result) add(text string, args ...any) {
	r.Reasons = append(r.Reasons, fmt.Sprintf(text, args...))
}

// guard is what a value must stay below the limit by to be accepted.
func (p *Plan) guard() quantity.PowerDensity {
	if p.Rule == limit.SimpleAcceptance || p.Rule == limit.GuardedRejection {
		return 0
	}
	return p.Guard
}

// spared says that a highest value above the limit is above it by no more than the
// uncertainty that the rule grants. What is not known grants nothing.
func (p *Plan) spared(highest stats.Peak) bool {
	return p.Rule == limit.GuardedRejection && p.Guard > 0 && !highest.Over && highest.S <= p.Level+p.Guard
}

// exceeds looks for what exceeds.
func (r *Result) exceeds() {
	p := r.Life.Plan
	above, _ := r.Whole.Above(p.Level)
	for _, c := range r.Life.Passed {
		if c.Outcome == string(Exceeds) {
			r.Outcome = Exceeds
			r.add("the survey of the checkpoint at %d exceeds", c.Checkpoint)
		}
	}
	peaks, said := r.Whole.Peaks.List(), r.Life.meanShown(NotDecided)
	if shown := r.Life.meanShown(Exceeds); shown != "" {
		r.Outcome, said = Exceeds, shown
	}
	if said != "" {
		r.add("%s", said)
	}
	switch {
	case above.Count > 0 && p.Mean == 0 && len(peaks) > 0 && p.spared(peaks[0]):
		r.add("the field was above limit %s %d times, for %s in all, but by no more than its uncertainty, %s, which guarded rejection does not reject",
			p.LimitID, above.Count, quantity.Roughly(above.Above), p.Guard)
	case above.Count > 0 && p.Mean == 0:
		r.Outcome = Exceeds
		r.add("the field was above limit %s %d times, for %s in all", p.LimitID, above.Count, quantity.Roughly(above.Above))
	case above.Count > 0 && said == "":
		r.add("the field was above the value of limit %s %d times, for %s in all; whether its mean over %s was, single values do not show",
			p.LimitID, above.Count, quantity.Roughly(above.Above), quantity.FormatDuration(p.Mean))
	}
	if over := r.Whole.On.OverRange + r.Whole.Off.OverRange; over > 0 {
		r.Outcome = Exceeds
		r.add("the field was over the probe's range for %s", quantity.Roughly(over))
	}
}

// amiss lists what the test itself leaves open.
func (r *Result) amiss() {
	p, l := r.Life.Plan, r.Life
	if l.State != FinishedNow {
		come := fmt.Sprintf("%s active", quantity.Roughly(r.Active))
		if p.Operations > 0 {
			come = fmt.Sprintf("%d of %d operations, %s", l.Operations, p.Operations, come)
		}
		r.add("the test is %s: %s", l.State, come)
	}
	if len(l.Damage) > 0 {
		r.add("its marks in the record are damaged: %s", strings.Join(l.Damage, "; "))
	}
	if r.Unseen > 0 {
		r.add("for %s of %s nothing was seen", quantity.Roughly(r.Unseen), quantity.Roughly(r.Active))
	}
	if _, counted := r.Whole.Above(p.Level); !counted && r.Whole.Seen() > 0 {
		r.add("exceedances of limit %s were not counted throughout", p.LimitID)
	}
	if r.Runs == 0 {
		r.add("no run that began in the test was seen to its end: nothing shows that the oven generated")
	}
	if len(p.Checkpoints) == 0 {
		r.add("the plan has no checkpoint: one probe at one place does not show the whole door")
	}
	if n := len(p.Checkpoints) - len(l.Passed); n > 0 {
		r.add("%d of %d checkpoints have no survey", n, len(p.Checkpoints))
	}
	for _, c := range l.Passed {
		if c.Outcome != string(Within) {
			r.add("the survey of the checkpoint at %d is %s", c.Checkpoint, c.Outcome)
		}
	}
	switch peaks := r.Whole.Peaks.List(); {
	case !(p.Guard > 0):
		r.add("the uncertainty at the limit was not known when the test was planned")
	case len(peaks) > 0 && p.guard() == 0 && !(peaks[0].S <= p.Level):
		r.add("the highest value, %s, is above the limit", peaks[0].S)
	case len(peaks) > 0 && !(peaks[0].S+p.guard() <= p.Level):
		r.add("the highest value, %s, lies nearer to the limit than its uncertainty, %s", peaks[0].S, p.Guard)
	}
}

// uncovered says for how long no certificate covered what was seen: readings that none
// was in force for, or beyond what it tells of.
func (r *Result) uncovered() {
	if t := r.Whole.Uncalibrated; t > 0 {
		r.add("for %s of %s the readings were not covered by a certificate", quantity.Roughly(t), quantity.Roughly(r.Active))
	}
	if t := r.Whole.Untold; t > 0 {
		r.add("for %s of %s it was not kept whether a certificate covered the readings, and they are gone", quantity.Roughly(t), quantity.Roughly(r.Active))
	}
}

// unlike lists what the post lacked at any time of the test that it was active: where a
// stretch of that begins and ends, and where the post became another in it.
func (r *Result) unlike(w *Watched) {
	peaks := r.Whole.Peaks.List()
	if w.Lacks == nil || len(peaks) == 0 {
		return
	}
	ask := func(at time.Time) {
		for _, why := range w.Lacks(at, peaks[0].S) {
			if !slices.Contains(r.Reasons, why) {
				r.Reasons = append(r.Reasons, why)
			}
		}
	}
	for _, a := range r.Life.spans(time.Time{}, r.By) {
		ask(a.From)
		for _, at := range w.Changed {
			if at.After(a.From) && at.Before(a.To) {
				ask(at)
			}
		}
		ask(a.To)
	}
}

// unbacked names the checkpoints whose survey is not one of the record.
func (l *Life) unbacked() []string {
	var out []string
	for _, c := range l.Passed {
		if c.Survey == "" {
			out = append(out, fmt.Sprintf("the checkpoint at %d", c.Checkpoint))
		}
	}
	return out
}
