package main

import (
	"context"
	"errors"
	"math"
	"slices"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/cycle"
	"ovenward/acquire/quantity"
	"ovenward/acquire/store"
	"ovenward/cmd/internal/web"
)

// runsOf finds the runs of an oven again from the samples in the record, as the
// station found them: with the post's floor, gap and response.
func runsOf(record *store.Store, posts []acquire.Post) func(ctx context.Context, post string, from, to time.Time) ([]web.Run, error) {
	return func(ctx context.Context, post string, from, to time.Time) ([]web.Run, error) {
		i := slices.IndexFunc(posts, func(p acquire.Post) bool { return p.ID == post })
		if i < 0 {
			return nil, nil
		}
		p := &posts[i]
		// What ran at from began before: one run gap and the time a rest takes to be known.
		begun := from.Add(-max(2*p.RunGap, leastRecall))
		find := cycle.NewRuns(cycle.Options{Floor: p.Probe.Floor, Gap: p.RunGap, Response: p.Probe.Response, Stale: p.Stale})
		var out []web.Run
		done := 0
		take := func() {
			if n, r := find.Finished(); n > done {
				done = n
				out = append(out, runAt(begun, r))
			}
		}
		for v, err := range record.Values(ctx, post, begun, to) {
			if d := (*store.Damage)(nil); errors.As(err, &d) {
				continue // what cannot be read is told beside the chart
			}
			if err != nil {
				return out, err
			}
			for k, at := range v.At {
				s := quantity.PowerDensity(v.S[k])
				if v.Quality[k]&acquire.OverRange != 0 {
					s = quantity.PowerDensity(math.Inf(1))
				}
				find.Observe(time.Duration(at-begun.UnixNano()), s)
				take()
			}
		}
		find.Advance(to.Sub(begun))
		take()
		if _, running := find.Running(); running {
			out = append(out, runAt(begun, find.Run()))
		}
		return slices.DeleteFunc(out, func(r web.Run) bool { return !r.To.After(from) }), nil
	}
}

// runAt puts a run on the wall clock.
func runAt(begun time.Time, r cycle.Run) web.Run {
	return web.Run{From: begun.Add(r.Start), To: begun.Add(r.Last), Peak: r.Peak}
}
