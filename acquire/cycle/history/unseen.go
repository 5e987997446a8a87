package history

import (
	"cmp"
	"context"
	"slices"
	"sort"
	"time"
)

// Gap is a time in which nothing was seen.
type Gap struct{ From, To time.Time }

func (g Gap) lasts() time.Duration { return g.To.Sub(g.From) }

// MostGaps is how many gaps are listed.
const MostGaps = 200

// Gaps lists the longest of any number of gaps; the others are counted.
type Gaps struct {
	All int
	For time.Duration // all of them
	few []Gap         // among which are the longest
}

// Add takes a gap.
func (g *Gaps) Add(x Gap) {
	g.All, g.For = g.All+1, g.For+x.lasts()
	if g.few = append(g.few, x); len(g.few) >= 2*MostGaps {
		g.few = longest(g.few)
	}
}

// Longest lists at most MostGaps of them, by their begin.
func (g *Gaps) Longest() []Gap {
	list := longest(slices.Clone(g.few))
	sort.SliceStable(list, func(i, j int) bool { return list[i].From.Before(list[j].From) })
	return list
}

// longest keeps the longest; of equals the earlier.
func longest(all []Gap) []Gap {
	sort.SliceStable(all, func(i, j int) bool {
		a, b := all[i], all[j]
		return cmp.Or(cmp.Compare(b.lasts(), a.lasts()), a.From.Compare(b.From)) < 0
	})
	return all[:min(len(all), MostGaps)]
}

// Unseen tells when nothing was seen of a post between two instants, in order: what no
// sample covers. Samples are read only of hours that the kept sums do not show as whole.
func Unseen(ctx context.Context, q Query, p Post, from, to time.Time, tell func(Gap)) error {
	var g Gap // that may go on
	add := func(from, to time.Time) {
		if !g.To.Before(from) {
			g.To = to
			return
		}
		if g.From.Before(g.To) {
			tell(g)
		}
		g = Gap{from, to}
	}
	for at := from; at.Before(to); {
		end := at.Truncate(time.Hour).Add(sumsAtOnce)
		if to.Before(end) {
			end = to
		}
		whole, err := wholeHours(ctx, q, p, at, end)
		if err != nil {
			return err
		}
		for _, h := range whole {
			if at.Before(h) {
				if err := gaps(ctx, q, p, at, h, add); err != nil {
					return err
				}
			}
			at = h.Add(time.Hour)
		}
		if at.Before(end) {
			if err := gaps(ctx, q, p, at, end, add); err != nil {
				return err
			}
			at = end
		}
	}
	if g.From.Before(g.To) {
		tell(g)
	}
	return nil
}

// sumsAtOnce bounds how many hours are looked up before their samples are read. None is
// read while sums are: who holds one connection to a record and waits for another may
// wait for somebody who does the same.
const sumsAtOnce = 31 * 24 * time.Hour

// wholeHours finds the hours that were seen from begin to end.
func wholeHours(ctx context.Context, q Query, p Post, from, to time.Time) (whole []time.Time, err error) {
	p.Levels = nil // whatever they counted
	for h, err := range hours(ctx, q, p, from.Truncate(time.Hour), to) {
		if err != nil {
			return nil, err
		}
		if h.Sum.Seen() >= time.Hour {
			whole = append(whole, h.From)
		}
	}
	return whole, nil
}

// gaps reads the samples of a time. A sample holds up to the next one, for the stale
// time at most; one that does not count ends what was seen.
func gaps(ctx context.Context, q Query, p Post, from, to time.Time, add func(from, to time.Time)) error {
	seen := from // up to here
	for batch, err := range q.PastSamples(ctx, p.ID, from.Add(-p.Stale), to) {
		if err != nil {
			return err
		}
		for _, s := range batch {
			switch {
			case !s.Valid && s.At.Before(seen):
				if seen = s.At; seen.Before(from) {
					seen = from
				}
			case !s.Valid:
			default:
				if seen.Before(s.At) {
					add(seen, s.At)
				}
				if end := s.At.Add(p.Stale); seen.Before(end) {
					seen = end
				}
			}
		}
	}
	if seen.Before(to) {
		add(seen, to)
	}
	return nil
}
