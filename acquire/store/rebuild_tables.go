package store

import (
	"bytes"
	"cmp"
	"context"
	"crypto/sha256"
	"database/sql"
	"errors"
	"fmt"
	"maps"
	"math"
	"os"
	"slices"
	"strings"

	"ovenward/acquire"
	"ovenward/acquire/alarm"
	"ovenward/acquire/store/chunk"
)

// tables copies what SQLite still reads of the plain tables, row by row.
func (b *rebuild) tables(ctx context.Context, s *Store, old *sql.DB) {
	names, err := plainTables(ctx, s.db)
	there, oerr := plainTables(ctx, old)
	if err = errors.Join(err, oerr); err != nil {
		b.out.Lost = append(b.out.Lost, err.Error())
	}
	for _, table := range names {
		if oerr == nil && !slices.Contains(there, table) {
			continue // a later form of the record has it
		}
		n, err := b.table(ctx, s, old, table)
		if err != nil {
			b.out.Lost = append(b.out.Lost, fmt.Sprintf("table %s: %d rows were read, not all: %v", table, n, err))
		}
		if table == "events" {
			b.out.Events = n
		}
	}
	var events int64 // the numbers that were told are not told again
	if old.QueryRowContext(ctx, "SELECT next_event FROM record").Scan(&events) == nil {
		_ = s.ask(ctx, "keep the next event's number", func(ctx context.Context, w *writer) error {
			w.s.mu.Lock()
			w.s.queue.nextEvent = max(w.s.queue.nextEvent, events)
			w.s.mu.Unlock()
			return nil
		})
	}
}

// plainTables returns the tables that a rebuilding copies row by row: all but those
// of samples, which are found in the pages, and of what is made of them.
func plainTables(ctx context.Context, q querier) (names []string, err error) {
	err = each(ctx, q, `SELECT name FROM sqlite_schema WHERE type = 'table' AND name NOT LIKE 'sqlite_%' AND name NOT IN
		('record', 'chunks', 'fragments', 'chain', 'days', 'rollups', 'set_aside') ORDER BY name`, func(scan func(...any) error) error {
		var name string
		err := scan(&name)
		names = append(names, name)
		return err
	})
	return names, err
}

// pages writes the pages that the broken record had set aside to a file of their
// own, to be looked through like the others.
func (b *rebuild) pages(ctx context.Context, old *sql.DB) {
	var all []byte
	var there int
	if old.QueryRowContext(ctx, "SELECT count(*) FROM sqlite_schema WHERE name = 'set_aside'").Scan(&there) == nil && there == 0 {
		return // an earlier form of the record has none
	}
	err := each(ctx, old, "SELECT data FROM set_aside ORDER BY aside", func(scan func(...any) error) error {
		var data []byte
		err := scan(&data)
		all = append(all, data...)
		return err
	})
	if len(all) > 0 {
		err = errors.Join(err, os.WriteFile(b.aside, all, 0o640))
	}
	if err != nil {
		b.out.Lost = append(b.out.Lost, fmt.Sprintf("pages that were set aside: %v", err))
	}
}

// numbers gives posts whose rows are lost the numbers that they had, by the versions that
// their samples name.
func (b *rebuild) numbers(ctx context.Context, s *Store) error {
	there, err := s.Posts(ctx)
	if err != nil {
		return err
	}
	files := map[string]*os.File{}
	defer func() {
		for _, f := range files {
			f.Close()
		}
	}()
	tried := map[int64]bool{}
	for i := range b.runs {
		r := &b.runs[i]
		if slices.Contains(there, r.post) {
			continue
		}
		rows, err := r.rows(files)
		if err != nil {
			return err
		}
		if len(rows) == 0 || tried[rows[0].Version] {
			continue
		}
		tried[rows[0].Version] = true
		if err := s.ask(ctx, "give post "+r.post+" its number", func(ctx context.Context, w *writer) error {
			res, err := w.exec(ctx, "INSERT OR IGNORE INTO posts (post, id) SELECT post, ? FROM post_versions WHERE version = ?", r.post, rows[0].Version)
			if err != nil {
				return err
			}
			n, err := res.RowsAffected()
			if n > 0 {
				there = append(there, r.post)
			}
			return err
		}); err != nil {
			return err
		}
	}
	return nil
}

// mostPosts is up to which number of a post chunks are looked for: each costs a look.
const mostPosts = 4096

// chunkNumbers gives posts whose versions are lost too the numbers that the ids of their
// chunks begin with: of the names in chunks of one number, that in most.
func (b *rebuild) chunkNumbers(ctx context.Context, s *Store, old *sql.DB) error {
	if err := b.postNames(ctx, s); err != nil {
		return err
	}
	has := map[string]bool{}
	for _, name := range b.names {
		has[name] = true
	}
	for post := range int32(mostPosts) {
		if b.names[int64(post)] != "" {
			continue
		}
		named := map[string]int{}
		first, last := chunkRange(post)
		_ = across(ctx, old, "SELECT id, data FROM chunks WHERE id BETWEEN ? AND ? AND data IS NOT NULL ORDER BY id", first, last, func(scan func(...any) error) (id int64, err error) {
			var data []byte
			var c chunk.Chunk
			if err = scan(&id, &data); err == nil && c.Open(data) == nil && !has[c.Post()] { // else it is a stray
				named[c.Post()]++
			}
			return id, err
		})
		if err := ctx.Err(); err != nil {
			return err
		}
		names := slices.SortedFunc(maps.Keys(named), func(x, y string) int { return cmp.Or(named[y]-named[x], strings.Compare(x, y)) })
		switch {
		case len(names) == 0:
			continue
		case len(names) > 1 && named[names[0]] == named[names[1]]:
			b.out.Lost = append(b.out.Lost, fmt.Sprintf("which post had number %d: as many of its chunks name %s as %s", post, names[0], names[1]))
			continue
		}
		has[names[0]] = true
		if err := s.ask(ctx, "give post "+names[0]+" its number", func(ctx context.Context, w *writer) error {
			_, err := w.exec(ctx, "INSERT OR IGNORE INTO posts (post, id) VALUES (?, ?)", post, names[0])
			return err
		}); err != nil {
			return err
		}
	}
	return b.postNames(ctx, s)
}

// postNames reads which post has which number in the new record.
func (b *rebuild) postNames(ctx context.Context, s *Store) error {
	b.names = map[int64]string{}
	return each(ctx, s.db, "SELECT post, id FROM posts", func(scan func(...any) error) error {
		var post int64
		var name string
		err := scan(&post, &name)
		b.names[post] = name
		return err
	})
}

// across calls f for each row of q whose id lies from first to last, rising, but for those
// in pages that cannot be read, and those that f does not take. f returns the row's id. The
// error is the first one met.
func across(ctx context.Context, from querier, q string, first, last int64, f func(scan func(...any) error) (id int64, err error)) (met error) {
	for at := first; at <= last; {
		begun := at
		err := each(ctx, from, q, func(scan func(...any) error) error {
			id, err := f(scan)
			at = max(at, id+1)
			return err
		}, at, last)
		if met = cmp.Or(met, err); err == nil || ctx.Err() != nil {
			return met
		}
		enough := errors.New("enough")
		reads := func(id int64) bool {
			err := each(ctx, from, q, func(func(...any) error) error { return enough }, id, last)
			return err == nil || err == enough
		}
		if at > begun && reads(at) {
			continue // it was f that did not take a row
		}
		// The next id from which on it can be read lies above at, and at or below good.
		step := int64(1)
		for at+step <= last && !reads(at+step) {
			step *= 2
		}
		good := min(at+step, last+1)
		for at += step / 2; good-at > 1; {
			if half := at + (good-at)/2; reads(half) {
				good = half
			} else {
				at = half
			}
		}
		at = good
	}
	return met
}

// removals reads what the broken record had removed on purpose, and of which post, by the
// numbers that those have in the new one. A row that its chain of hashes does not know so is
// damaged, and would leave out what was not removed.
func (b *rebuild) removals(ctx context.Context, old *sql.DB) error {
	b.gone = map[string][]chunk.Span{}
	v := &verifier{reader: newReader(old, "")}
	for post, name := range b.names {
		first, last := chunkRange(int32(post))
		_ = across(ctx, old, "SELECT id, from_seq, to_seq, samples, from_ns, to_ns, removed FROM chunks WHERE id BETWEEN ? AND ? AND state = 2 AND data IS NULL ORDER BY id", first, last, func(scan func(...any) error) (id int64, err error) {
			var fromSeq, toSeq, rows, from, to, event sql.NullInt64
			err = scan(&id, &fromSeq, &toSeq, &rows, &from, &to, &event)
			samples, serr := v.newest(ctx, chainChunk, id, math.MaxInt64)
			known, kerr := v.newest(ctx, chainRemoved, id, math.MaxInt64)
			if errors.Join(serr, kerr) == nil && samples != nil && known != nil {
				if sum := removedHash(samples, id, fromSeq.Int64, toSeq.Int64, rows.Int64, from.Int64, to.Int64, event.Int64); !bytes.Equal(known, sum[:]) {
					b.out.Lost = append(b.out.Lost, fmt.Sprintf("which samples of post %s were removed as chunk %d: what is found of them is kept", name, id&math.MaxUint32))
					return id, err
				}
			}
			if err == nil {
				b.gone[name] = append(b.gone[name], chunk.Span{FromSeq: fromSeq.Int64, ToSeq: toSeq.Int64})
			}
			return id, err
		})
	}
	return ctx.Err()
}

// events enters the events and rows that were copied into the chain, and writes
// those that stand in commits only.
func (b *rebuild) events(ctx context.Context, s *Store) error {
	for n := 1; n > 0; {
		if err := s.ask(ctx, "enter the events", func(ctx context.Context, w *writer) (err error) {
			n, err = w.chainEvents(ctx)
			return err
		}); err != nil {
			return err
		}
	}
	if err := s.ask(ctx, "enter the rows", func(ctx context.Context, w *writer) error { return w.chainRows(ctx) }); err != nil {
		return err
	}
	for _, id := range slices.Sorted(maps.Keys(b.tail)) {
		if err := s.ask(ctx, "write the events of a commit", func(ctx context.Context, w *writer) error {
			return w.otherAgain(ctx, b.tail[id])
		}); err != nil {
			return err
		}
	}
	return nil
}

// rows compares what was found, but for samples and sums, with what the chain of hashes of
// the broken record knows, as Verify does: the new one's chain begins with what is there.
func (b *rebuild) rows(ctx context.Context, s *Store, old *sql.DB) {
	v := &verifier{reader: newReader(old, ""), rows: s.db, gone: "was not found"}
	not := fmt.Sprintf("kind NOT IN ('%s', '%s', '%s', '%s')", chainChunk, chainRemoved, chainRollups, chainSigning)
	err := across(ctx, old, "SELECT entry, day, kind, ref, sha256 FROM chain WHERE entry BETWEEN ? AND ? AND "+not+" ORDER BY entry", 0, 1<<61, func(scan func(...any) error) (int64, error) {
		var e entryRow
		if err := scan(&e.entry, &e.day, &e.kind, &e.ref, &e.sum); err != nil {
			return e.entry, err
		}
		if e.kind == chainEvent {
			err := each(ctx, s.db, selectEvents+"WHERE id = ?", func(scan func(...any) error) error {
				e.event.Valid = true
				return e.ev.scan(scan)
			}, e.ref)
			if err != nil {
				return e.entry, err
			}
		}
		var sum [sha256.Size]byte
		copy(sum[:], e.sum)
		return e.entry, v.entry(ctx, &e, sum)
	})
	if err == nil {
		var there, last int64
		err = old.QueryRowContext(ctx, "SELECT count(*), max(ifnull(max(entry), 0), (SELECT ifnull(max(entry), 0) FROM days)) FROM chain").Scan(&there, &last)
		if err == nil && there < last {
			err = fmt.Errorf("%d of its %d entries are there", there, last)
		}
	}
	if err != nil {
		b.out.Lost = append(b.out.Lost, fmt.Sprintf("the chain of hashes, so that rows may be missing of which nothing is said: %v", err))
	}
	b.out.Rows, b.out.More, b.compared = v.rep.Problems, v.rep.More, err == nil
}

// groundAlarms gives alarms an event that says how they stood, where the one that
// said so is lost, and takes those that have one from it, those too whose row is lost.
func (w *writer) groundAlarms(ctx context.Context) error {
	var last []acquire.Event
	if err := each(ctx, w.conn, selectEvents+"WHERE id IN (SELECT max(id) FROM events WHERE json_valid(alarm) GROUP BY alarm ->> '$.post', alarm ->> '$.rule')", func(scan func(...any) error) error {
		e, err := scanEvent(scan)
		if e.Alarm != nil {
			last = append(last, e)
		}
		return err
	}); err != nil {
		return err
	}
	for _, e := range last {
		if _, err := w.exec(ctx, setAlarm, alarmArgs(e.Alarm.Alarm, e.ID)...); err != nil {
			return err
		}
	}
	all, err := readAlarms(ctx, w.conn)
	if err != nil {
		return err
	}
	for _, a := range all {
		var newest, now int64
		if err := w.conn.QueryRowContext(ctx, `SELECT ifnull((SELECT max(id) FROM events WHERE alarm IS NOT NULL
			AND CASE WHEN json_valid(alarm) THEN alarm ->> '$.post' = ?1 AND alarm ->> '$.rule' = ?2 END), 0), (SELECT event FROM alarms WHERE post = ?1 AND rule = ?2)`, a.Post, string(a.Rule)).Scan(&newest, &now); err != nil {
			return err
		}
		if newest == now {
			if _, err := w.exec(ctx, setAlarm, alarmArgs(a, now)...); err != nil { // it may be damaged
				return err
			}
			continue
		}
		w.s.mu.Lock()
		id := max(w.s.queue.nextEvent, now+1)
		w.s.queue.nextEvent = id + 1
		w.s.mu.Unlock()
		e := acquire.Event{ID: id, At: w.s.o.Now().UTC(), Post: a.Post, Kind: acquire.KindRecord,
			Text: fmt.Sprintf("the alarm %s stood as %q in the broken record; the event that said so is lost", a.Rule, a.State), Alarm: &alarm.Change{Alarm: a, From: a.State}}
		if a.State.Standing() {
			e.Alarm.Reason = alarm.Unread // people are told of it
		}
		if err := w.writeEvent(ctx, &e, &batch{}); err != nil {
			return err
		}
	}
	return nil
}

// table copies one table: all that can be read of it, behind pages that cannot too. Where
// its rows have no numbers that is from its begin and from its end.
func (b *rebuild) table(ctx context.Context, s *Store, old *sql.DB, table string) (n int64, err error) {
	var schema string
	if err := s.db.QueryRowContext(ctx, "SELECT sql FROM sqlite_schema WHERE name = ?", table).Scan(&schema); err != nil {
		return 0, err
	}
	c := copying{s: s, table: table}
	if c.names, err = columnNames(ctx, old, table); err != nil {
		return 0, err
	}
	plain := func(order string) error {
		err := each(ctx, old, "SELECT "+strings.Join(c.names, ", ")+" FROM "+table+order, func(scan func(...any) error) error {
			_, err := c.take(ctx, scan, false)
			return err
		})
		return errors.Join(err, c.flush(ctx))
	}
	err = plain("")
	switch {
	case err == nil || ctx.Err() != nil:
	case strings.Contains(schema, "WITHOUT ROWID"):
		_ = plain(" ORDER BY 1 DESC") // by its key
	default:
		_ = across(ctx, old, "SELECT rowid, "+strings.Join(c.names, ", ")+" FROM "+table+" WHERE rowid BETWEEN ? AND ? ORDER BY rowid", 0, 1<<61,
			func(scan func(...any) error) (id int64, err error) { return c.take(ctx, scan, true) })
		_ = c.flush(ctx)
	}
	return c.n, cmp.Or(err, c.unfit)
}

func columnNames(ctx context.Context, from querier, table string) ([]string, error) {
	rows, err := from.QueryContext(ctx, "SELECT * FROM "+table+" LIMIT 0")
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	return rows.Columns()
}

// copying is a table that is copied.
type copying struct {
	s     *Store
	table string
	names []string
	rows  [][]any // read, and not written yet
	n     int64   // that are new in the new record
	unfit error   // of the first row with what does not fit its column, which is left out
}

// take takes a row, and returns its number where that is the first column.
func (c *copying) take(ctx context.Context, scan func(...any) error, numbered bool) (id int64, err error) {
	row := make([]any, len(c.names))
	var into []any
	if numbered {
		into = append(into, &id)
	}
	for i := range row {
		into = append(into, &row[i])
	}
	if err := scan(into...); err != nil {
		return id, err
	}
	if c.rows = append(c.rows, row); len(c.rows) < 1000 {
		return id, nil
	}
	return id, c.flush(ctx)
}

// flush writes what was read.
func (c *copying) flush(ctx context.Context) error {
	rows := c.rows
	c.rows = nil
	insert := "INSERT OR IGNORE INTO " + c.table + " (" + strings.Join(c.names, ", ") + ") VALUES (?" + strings.Repeat(", ?", len(c.names)-1) + ")"
	var n int64
	err := c.s.ask(ctx, "copy "+c.table, func(ctx context.Context, w *writer) error {
		n = 0
		for _, row := range rows {
			res, err := w.exec(ctx, insert, row...)
			if class := code(err) & 0xff; class == codeConstraint || class == codeMismatch {
				c.unfit = cmp.Or(c.unfit, err)
				continue
			}
			if err != nil {
				return err
			}
			added, err := res.RowsAffected()
			if err != nil {
				return err
			}
			n += added
		}
		return nil
	})
	c.n += n
	return err
}
