package soak

import (
	"context"
	"errors"
	"fmt"
	"time"

	"ovenward/acquire/cycle/history"
	"ovenward/acquire/quantity"
)

// Per is what a test is parted into beside history.PerRun, PerHour and PerDay.
const (
	PerCheckpoint history.Per = "checkpoint"
	PerTest       history.Per = "test"
)

// ErrSince is a begin that was said for parts that have their own.
var ErrSince = errors.New("checkpoints part the whole test: leave from out, or part it by run, hour or day")

// Statistics sums up the active time of a test from an instant (zero: its begin) by
// another, apart for each run, hour of UTC, day of zone or checkpoint, or all of it; from
// the record, at any time. Checkpoints part the whole test only.
func Statistics(ctx context.Context, s Source, l *Life, p history.Post, per history.Per, from, by time.Time, zone *time.Location) ([]Part, error) {
	p.Levels = []quantity.PowerDensity{l.Plan.Level}
	switch per {
	case PerTest:
		per = history.PerAll
	case history.PerRun, history.PerHour, history.PerDay:
	case PerCheckpoint:
		if !from.IsZero() {
			return nil, ErrSince
		}
		r := Result{Life: l}
		cuts := l.cuts(by)
		if _, err := r.count(l.Runs(ctx, s, by), cuts); err != nil {
			return nil, err
		}
		return r.parts(ctx, s, p, cuts)
	default:
		return nil, fmt.Errorf("a test is not parted by %q: write %s, %s, %s, %s or %s", per, history.PerRun, history.PerHour, history.PerDay, PerCheckpoint, PerTest)
	}
	var out []Part
	for _, a := range l.spans(from, by) {
		all, err := history.Stretches(ctx, s, p, per, a.From, a.To, zone)
		if err != nil {
			return nil, err
		}
		for i := range all {
			out = joined(out, partOf(&all[i], per, zone))
		}
		if len(out) > history.MostStretches {
			return nil, history.ErrMany
		}
	}
	return out, nil
}

// partOf names a stretch.
func partOf(x *history.Stretch, per history.Per, zone *time.Location) Part {
	p := Part{From: x.From, To: x.To, Active: x.To.Sub(x.From), Operations: -1, Runs: x.Runs, Run: x.Run, Sum: x.Sum}
	switch per {
	case history.PerRun:
		p.Name = fmt.Sprintf("run %d", x.Run.Number)
	case history.PerHour:
		p.Name = x.From.Truncate(time.Hour).In(zone).Format("2006-01-02 15:04 MST")
	case history.PerDay:
		p.Name = x.From.In(zone).Format(time.DateOnly)
	default:
		p.Name = "the whole test"
	}
	return p
}

// joined adds a part; one of the same name goes on behind a pause.
func joined(all []Part, p Part) []Part {
	n := len(all) - 1
	if n < 0 || all[n].Name != p.Name {
		return append(all, p)
	}
	last := &all[n]
	last.To, last.Active, last.Runs = p.To, last.Active+p.Active, last.Runs+p.Runs
	last.Sum.Merge(&p.Sum)
	return all
}
