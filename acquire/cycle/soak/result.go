package soak

import (
	"context"
	"fmt"
	"math"
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
	Operations int64 // counted by its end; -1: not told
	Runs       int
	Run        *history.Run // that it is; nil: it is none
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

	StepAfter int64 // number of the run after which Age.Step lies, to a 512th of the runs; 0: there is none

	RunsPerDay float64 // of them
}

// usualRuns is how many runs room is made for at most before they are read: those of
// the longest tests that standards ask for (C.R.C. c. 1370, Schedule II Part III).
const usualRuns = 200_000

// Ran is what is kept of a run. A long test has 100 000 of them, so this is all that is.
type Ran struct {
	Number     int64
	At         int64 // its begin, ns since 1970
	Mean, Peak quantity.PowerDensity
	Whole      bool // it was seen from begin to end, and in range
}

// RanOf keeps of a run what a result needs.
func RanOf(r history.Run) Ran {
	return Ran{Number: r.Number, At: r.Start.UnixNano(), Mean: r.Mean, Peak: r.Peak, Whole: r.Unseen <= 0 && r.Begun && r.OverRange <= 0}
}

// Result is what a test has come to, by an instant.
type Result struct {
	Life    *Life
	By      time.Time
	Active  time.Duration
	Unseen  time.Duration // of the active time
	Blind   []history.Gap // when that was
	Whole   stats.Summary
	Parts   []Part
	Days    []Part
	Runs    []Ran
	Dose    quantity.EnergyDensity // of all runs
	Trend   Trend
	Outcome Outcome
	Reasons []string
}

// Source is what a result is made of.
type Source = history.Source

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
	r.Runs = make([]Ran, 0, min(max(l.Operations, 0), usualRuns)) // about as many
	err := l.EachRun(ctx, s, by, func(u history.Run) {
		r.Runs = append(r.Runs, RanOf(u))
		r.Dose += u.Dose
	})
	if err != nil {
		return r, err
	}
	if r.Days, err = r.parts(ctx, s, p, l.days(by, zone)); err != nil {
		return r, err
	}
	for i := range r.Days {
		r.Whole.Merge(&r.Days[i].Sum)
	}
	if r.Parts, err = r.parts(ctx, s, p, l.cuts(by)); err != nil {
		return r, err
	}
	if r.Unseen = r.Active - r.Whole.Seen(); r.Unseen > 0 {
		for _, a := range l.spans(time.Time{}, by) {
			gaps, err := history.Unseen(ctx, s, p, a.From, a.To)
			if err != nil {
				return r, err
			}
			r.Blind = append(r.Blind, gaps...)
		}
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

// EachRun hands on the runs that began in the active time of a test by an instant and
// have ended, one after the other.
func (l *Life) EachRun(ctx context.Context, s Source, by time.Time, f func(history.Run)) error {
	for _, a := range l.spans(time.Time{}, by) {
		for u, err := range s.PastRuns(ctx, l.Plan.Post, a.From, a.To) {
			if err != nil {
				return err
			}
			f(u)
		}
	}
	return nil
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
		for next < len(r.Runs) && r.Runs[next].At < c.at.UnixNano() {
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
func TrendOf(runs []Ran, level quantity.PowerDensity) (Trend, error) {
	t := Trend{Level: level}
	var first int64
	number, day, mean := make([]float64, 0, len(runs)), make([]float64, 0, len(runs)), make([]float64, 0, len(runs))
	for _, r := range runs {
		if !r.Whole || math.IsNaN(float64(r.Mean)) {
			continue
		}
		if len(number) == 0 {
			first, t.First = r.At, time.Unix(0, r.At).UTC()
		}
		number = append(number, float64(r.Number))
		day = append(day, time.Duration(r.At-first).Hours()/24)
		mean = append(mean, float64(r.Mean))
	}
	if t.Points = len(number); t.Points > 1 && day[t.Points-1] > 0 {
		t.RunsPerDay = (number[t.Points-1] - number[0]) / day[t.Points-1]
	}
	var err error
	if t.Age, err = stats.Age(number, mean); err != nil {
		return t, fmt.Errorf("look at the runs' trend: %w", err)
	}
	if t.Age.Step != nil {
		t.StepAfter = int64(number[t.Age.From-1])
	}
	t.Runs = t.Age.Foresee(number, mean, float64(level))
	if t.Days, err = stats.Foresee(day, mean, float64(level)); err != nil {
		return t, fmt.Errorf("foresee the runs' trend: %w", err)
	}
	return t, nil
}
