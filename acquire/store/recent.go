package store

import (
	"cmp"
	"context"
	"slices"

	"ovenward/acquire"
)

// recent holds the rows of the newest committed events, rising: all whose numbers
// are above after. So who follows the events asks no disk for what was just written.
type recent struct {
	rows  []eventRow
	after int64
}

const maxRecent = 64

// add takes rows that are durable now. An import may have overtaken events that
// waited, so they are put in order.
func (r *recent) add(rows []eventRow) {
	if len(rows) == 0 {
		return
	}
	r.rows = append(r.rows, rows...)
	slices.SortFunc(r.rows, func(a, b eventRow) int { return cmp.Compare(a.id, b.id) })
	if n := len(r.rows) - maxRecent; n > 0 {
		r.after = max(r.after, r.rows[n-1].id)
		r.rows = append([]eventRow(nil), r.rows[n:]...) // what is dropped holds no memory
	}
}

// from returns the rows with numbers above after, at most limit, and whether they
// are all that are committed.
func (r *recent) from(after int64, limit int) (rows []eventRow, all bool) {
	if after < r.after {
		return nil, false
	}
	i, _ := slices.BinarySearchFunc(r.rows, after+1, func(row eventRow, id int64) int { return cmp.Compare(row.id, id) })
	return slices.Clone(r.rows[i:min(len(r.rows), i+max(limit, 0))]), true
}

// Events returns what Reader's does, and the newest of it without asking the disk:
// made of the same rows, so that nobody can tell the difference.
func (s *Store) Events(ctx context.Context, after int64, limit int) ([]acquire.Event, error) {
	s.mu.Lock()
	rows, all := s.recent.from(after, limit)
	s.mu.Unlock()
	if !all {
		return s.Reader.Events(ctx, after, limit)
	}
	var events []acquire.Event
	for i := range rows {
		e, err := rows[i].event()
		if err != nil {
			return nil, err
		}
		events = append(events, e)
	}
	return events, nil
}
