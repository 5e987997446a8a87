package history

import (
	"context"
	"time"
)

// Gap is a time in which nothing was seen.
type Gap struct{ From, To time.Time }

// Unseen lists when nothing was seen of a post between two instants: what no sample
// covers. Samples are read only of hours that the kept sums do not show as whole.
func Unseen(ctx context.Context, q Query, p Post, from, to time.Time) ([]Gap, error) {
	whole := map[int64]bool{}
	for h, err := range q.PastHours(ctx, p.ID, from.Truncate(time.Hour), to) {
		if err != nil {
			return nil, err
		}
		whole[h.From.Unix()] = h.Sum.Seen() >= time.Hour
	}
	var out []Gap
	add := func(from, to time.Time) {
		if n := len(out); n > 0 && !out[n-1].To.Before(from) {
			out[n-1].To = to
		} else if from.Before(to) {
			out = append(out, Gap{from, to})
		}
	}
	for at := from; at.Before(to); {
		end := at
		for end.Before(to) && !whole[end.Truncate(time.Hour).Unix()] {
			end = end.Truncate(time.Hour).Add(time.Hour)
		}
		if to.Before(end) {
			end = to
		}
		if at.Before(end) {
			if err := gaps(ctx, q, p, at, end, add); err != nil {
				return nil, err
			}
		}
		for at = end; at.Before(to) && whole[at.Truncate(time.Hour).Unix()]; {
			at = at.Truncate(time.Hour).Add(time.Hour)
		}
	}
	return out, nil
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
