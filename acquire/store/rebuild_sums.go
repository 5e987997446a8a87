package store

import (
	"context"
	"database/sql"
	"fmt"
	"maps"
	"math"
	"slices"
)

// oldSums keeps sums of samples that are there no longer: those that the samples
// that were found do not give.
func (b *rebuild) oldSums(ctx context.Context, s *Store, old *sql.DB) {
	type blob struct {
		id   int64
		data []byte
	}
	var all []blob
	nameless := map[int64]bool{}
	err := across(ctx, old, "SELECT id, data FROM rollups WHERE id BETWEEN ? AND ? AND id & 2147483647 <> 2147483647 ORDER BY id", 0, 1<<61, func(scan func(...any) error) (int64, error) {
		var x blob
		if err := scan(&x.id, &x.data); err != nil {
			return x.id, err
		}
		if post := x.id >> 32; b.names[post] == "" { // another post may have the number now
			nameless[post] = true
			return x.id, nil
		}
		all = append(all, x)
		return x.id, nil
	})
	for _, post := range slices.Sorted(maps.Keys(nameless)) {
		b.out.Lost = append(b.out.Lost, fmt.Sprintf("which post had number %d, whose sums are left out", post))
	}
	if err != nil {
		b.out.Lost = append(b.out.Lost, fmt.Sprintf("sums of samples that were removed: %v", err))
	}
	var first map[int64]int64
	if err := s.ask(ctx, "look which sums the samples give", func(ctx context.Context, w *writer) (err error) {
		first, err = w.firstSums(ctx)
		return err
	}); err != nil {
		b.out.Lost = append(b.out.Lost, err.Error())
		return
	}
	for len(all) > 0 {
		n := min(len(all), 200)
		err := s.ask(ctx, "keep sums of samples that were removed", func(ctx context.Context, w *writer) error {
			for _, x := range all[:n] {
				bound, given := first[x.id>>31]
				if given && x.id > bound {
					continue
				}
				if err := w.addSums(ctx, x.id, x.data, bound); err != nil {
					return err
				}
			}
			return nil
		})
		if err != nil {
			b.out.Lost = append(b.out.Lost, err.Error())
			return
		}
		all = all[n:]
	}
}

// firstSums returns the lowest id of sums of each post and level.
func (w *writer) firstSums(ctx context.Context) (map[int64]int64, error) {
	first := map[int64]int64{}
	err := each(ctx, w.conn, "SELECT id >> 31, min(id) FROM rollups WHERE id & 2147483647 <> 2147483647 GROUP BY 1", func(scan func(...any) error) error {
		var level, id int64
		err := scan(&level, &id)
		first[level] = id
		return err
	})
	return first, err
}

// underway returns the place of the sums of a level that are not kept yet.
func (w *writer) underway(ctx context.Context, id int64) (int64, error) {
	st, err := w.rollOf(ctx, int32(id>>32))
	if err != nil {
		return 0, err
	}
	cur, width := &st.Cur, nsMinute
	if id>>31&1 == perHour {
		cur, width = &st.CurHour, nsHour
	}
	if place, _, ok := cur.get(width); ok {
		return place, nil
	}
	return math.MaxInt64, nil
}

// addSums adds the entries of a blob from before up to the first that the samples
// give, which it takes the place of: that one may lack samples that were removed.
func (w *writer) addSums(ctx context.Context, id int64, data []byte, bound int64) error {
	slots, width := int64(slotMinutes), nsMinute
	if id>>31&1 == perHour {
		slots, width = slotHours, nsHour
	}
	var there []byte
	if bound == id {
		if err := w.conn.QueryRowContext(ctx, "SELECT data FROM rollups WHERE id = ?", id).Scan(&there); err != nil {
			return err
		}
	}
	end, err := w.underway(ctx, id)
	if err != nil {
		return err
	}
	first := id & math.MaxInt32 * slots
	var blob []byte
	before, line := first, [2]float64{math.NaN(), math.NaN()}
	add := func(place int64, e *entry) {
		blob = appendEntry(blob, place, e, before, &line, width)
		before = place
	}
	var known []placed
	if err := readEntries(there, first, width, func(place int64, e *entry) { known = append(known, placed{place, *e}) }); err != nil {
		return err
	}
	if len(known) > 0 {
		end = min(end, known[0].place+1)
	}
	if readEntries(data, first, width, func(place int64, e *entry) {
		if place < end {
			add(place, e)
		}
	}) != nil {
		return nil // damaged: what was found of the samples stands
	}
	for i := range known {
		if known[i].place != before || len(blob) == 0 {
			add(known[i].place, &known[i].entry)
		}
	}
	if _, err = w.exec(ctx, putRollup, id, blob); err != nil {
		return err
	}
	var later int
	if err := w.conn.QueryRowContext(ctx, "SELECT count(*) FROM rollups WHERE id > ? AND id < ?", id, id|stateSlot).Scan(&later); err != nil {
		return err
	}
	if later == 0 {
		return w.sumsInChain(ctx, id&^math.MaxInt32, id, true)
	}
	return w.enterRollup(ctx, id)
}
