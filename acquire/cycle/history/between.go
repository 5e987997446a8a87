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
// kept their sums, of the rest the samples. An hour whose sum did not count one of the
// levels is summed up anew; where its samples are not all there any more, that level is
// left out.
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
		return sum, samples(ctx, q, p, from, to, &sum)
	}
	if from.Before(first) {
		if err := samples(ctx, q, p, from, first, &sum); err != nil {
			return sum, err
		}
	}
	for h, err := range q.PastHours(ctx, p.ID, first, last) {
		if err != nil {
			return sum, err
		}
		if !counts(&h.Sum, p) {
			again := stats.NewSummary(p.Levels...)
			if err := samples(ctx, q, p, h.From, h.From.Add(time.Hour), &again); err != nil {
				return sum, err
			}
			if again.Seen() >= h.Sum.Seen() {
				h.Sum = again
			}
		}
		sum.Merge(&h.Sum)
	}
	if last.Before(to) {
		err = samples(ctx, q, p, last, to, &sum)
	}
	return sum, err
}

// counts says whether a sum counts all levels of a post.
func counts(sum *stats.Summary, p Post) bool {
	for _, l := range p.Levels {
		if _, ok := sum.Above(l); !ok {
			return false
		}
	}
	return true
}

// samples adds what samples of an interval come to. Those before it show what rest
// looks like, and the one after it whether the last one was emission.
func samples(ctx context.Context, q Query, p Post, from, to time.Time, sum *stats.Summary) error {
	t := New(p.Options, func(Run) {}, func(h Hour) { sum.Merge(&h.Sum) })
	t.only = span{from, to}
	for batch, err := range q.PastSamples(ctx, p.ID, from.Add(-warmRun), to.Add(p.Stale)) {
		if err != nil {
			return err
		}
		for _, s := range batch {
			t.Observe(s)
		}
	}
	t.settle(to)
	h, _ := t.Open()
	sum.Merge(&h.Sum)
	return nil
}
