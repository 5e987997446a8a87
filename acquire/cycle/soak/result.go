package soak

import (
	"context"
	"fmt"
	"time"

	"ovenward/acquire/civil"
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

// Result is what a test has come to, by an instant.
type Result struct {
	Life    *Life
	By      time.Time
	Active  time.Duration
	Unseen  time.Duration // of the active time
	Blind   history.Gaps  // when that was
	Whole   stats.Summary
	Parts   []Part
	Days    []Part
	Runs    int                    // that began in it and have ended
	First   time.Time              // when the first of them did
	Dose    quantity.EnergyDensity // of all of them
	Drawn   []Drawn                // they, for a chart
	Trend   Trend
	Outcome Outcome
	Reasons []string
}

// Source is what a result is made of.
type Source = history.Source

// Watched is the post of a test. Lacks says what keeps a highest value, W/m², from
// being within the limit of acceptance, by what is known of the post at an instant;
// Changed is when it became another.
type Watched struct {
	history.Post
	Lacks   func(at time.Time, highest quantity.PowerDensity) []string
	Changed []time.Time
}

// Make makes the result of a test by an instant, from the record. zone is the
// site's, for its days.
func Make(ctx context.Context, s Source, l *Life, w Watched, by time.Time, zone *time.Location) (Result, error) {
	p := w.Post
	r := Result{Life: l, By: by, Active: l.ActiveBy(by), Whole: stats.NewSummary(l.Plan.Level)}
	p.Levels, p.Covered = []quantity.PowerDensity{l.Plan.Level}, true
	runs, days, cuts := l.Runs(ctx, s, by), l.days(by, zone), l.cuts(by)
	bear, err := r.count(runs, days, cuts)
	if err != nil {
		return r, err
	}
	if r.Days, err = r.parts(ctx, s, p, days); err != nil {
		return r, err
	}
	for i := range r.Days {
		r.Whole.Merge(&r.Days[i].Sum)
	}
	if r.Parts, err = r.parts(ctx, s, p, cuts); err != nil {
		return r, err
	}
	if r.Unseen = r.Active - r.Whole.Seen(); r.Unseen > 0 {
		for _, a := range l.spans(time.Time{}, by) {
			if err := history.Unseen(ctx, s, p, a.From, a.To, r.Blind.Add); err != nil {
				return r, err
			}
		}
	}
	if err := r.follow(runs, bear); err != nil {
		return r, err
	}
	if !(l.Plan.Guard > 0) {
		r.Trend.refuse("the uncertainty at the limit is not known, so neither is its guard band")
	}
	r.judge(&w)
	return r, nil
}

// Runs gives the runs that began in the active time of a test by an instant and have
// ended.
func (l *Life) Runs(ctx context.Context, s Source, by time.Time) Runs {
	return func(yield func(history.Run, error) bool) {
		for _, a := range l.spans(time.Time{}, by) {
			for u, err := range s.PastRuns(ctx, l.Plan.Post, a.From, a.To) {
				if !yield(u, err) || err != nil {
					return
				}
			}
		}
	}
}

// count looks at the runs once: how many there are, in each part too, and how many of
// them bear a trend.
func (r *Result) count(runs Runs, parts ...[]cut) (bear int, err error) {
	at := make([]int, len(parts))
	for u, err := range runs {
		if err != nil {
			return 0, err
		}
		if r.Runs++; r.Runs == 1 {
			r.First = u.Start.UTC()
		}
		if r.Dose += u.Dose; bearsTrend(&u) {
			bear++
		}
		for i, cuts := range parts {
			for at[i] < len(cuts) && !u.Start.Before(cuts[at[i]].at) {
				at[i]++
			}
			if at[i] < len(cuts) {
				cuts[at[i]].runs++
			}
		}
	}
	return bear, nil
}

// follow looks at the runs once more, and where a step parts many of them again: how
// they are drawn, and how they go on.
func (r *Result) follow(runs Runs, bear int) (err error) {
	d, w := newDrawing(r.Runs), newTrending(bear)
	for u, err := range runs {
		if err != nil {
			return err
		}
		d.take(&u)
		w.take(&u)
	}
	r.Drawn = d.out
	r.Trend, err = w.trend(runs, r.Life.Plan.Level-r.Life.Plan.Guard)
	return err
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
	runs       int   // in the part
}

// cuts are the ends of the parts between checkpoints.
func (l *Life) cuts(by time.Time) []cut {
	var out []cut
	unit := "operations"
	if !l.Plan.ByOperations() {
		unit = "h"
	}
	for _, c := range l.Passed {
		out = append(out, cut{fmt.Sprintf("up to the checkpoint at %d %s", c.Checkpoint, unit), c.At, c.Operations, 0})
	}
	return append(out, cut{"since the last checkpoint", by, l.Operations, 0})
}

// days are the ends of the site's days in the test.
func (l *Life) days(by time.Time, zone *time.Location) []cut {
	if len(l.Active) == 0 {
		return nil
	}
	var out []cut
	y, m, d := l.Active[0].From.In(zone).Date()
	for at := civil.Begin(y, m, d, zone); at.Before(by); {
		next := civil.Next(at, zone)
		end := next
		if by.Before(end) {
			end = by
		}
		out = append(out, cut{at.Format(time.DateOnly), end, -1, 0})
		at = next
	}
	return out
}

// parts sums up the test between cuts, whose runs are counted.
func (r *Result) parts(ctx context.Context, s Source, p history.Post, cuts []cut) ([]Part, error) {
	var out []Part
	var from time.Time
	for _, c := range cuts {
		part := Part{Name: c.name, From: from, To: c.at, Operations: c.operations, Runs: c.runs, Sum: stats.NewSummary(p.Levels...)}
		for _, a := range r.Life.spans(from, c.at) {
			sum, err := history.Between(ctx, s, p, a.From, a.To)
			if err != nil {
				return out, err
			}
			part.Sum.Merge(&sum)
			part.Active += a.To.Sub(a.From)
		}
		if from = c.at; part.Active > 0 {
			out = append(out, part)
		}
	}
	return out, nil
}
