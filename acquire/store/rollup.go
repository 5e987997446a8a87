package store

import (
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"iter"
	"maps"
	"math"
	"slices"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/store/chunk"
)

// Sums over whole minutes and hours of UTC are kept in blobs of some of them,
// in the table rollups: level 0 holds minutes, level 1 hours. The one at the
// last slot of level 0 is the state from which the next sums go on, as JSON.
const (
	perMinute = 0
	perHour   = 1
	// slotMinutes and slotHours are how many one blob holds.
	slotMinutes = 120
	slotHours   = 192
	stateSlot   = 1<<31 - 1
)

func rollID(post int32, level, slot int64) int64 {
	return int64(post)<<32 | level<<31 | slot
}

// roll is where the sums of a post stand: what of the minute and the hour under
// way is summed, and the last sample.
type roll struct {
	Minute, Hour   int64 // places; those before are kept
	Cur, CurHour   entryState
	HasLast        bool
	At, Hold       int64
	Quality        acquire.Quality
	S              *float64
	Straight       bool
	Factor, Offset float64
	Digits         int64
	minutes, hours []placed // to keep
}

// placed is an entry and its place.
type placed struct {
	place int64
	entry
}

// entryState is an entry as JSON holds it; nothing in it is not a number.
type entryState struct {
	Used bool
	Blob []byte
}

func (s *entryState) set(place int64, e *entry, width int64) {
	*s = entryState{Used: true, Blob: appendEntry(nil, place, e, 0, &[2]float64{math.NaN()}, width)}
}

func (s *entryState) get(width int64) (place int64, e entry, ok bool) {
	err := readEntries(s.Blob, 0, width, func(p int64, got *entry) { place, e = p, *got })
	return place, e, s.Used && err == nil
}

const (
	nsMinute = int64(time.Minute)
	nsHour   = int64(time.Hour)
)

// rollUp adds rows of a post to its sums, in the open transaction.
func (w *writer) rollUp(ctx context.Context, post int32, rows iter.Seq[*chunk.Row]) error {
	st, err := w.rollOf(ctx, post)
	if err != nil {
		return err
	}
	t := tally{width: nsMinute, emit: func(place int64, e *entry) { st.minute(place, e) }}
	st.into(&t)
	rd := rowReader{lines: w.lines(), hold: w.holdOf(ctx)}
	for row := range rows {
		r, err := rd.read(ctx, row)
		if err != nil {
			return err
		}
		t.add(&r)
	}
	st.from(&t)
	if err := w.keepEntries(ctx, post, perMinute, slotMinutes, nsMinute, st.minutes); err != nil {
		return err
	}
	if err := w.keepEntries(ctx, post, perHour, slotHours, nsHour, st.hours); err != nil {
		return err
	}
	st.minutes, st.hours = nil, nil
	text, err := json.Marshal(st)
	if err != nil {
		return fmt.Errorf("keep the sums under way: %w", err)
	}
	_, err = w.exec(ctx, putRollup, rollID(post, perMinute, stateSlot), text)
	return err
}

const putRollup = "INSERT INTO rollups (id, data) VALUES (?, ?) ON CONFLICT DO UPDATE SET data = excluded.data"

// minute takes a minute that is over.
func (st *roll) minute(place int64, e *entry) {
	st.minutes = append(st.minutes, placed{place, *e})
	hour := floorDiv(place, 60)
	at, cur, ok := st.CurHour.get(nsHour)
	if ok && at != hour {
		st.hours = append(st.hours, placed{at, cur})
		ok = false
	}
	if !ok {
		cur = entry{Sums: emptySums()}
	}
	cur.merge(e)
	st.CurHour.set(hour, &cur, nsHour)
}

// into makes t go on where the sums stand.
func (st *roll) into(t *tally) {
	if place, e, ok := st.Cur.get(nsMinute); ok {
		t.place, t.cur, t.begun = place, e, true
	}
	if t.has = st.HasLast; t.has {
		t.last = reading{at: st.At, quality: st.Quality, s: math.NaN(), hold: st.Hold, straight: st.Straight, factor: st.Factor, offset: st.Offset, digits: st.Digits}
		if st.S != nil {
			t.last.s = *st.S
		}
	}
}

// from keeps where t stands.
func (st *roll) from(t *tally) {
	st.Cur = entryState{}
	if t.begun {
		st.Cur.set(t.place, &t.cur, nsMinute)
		st.Minute = t.place
	}
	r := &t.last
	st.HasLast, st.At, st.Hold, st.Quality, st.S = t.has, r.at, r.hold, r.quality, nil
	st.Straight, st.Factor, st.Offset, st.Digits = r.straight, r.factor, r.offset, r.digits
	if !math.IsNaN(r.s) {
		s := r.s
		st.S = &s
	}
}

// rollOf returns where the sums of a post stand.
func (w *writer) rollOf(ctx context.Context, post int32) (*roll, error) {
	var text []byte
	err := w.conn.QueryRowContext(ctx, "SELECT data FROM rollups WHERE id = ?", rollID(post, perMinute, stateSlot)).Scan(&text)
	if err == sql.ErrNoRows {
		return &roll{}, nil
	}
	st := &roll{}
	if err == nil {
		err = json.Unmarshal(text, st)
	}
	if err != nil {
		return nil, fmt.Errorf("read the sums under way: %w", err)
	}
	return st, nil
}

// keepEntries adds sums behind those that are kept.
func (w *writer) keepEntries(ctx context.Context, post int32, level, slots, width int64, all []placed) error {
	for len(all) > 0 {
		slot := floorDiv(all[0].place, slots)
		n := 0
		for n < len(all) && floorDiv(all[n].place, slots) == slot {
			n++
		}
		if slot < 0 || slot >= stateSlot { // before 1970, or never
			all = all[n:]
			continue
		}
		var blob, old []byte
		before, line := slot*slots, [2]float64{math.NaN(), math.NaN()}
		id := rollID(post, level, slot)
		err := w.conn.QueryRowContext(ctx, "SELECT data FROM rollups WHERE id = ?", id).Scan(&old)
		if err != nil && err != sql.ErrNoRows {
			return fmt.Errorf("read sums: %w", err)
		}
		err = readEntries(old, before, width, func(place int64, e *entry) {
			blob = appendEntry(blob, place, e, before, &line, width)
			before = place
		})
		if err != nil {
			w.s.o.Log.Warn("sums in the record are damaged", "post", w.s.nameOf(post), "err", err)
		}
		for i := range all[:n] {
			blob = appendEntry(blob, all[i].place, &all[i].entry, before, &line, width)
			before = all[i].place
		}
		if _, err := w.exec(ctx, putRollup, id, blob); err != nil {
			return err
		}
		if err := w.sumsInChain(ctx, rollID(post, level, 0), id, old == nil); err != nil {
			return err
		}
		all = all[n:]
	}
	return nil
}

// sumsInChain enters the blob before a new one of a post and level, to which
// nothing more is added; and one that was entered and grew all the same again.
func (w *writer) sumsInChain(ctx context.Context, first, id int64, isNew bool) error {
	var before, entered sql.NullInt64
	if isNew {
		if err := w.conn.QueryRowContext(ctx, "SELECT max(id) FROM rollups WHERE id >= ? AND id < ?", first, id).Scan(&before); err != nil {
			return fmt.Errorf("enter sums into the chain: %w", err)
		}
	}
	if err := w.conn.QueryRowContext(ctx, "SELECT max(entry) FROM chain WHERE kind = 'rollups' AND ref = ?", id).Scan(&entered); err != nil {
		return fmt.Errorf("enter sums into the chain: %w", err)
	}
	if before.Valid {
		if err := w.enterRollup(ctx, before.Int64); err != nil {
			return err
		}
	}
	if entered.Valid {
		return w.enterRollup(ctx, id)
	}
	return nil
}

// retainSums chooses sums that are not to be kept any longer.
func (w *writer) retainSums(ctx context.Context, names map[int32]string, now time.Time) error {
	age := w.s.o.Retention.Rollups
	if age <= 0 {
		return nil
	}
	minute := now.Add(-age).Unix() / 60
	r := removal{text: fmt.Sprintf("sums over minutes and hours older than %s were removed", age)}
	for _, post := range slices.Sorted(maps.Keys(names)) {
		for _, s := range [][2]int64{{rollID(post, perMinute, 0), rollID(post, perMinute, max(0, minute/slotMinutes))},
			{rollID(post, perHour, 0), rollID(post, perHour, max(0, minute/60/slotHours))}} {
			var n int
			if err := w.conn.QueryRowContext(ctx, "SELECT count(*) FROM rollups WHERE id >= ? AND id < ?", s[0], s[1]).Scan(&n); err != nil {
				return fmt.Errorf("look for old sums: %w", err)
			}
			if n > 0 {
				r.sums = append(r.sums, s)
			}
		}
	}
	if len(r.sums) > 0 {
		w.removals = append(w.removals, r)
	}
	return nil
}

// removeSums removes the sums with ids from first on and before end, in the open
// transaction. That they are gone enters the chain, as a hash of zeros.
func (w *writer) removeSums(ctx context.Context, first, end int64) error {
	var ids []int64
	err := each(ctx, w.conn, "DELETE FROM rollups WHERE id >= ? AND id < ? RETURNING id", func(scan func(...any) error) error {
		var id int64
		err := scan(&id)
		ids = append(ids, id)
		return err
	}, first, end)
	for _, id := range ids {
		if err == nil {
			err = w.enter(ctx, chainRollups, id, [sha256.Size]byte{})
		}
	}
	if err != nil {
		return fmt.Errorf("remove sums: %w", err)
	}
	return nil
}

// lines returns what makes W/m² of digits, on the writer's own connection.
func (w *writer) lines() *Reader {
	if w.reader == nil {
		w.reader = newReader(nil, w.s.dir)
	}
	w.reader.from = w.conn
	return w.reader
}

// holdOf returns how long a sample of a version of its post holds: its stale
// time; not at all where that is not known.
func (w *writer) holdOf(ctx context.Context) func(version int64) int64 {
	return func(version int64) int64 {
		hold, ok := w.holds[version]
		if !ok {
			hold, _ = holdIn(ctx, w.conn, version)
			if w.holds == nil {
				w.holds = map[int64]int64{}
			}
			w.holds[version] = hold
		}
		return hold
	}
}

// holdIn is what holdOf gives; lost says that there is no such version.
func holdIn(ctx context.Context, q querier, version int64) (hold int64, lost bool) {
	var stale sql.NullFloat64
	if err := q.QueryRowContext(ctx, "SELECT stale_s FROM post_versions WHERE version = ?", version).Scan(&stale); err != nil {
		return 0, errors.Is(err, sql.ErrNoRows)
	}
	return int64(stale.Float64 * 1e9), false
}

// rowReader makes readings of rows.
type rowReader struct {
	lines *Reader
	hold  func(version int64) int64

	kind chunk.Kind
	line line
	held int64
	lost bool // the correction of the newest value is
}

func (rd *rowReader) read(ctx context.Context, row *chunk.Row) (reading, error) {
	k := chunk.Kind{AtU: rd.kind.AtU, HasValue: row.HasValue, Exp: row.Exp, Status: row.Status, Quality: row.Quality, Unit: row.Unit,
		Version: row.Version, Correction: row.Correction}
	if k != rd.kind || !rd.line.made {
		var err error
		if rd.line, err = rd.lines.line(ctx, &k); err != nil {
			return reading{}, err
		}
		rd.kind, rd.held = k, rd.hold(row.Version)
	}
	r := reading{at: row.At, quality: acquire.Quality(row.Quality), hold: rd.held, s: math.NaN()}
	if rd.lost = false; rd.line.straight {
		r.straight, r.factor, r.offset, r.digits = true, rd.line.factor, rd.line.offset, row.Digits
		r.s = rd.line.factor*float64(row.Digits) + rd.line.offset
		return r, nil
	}
	s, err := rd.lines.whole(ctx, row)
	s.TakeIndicated()
	r.s, r.quality, rd.lost = float64(s.S), s.Quality, s.lost && s.HasValue()
	return r, err
}
