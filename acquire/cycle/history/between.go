package history

import (
	"context"
	"iter"
	"time"

	"ovenward/acquire/cycle/stats"
)

// Query is what Between reads.
type Query interface {
	PastSamples(ctx context.Context, post string, from, to time.Time) iter.Seq2[[]Sample, error]
	// PastHours reads the hours of a post that are kept and begin in an interval.
	PastHours(ctx context.Context, post string, from, to time.Time) iter.Seq2[Hour, error]
	HistoryState(ctx context.Context, post string) (State, error)
}

// Between sums up a post from an instant up to another: of whole hours that are
// kept their sums, of the rest the samples.
func Between(ctx context.Context, q Query, p Post, from, to time.Time) (stats.Summary, error) {
	sum := stats.NewSummary(p.Levels...)
	st, err := q.HistoryState(ctx, p.ID)
	if err != nil {
		return sum, err
	}
	first, last := from.Truncate(time.Hour), to.Truncate(time.Hour)
	if first.Before(from) {
		first = first.Add(time.Hour)
	}
	if st.Hours.Before(last) {
		last = st.Hours
	}
	if !first.Before(last) { // no whole hour is kept
		_, _, err := samples(ctx, q, p, from, to, &sum)
		return sum, err
	}
	if from.Before(first) {
		if _, _, err := samples(ctx, q, p, from, first, &sum); err != nil {
			return sum, err
		}
	}
	for h, err := range hours(ctx, q, p, first, last) {
		if err != nil {
			return sum, err
		}
		sum.Merge(&h.Sum)
	}
	if last.Before(to) {
		_, _, err = samples(ctx, q, p, last, to, &sum)
	}
	return sum, err
}

// hours reads the kept hours of an interval. One whose sum did not count a level of the
// post, was made before it told what was calibrated where that is asked, or is damaged, is summed up anew; where its
// samples are not all there any more, it lacks that for good, and so where what corrects them is not, if it
// counted the levels: what was indicated takes the place of no count that is true. No sample is read while
// sums are: who holds one connection to a record and waits for another may wait for
// somebody who does the same.
func hours(ctx context.Context, q Query, p Post, from, to time.Time) iter.Seq2[Hour, error] {
	return func(yield func(Hour, error) bool) {
		for from.Before(to) {
			lacks := false
			var h Hour
			var err error
			for h, err = range q.PastHours(ctx, p.ID, from, to) {
				if lacks = err == nil && (h.Lost || !counts(&h.Sum, p)); lacks {
					break
				}
				if !yield(h, err) || err != nil {
					return
				}
			}
			if !lacks {
				return
			}
			from = h.From.Add(time.Hour)
			again := stats.NewSummary(p.Levels...)
			low, indicated, err := samples(ctx, q, p, h.From, from, &again)
			if !countsLevels(&h.Sum, p) {
				indicated = 0
			}
			if again.Seen()+low-indicated >= h.Sum.Seen() {
				h.Sum = again
			}
			if !yield(h, err) || err != nil {
				return
			}
		}
	}
}

// counts says whether a sum counts all that is asked of a post.
func counts(sum *stats.Summary, p Post) bool {
	return countsLevels(sum, p) && (sum.Untold == 0 || !p.Covered)
}

func countsLevels(sum *stats.Summary, p Post) bool {
	for _, l := range p.Levels {
		if _, ok := sum.Above(l); !ok {
			return false
		}
	}
	return true
}

// samples adds what samples of an interval come to. Those before it show what rest
// looks like, and the one after it whether the last one was emission. low is for how
// long in it the zero was off, indicated for how long only what was indicated counts.
func samples(ctx context.Context, q Query, p Post, from, to time.Time, sum *stats.Summary) (low, indicated time.Duration, err error) {
	t := New(p.Options, func(Run) {}, func(h Hour) { sum.Merge(&h.Sum) })
	t.only = span{from, to}
	held := func(until time.Time) {
		switch {
		case t.last.Low && !t.last.Indicated:
			low += t.held(until)
		case t.last.Valid && !t.last.shows():
			indicated += t.held(until)
		}
	}
	for batch, err := range q.PastSamples(ctx, p.ID, from.Add(-warmRun), to.Add(p.Stale)) {
		if err != nil {
			return low, indicated, err
		}
		for _, s := range batch {
			held(s.At)
			t.Observe(s)
		}
	}
	held(to)
	t.settle(to)
	h, _ := t.Open()
	sum.Merge(&h.Sum)
	return low, indicated, nil
}

// held is for how long up to an instant the newest sample held, of what is summed up.
func (t *Past) held(until time.Time) time.Duration {
	if end := t.last.At.Add(t.o.Stale); end.Before(until) {
		until = end
	}
	from, until := t.only.cut(t.last.At, until)
	return max(0, until.Sub(from))
}
