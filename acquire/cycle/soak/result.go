package soak

import (
	"context"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"ovenward/acquire/cycle/history"
	"ovenward/acquire/cycle/stats"
	"ovenward/acquire/quantity"
)

// Outcome is what a test says of its limit of acceptance.
type Outcome string

const (
	Within     Outcome = "within"
	Exceeds    Outcome = "exceeds"
	NotDecided Outcome = "not decided"
)

// Part is what a part of a test comes to: between two checkpoints, or a day.
type Part struct {
	Name       string
	From, To   time.Time
	Active     time.Duration
	Operations int64 // counted by its end
	Runs       int
	Sum        stats.Summary
}

// Trend is how the leakage of the runs goes on, and when it reaches the edge of the
// guard band; a refusal says why that is not told.
type Trend struct {
	Level  quantity.PowerDensity // the edge: limit less guard band
	Age    stats.Ageing          // over the runs' numbers
	Runs   stats.Forecast        // in numbers of runs
	Days   stats.Forecast        // in days since the first run
	First  time.Time             // the first run's begin
	Points int                   // runs that were wholly seen

	RunsPerDay float64 // of them
}

// Result is what a test has come to, by an instant.
type Result struct {
	Life    *Life
	By      time.Time
	Active  time.Duration
	Unseen  time.Duration // of the active time
	Whole   stats.Summary
	Parts   []Part
	Days    []Part
	Runs    []history.Run
	Trend   Trend
	Outcome Outcome
	Reasons []string
}

// Source is what a result is made of.
type Source interface {
	history.Query
	Runs(ctx context.Context, post string, from, to time.Time) ([]history.Run, error)
}

// Watched is the post of a test. Lacks says what keeps a highest value, W/m², from
// being within the limit of acceptance, by what is known of the post at an instant.
type Watched struct {
	history.Post
	Lacks func(at time.Time, highest quantity.PowerDensity) []string
}

// Make makes the result of a test by an instant, from the record. zone is the
// site's, for its days.
func Make(ctx context.Context, s Source, l *Life, w Watched, by time.Time, zone *time.Location) (Result, error) {
	p := w.Post
	r := Result{Life: l, By: by, Active: l.ActiveBy(by), Whole: stats.NewSummary(l.Plan.Level)}
	p.Levels = []quantity.PowerDensity{l.Plan.Level}
	for _, a := range l.spans(time.Time{}, by) {
		sum, err := history.Between(ctx, s, p, a.From, a.To)
		if err != nil {
			return r, err
		}
		r.Whole.Merge(&sum)
		runs, err := s.Runs(ctx, p.ID, a.From, a.To)
		if err != nil {
			return r, err
		}
		r.Runs = append(r.Runs, runs...)
	}
	r.Unseen = r.Active - r.Whole.Seen()
	var err error
	if r.Parts, err = r.parts(ctx, s, p, l.cuts(by)); err != nil {
		return r, err
	}
	if r.Days, err = r.parts(ctx, s, p, l.days(by, zone)); err != nil {
		return r, err
	}
	if r.Trend, err = TrendOf(r.Runs, l.Plan.Level-l.Plan.Guard); err != nil {
		return r, err
	}
	if !(l.Plan.Guard > 0) {
		r.Trend.refuse("the uncertainty at the limit is not known, so neither is its guard band")
	}
	r.judge(w.Lacks)
	return r, nil
}

// refuse tells no forecast.
func (t *Trend) refuse(why string) {
	none := stats.Forecast{Refused: why, Estimate: math.NaN(), Lo: math.NaN(), Hi: math.NaN()}
	t.Runs, t.Days = none, none
}

// spans are the active stretches between two instants; a zero from is the begin.
func (l *Life) spans(from, to time.Time) []Span {
	var out []Span
	for _, a := range l.Active {
		if a.To.IsZero() || to.Before(a.To) {
			a.To = to
		}
		if a.From.Before(from) {
			a.From = from
		}
		if a.From.Before(a.To) {
			out = append(out, a)
		}
	}
	return out
}

// cut is where a part ends.
type cut struct {
	name       string
	at         time.Time
	operations int64 // -1: not known
}

// cuts are the ends of the parts between checkpoints.
func (l *Life) cuts(by time.Time) []cut {
	var out []cut
	unit := "operations"
	if !l.Plan.ByOperations() {
		unit = "h"
	}
	for _, c := range l.Passed {
		out = append(out, cut{fmt.Sprintf("up to the checkpoint at %d %s", c.Checkpoint, unit), c.At, c.Operations})
	}
	return append(out, cut{"since the last checkpoint", by, l.Operations})
}

// days are the ends of the site's days in the test.
func (l *Life) days(by time.Time, zone *time.Location) []cut {
	if len(l.Active) == 0 {
		return nil
	}
	var out []cut
	y, m, d := l.Active[0].From.In(zone).Date()
	for at := time.Date(y, m, d, 0, 0, 0, 0, zone); at.Before(by); {
		y, m, d := at.Date()
		next := time.Date(y, m, d+1, 0, 0, 0, 0, zone)
		end := next
		if by.Before(end) {
			end = by
		}
		out = append(out, cut{at.Format(time.DateOnly), end, -1})
		at = next
	}
	return out
}

// parts sums up the test between cuts.
func (r *Result) parts(ctx context.Context, s Source, p history.Post, cuts []cut) ([]Part, error) {
	var out []Part
	var from time.Time
	next := 0
	for _, c := range cuts {
		part := Part{Name: c.name, From: from, To: c.at, Operations: c.operations, Sum: stats.NewSummary(p.Levels...)}
		for _, a := range r.Life.spans(from, c.at) {
			sum, err := history.Between(ctx, s, p, a.From, a.To)
			if err != nil {
				return out, err
			}
			part.Sum.Merge(&sum)
			part.Active += a.To.Sub(a.From)
		}
		for next < len(r.Runs) && r.Runs[next].Start.Before(c.at) {
			part.Runs++
			next++
		}
		if from = c.at; part.Active > 0 {
			out = append(out, part)
		}
	}
	return out, nil
}

// TrendOf looks at the mean field of each run that was wholly seen.
func TrendOf(runs []history.Run, level quantity.PowerDensity) (Trend, error) {
	t := Trend{Level: level}
	var number, day, mean []float64
	for _, r := range runs {
		if r.Unseen > 0 || !r.Begun || r.OverRange > 0 || math.IsNaN(float64(r.Mean)) {
			continue
		}
		if len(number) == 0 {
			t.First = r.Start
		}
		number = append(number, float64(r.Number))
		day = append(day, r.Start.Sub(t.First).Hours()/24)
		mean = append(mean, float64(r.Mean))
	}
	if t.Points = len(number); t.Points > 1 && day[t.Points-1] > 0 {
		t.RunsPerDay = (number[t.Points-1] - number[0]) / day[t.Points-1]
	}
	var err error
	if t.Age, err = stats.Age(number, mean); err != nil {
		return t, fmt.Errorf("look at the runs' trend: %w", err)
	}
	if t.Runs, err = stats.Foresee(number, mean, float64(level)); err != nil {
		return t, fmt.Errorf("foresee the runs' trend: %w", err)
	}
	if t.Days, err = stats.Foresee(day, mean, float64(level)); err != nil {
		return t, fmt.Errorf("foresee the runs' trend: %w", err)
	}
	return t, nil
}

// judge says what the test has shown of its limit of acceptance. What exceeds does so
// whatever else is amiss; within must be earned by the whole test.
func (r *Result) judge(lacks func(time.Time, quantity.PowerDensity) []string) {
	if r.exceeds(); r.Outcome == Exceeds {
		return
	}
	if r.amiss(); len(r.Reasons) == 0 {
		r.unlike(lacks)
	}
	if len(r.Reasons) > 0 {
		r.Outcome = NotDecided
		return
	}
	r.Outcome = Within
	r.add("the whole test was seen, with %d runs; no value came nearer to limit %s than its uncertainty, and each checkpoint's survey is within", len(r.Runs), r.Life.Plan.LimitID)
	if said := r.Life.unbacked(); len(said) > 0 {
		r.add("by word alone, without a survey of this record: %s", strings.Join(said, ", "))
	}
}

func (r *Result) add(text string, args ...any) {
	r.Reasons = append(r.Reasons, fmt.Sprintf(text, args...))
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
	switch {
	case above.Count > 0 && p.Mean == 0:
		r.Outcome = Exceeds
		r.add("the field was above limit %s %d times, for %s in all", p.LimitID, above.Count, roughly(above.Above))
	case above.Count > 0:
		r.add("the field was above the value of limit %s %d times, for %s in all; whether its mean over %s was, single values do not show",
			p.LimitID, above.Count, roughly(above.Above), quantity.FormatDuration(p.Mean))
	}
	if over := r.Whole.On.OverRange + r.Whole.Off.OverRange; over > 0 {
		r.Outcome = Exceeds
		r.add("the field was over the probe's range for %s", roughly(over))
	}
}

// amiss lists what the test itself leaves open.
func (r *Result) amiss() {
	p, l := r.Life.Plan, r.Life
	if l.State != FinishedNow {
		come := fmt.Sprintf("%s active", roughly(r.Active))
		if p.Operations > 0 {
			come = fmt.Sprintf("%d of %d operations, %s", l.Operations, p.Operations, come)
		}
		r.add("the test is %s: %s", l.State, come)
	}
	if len(l.Damage) > 0 {
		r.add("its marks in the record are damaged: %s", strings.Join(l.Damage, "; "))
	}
	if r.Unseen > 0 {
		r.add("for %s of %s nothing was seen", roughly(r.Unseen), roughly(r.Active))
	}
	if _, counted := r.Whole.Above(p.Level); !counted && r.Whole.Seen() > 0 {
		r.add("exceedances of limit %s were not counted throughout", p.LimitID)
	}
	if len(r.Runs) == 0 {
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
	case len(peaks) > 0 && !(peaks[0].S+p.Guard <= p.Level):
		r.add("the highest value, %s, lies nearer to the limit than its uncertainty, %s", peaks[0].S, p.Guard)
	}
}

// unlike lists what the post lacked at the begin and at the end of the test.
func (r *Result) unlike(lacks func(time.Time, quantity.PowerDensity) []string) {
	peaks := r.Whole.Peaks.List()
	if lacks == nil || len(peaks) == 0 || len(r.Life.Active) == 0 {
		return
	}
	end := r.Life.Active[len(r.Life.Active)-1].To
	if end.IsZero() {
		end = r.By
	}
	for _, at := range []time.Time{r.Life.Active[0].From, end} {
		for _, why := range lacks(at, peaks[0].S) {
			if !slices.Contains(r.Reasons, why) {
				r.Reasons = append(r.Reasons, why)
			}
		}
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
