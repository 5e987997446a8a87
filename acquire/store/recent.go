package store

import (
	"cmp"
	"context"
	"slices"
	"sort"

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
	sort.SliceStable(r.rows, func(i, j int) bool { return r.rows[i].id < r.rows[j].id })
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

func (r *recent) has(id int64) bool {
	_, found := slices.BinarySearchFunc(r.rows, id, func(row eventRow, id int64) int { return cmp.Compare(row.id, id) })
	return found
}

// forget has the disk asked for all events so far: a commit that failed to say that it
// took place may have left some there that are not at hand.
func (s *Store) forget() {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.recent = recent{after: s.queue.nextEvent - 1}
}

// Standing returns what Reader's does. Its number is below that of each alarm that waits
// to be durable, for the same reason as Events ends there.
func (s *Store) Standing(ctx context.Context) (all []acquire.Event, last int64, err error) {
	s.mu.Lock()
	below := s.queue.settledBelow() // first: what is committed meanwhile has a higher one
	s.mu.Unlock()
	all, last, err = s.Reader.Standing(ctx)
	return all, min(last, below-1), err
}

// Events returns what Reader's does, and the newest of it without asking the disk:
// made of the same rows, so that nobody can tell the difference. It ends before an alarm
// that waits to be durable: an import's event may have overtaken it, and whoever
// went on from that would never hear of the alarm.
func (s *Store) Events(ctx context.Context, after int64, limit int) (events []acquire.Event, err error) {
	s.mu.Lock()
	rows, all := s.recent.from(after, limit)
	below := s.queue.settledBelow()
	s.mu.Unlock()
	if !all {
		events, err = s.Reader.Events(ctx, after, limit)
	}
	for i := 0; i < len(rows) && err == nil; i++ {
		events = append(events, rows[i].event())
	}
	if err != nil {
		return nil, err
	}
	if i := slices.IndexFunc(events, func(e acquire.Event) bool { return e.ID >= below }); i >= 0 {
		events = events[:i]
	}
	return events, nil
}
