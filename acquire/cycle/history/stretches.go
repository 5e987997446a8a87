package history

import (
	"context"
	"errors"
	"fmt"
	"iter"
	"time"

	"ovenward/acquire/civil"
	"ovenward/acquire/cycle/stats"
)

// Per is what a time is parted into.
type Per string

const (
	PerRun  Per = "run"
	PerHour Per = "hour" // of UTC
	PerDay  Per = "day"  // of the site
	PerAll  Per = "all"
)

// Stretch is a part of a time and what it comes to. Run is the run that it is; nil
// where it is none.
type Stretch struct {
	From, To time.Time
	Run      *Run
	Runs     int // that began in it and have ended
	Sum      stats.Summary
}

// Source is what stretches are made of.
type Source interface {
	Query
	// PastRuns reads the runs of a post that began in an interval and have ended, in order.
	PastRuns(ctx context.Context, post string, from, to time.Time) iter.Seq2[Run, error]
}

// MostStretches is how many stretches are made at once.
const MostStretches = 10_000

// ErrMany is a time that has more stretches than MostStretches.
var ErrMany = fmt.Errorf("that is more than %d stretches: ask for a shorter time, by from and to, or by hour or day", MostStretches)

// Stretches sums up a post between two instants, apart for each run, hour or day of
// zone. A run counts where it began, and is summed up whole: the pauses in it are in
// Sum.Off. Stretches in which nothing was seen are left out.
func Stretches(ctx context.Context, s Source, p Post, per Per, from, to time.Time, zone *time.Location) ([]Stretch, error) {
	if per == PerRun {
		return ofRuns(ctx, s, p, from, to)
	}
	cuts, err := Cuts(per, from, to, zone)
	if err != nil {
		return nil, err
	}
	began, err := begun(ctx, s, p, cuts)
	if err != nil {
		return nil, err
	}
	var out []Stretch
	for i := 0; i+1 < len(cuts); i++ {
		x := Stretch{From: cuts[i], To: cuts[i+1], Runs: began[i]}
		if x.Sum, err = Between(ctx, s, p, x.From, x.To); err != nil {
			return nil, err
		}
		if x.Sum.Seen() > 0 {
			out = append(out, x)
		}
	}
	return out, nil
}

// begun counts the runs that began in each part between cuts and have ended.
func begun(ctx context.Context, s Source, p Post, cuts []time.Time) ([]int, error) {
	out := make([]int, len(cuts)-1)
	i := 0
	for r, err := range s.PastRuns(ctx, p.ID, cuts[0], cuts[len(cuts)-1]) {
		if err != nil {
			return nil, err
		}
		for !r.Start.Before(cuts[i+1]) {
			i++
		}
		out[i]++
	}
	return out, nil
}

// Cuts are the instants that part a time, its begin and end among them.
func Cuts(per Per, from, to time.Time, zone *time.Location) ([]time.Time, error) {
	if !from.Before(to) {
		return nil, errors.New("the time ends before it begins")
	}
	next := func(time.Time) time.Time { return to }
	switch per {
	case PerAll:
	case PerHour:
		next = func(at time.Time) time.Time { return at.Truncate(time.Hour).Add(time.Hour) }
	case PerDay:
		next = func(at time.Time) time.Time { return civil.Next(at, zone) }
	default:
		return nil, fmt.Errorf("a time is not parted by %q: write %s, %s or %s", per, PerHour, PerDay, PerAll)
	}
	out := []time.Time{from}
	for at := from; at.Before(to); {
		if at = next(at); to.Before(at) {
			at = to
		}
		if out = append(out, at); len(out) > MostStretches+1 {
			return nil, ErrMany
		}
	}
	return out, nil
}

// ofRuns sums up runs that are kept, from their samples; of a run whose samples are
// not there any more only Run is told.
func ofRuns(ctx context.Context, s Source, p Post, from, to time.Time) ([]Stretch, error) {
	var runs []Run
	for r, err := range s.PastRuns(ctx, p.ID, from, to) {
		if err != nil {
			return nil, err
		}
		if runs = append(runs, r); len(runs) > MostStretches {
			return nil, ErrMany
		}
	}
	out := make([]Stretch, len(runs))
	at := map[int64]int{}
	for i := range runs {
		out[i] = Stretch{From: runs[i].Start, To: runs[i].End, Run: &runs[i], Runs: 1} // nothing is counted before its samples are read
		at[runs[i].Start.UnixNano()] = i
	}
	if len(runs) == 0 {
		return out, nil
	}
	t := New(p.Options, func(Run) {}, func(Hour) {})
	t.each = func(r Run, sum *stats.Summary) {
		if i, ok := at[r.Start.UnixNano()]; ok {
			out[i].Sum = *sum
		}
	}
	end := runs[len(runs)-1].End.Add(2*p.Gap + 2*p.Stale)
	for batch, err := range s.PastSamples(ctx, p.ID, runs[0].Start.Add(-warm), end) {
		if err != nil {
			return nil, err
		}
		for _, s := range batch {
			t.Observe(s)
		}
	}
	t.settle(end)
	t.close()
	return out, nil
}
