package store

import (
	"context"
	"database/sql"
	"math"

	"ovenward/acquire/cycle/history"
	"ovenward/acquire/cycle/stats"
	"ovenward/acquire/quantity"
)

// asKept makes of a run what is read back of it.
func asKept(r *history.Run) {
	for _, s := range []*quantity.PowerDensity{&r.Mean, &r.Deviation, &r.Median, &r.P95, &r.Peak} {
		if finite(*s) == nil {
			*s = quantity.PowerDensity(math.NaN())
		}
	}
	if r.OverRange > 0 && finite(r.Peak) == nil {
		r.Peak = quantity.PowerDensity(math.Inf(1))
	}
}

// keptAtOnce is how many kept rows are read at once, so that no read is held for long.
const keptAtOnce = 256

// pages are rows that are read some at a time, in order.
type pages[T any] struct {
	page []T
	over bool // the last page is read
}

// peek is the next row; nil: there is none. more appends the rows of the next page.
func (p *pages[T]) peek(more func([]T) ([]T, error)) (*T, error) {
	if len(p.page) == 0 && !p.over {
		page, err := more(p.page)
		if err != nil {
			return nil, err
		}
		p.page, p.over = page, len(page) < keptAtOnce
	}
	if len(p.page) == 0 {
		return nil, nil
	}
	return &p.page[0], nil
}

// keptRuns are the kept runs of a post.
type keptRuns struct {
	pages[history.Run]
	after  runRow
	number int64 // of the one before
}

// peek is the next one; nil: there is none.
func (k *keptRuns) peek(ctx context.Context, m *remade) (*history.Run, error) {
	return k.pages.peek(func(page []history.Run) ([]history.Run, error) {
		row := &k.after
		begin, number := row.start, row.of.Number
		if number == 0 {
			begin = math.MinInt64
		}
		err := each(ctx, m.reader.db, selectRuns+"WHERE post = ? AND (start_ns, run) > (?, ?) AND end_ns <= ? ORDER BY start_ns, run LIMIT ?",
			func(scan func(...any) error) error {
				err := scan(row.places()...)
				page = append(page, row.run())
				return err
			}, m.post, begin, number, nanos(m.kept.Ended), keptAtOnce)
		return page, err
	})
}

// take passes the next one, whose number must be the next, too.
func (k *keptRuns) take(m *remade) {
	r := &k.page[0]
	k.page = k.page[1:]
	switch {
	case r.Number > k.number+1:
		m.tell(r.Start, r.Start, "runs %d to %d are missing", k.number+1, r.Number-1)
	case r.Number <= k.number:
		m.tell(r.Start, r.End, "run %d stands behind run %d", r.Number, k.number)
	}
	k.number = max(k.number, r.Number)
}

// keptHour is an hour as it is kept.
type keptHour struct {
	history.Hour
	bad error
}

// keptHours are the kept hours of a post.
type keptHours struct {
	pages[keptHour]
	next int64
}

func (k *keptHours) peek(ctx context.Context, m *remade) (*keptHour, error) {
	return k.pages.peek(func(page []keptHour) ([]keptHour, error) {
		from := k.next
		if from == 0 {
			from = math.MinInt64
		}
		err := each(ctx, m.reader.db, "SELECT hour_ns, sum FROM hour_sums WHERE post = ? AND hour_ns >= ? AND hour_ns < ? ORDER BY hour_ns LIMIT ?",
			func(scan func(...any) error) error {
				var at int64
				var sum sql.RawBytes
				err := scan(&at, &sum)
				h := keptHour{Hour: history.Hour{From: instant(at)}}
				if h.bad = h.Sum.UnmarshalBinary(sum); h.bad != nil {
					h.Sum = stats.Summary{}
				}
				page, k.next = append(page, h), at+1
				return err
			}, m.post, from, nanos(m.kept.Hours), keptAtOnce)
		return page, err
	})
}

func (k *keptHours) take() { k.page = k.page[1:] }
