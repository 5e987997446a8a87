package store

import (
	"cmp"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"os"
	"slices"
	"strings"
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
