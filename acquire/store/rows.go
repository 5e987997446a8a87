package store

import (
	"cmp"
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/binary"
	"errors"
	"fmt"
	"math"
)

// The kinds of entries of the chain beside chunks, events and rows.
const (
	chainRemoved = "removed"
	chainRollups = "rollups"
	chainSigning = "signing"
)

// rowTable is a table whose rows never change, and what numbers them: a column, or an
// expression that has an index. final is the condition of those that do not change any
// more; empty: all.
// Whoever writes one calls enterRow in the same transaction.
type rowTable struct{ name, key, final string }

// unchained picks the rows that should be in the chain and are not.
func (t rowTable) unchained() string {
	return fmt.Sprintf("SELECT %[2]s FROM %[1]s WHERE %[2]s NOT IN (SELECT ref FROM chain WHERE kind = '%[1]s') AND (%[3]s) ORDER BY 1", t.name, t.key, cmp.Or(t.final, "true"))
}

func rowTables() []rowTable {
	return []rowTable{{name: "posts", key: "post"}, {name: "certificates", key: "certificate"}, {name: "post_versions", key: "version"}, {name: "corrections", key: "correction"},
		{name: "told", key: "told"}, {name: "evidence", key: "evidence"}, {name: "soaks", key: "number"}, {name: "soak_marks", key: "mark"},
		{name: "surveys", key: "survey", final: surveyOver}, {name: "survey_steps", key: "(survey << 32 | n)"}, {name: "survey_places", key: "(survey << 32 | n)"},
		{name: "ovens", key: "version"}, {name: "probes", key: "version"}, {name: "probe_certificates", key: "version"}, {name: "oven_tests", key: "test"}}
}

func rowTableOf(kind string) (rowTable, bool) {
	for _, t := range rowTables() {
		if t.name == kind {
			return t, true
		}
	}
	return rowTable{}, false
}

// rowHash is SHA-256 of a row: of each column that is not at its default, in the
// order of their names: the length of its name as 8 bytes, low byte first, and the
// name; then 'i' and the number as 8 bytes, 'r' and the 8 bytes of the float, or
// 't' or 'b', the length as 8 bytes, and the text or the blob. So a column that a
// later form of the record adds changes no hash.
func rowHash(ctx context.Context, q querier, t rowTable, ref int64) (sum [sha256.Size]byte, err error) {
	names, usual, err := columnsIn(ctx, q, t.name)
	if err != nil {
		return sum, err
	}
	values, err := valuesOf(ctx, q, t, ref, len(names))
	if err != nil {
		return sum, err
	}
	return hashOf(names, usual, values)
}

// hashOf is rowHash of what columnsIn and valuesOf return.
func hashOf(names []string, usual []sql.NullString, values []any) (sum [sha256.Size]byte, err error) {
	h := sha256.New()
	number := func(n uint64) { h.Write(binary.LittleEndian.AppendUint64(nil, n)) }
	for i, name := range names {
		v := values[i]
		if v == nil && !usual[i].Valid || usual[i].Valid && v != nil && usual[i].String == fmt.Sprint(v) {
			continue
		}
		number(uint64(len(name)))
		h.Write([]byte(name))
		switch v := v.(type) {
		case nil:
			h.Write([]byte{'n'})
		case int64:
			h.Write([]byte{'i'})
			number(uint64(v))
		case float64:
			h.Write([]byte{'r'})
			number(math.Float64bits(v))
		case string:
			h.Write([]byte{'t'})
			number(uint64(len(v)))
			h.Write([]byte(v))
		case []byte:
			h.Write([]byte{'b'})
			number(uint64(len(v)))
			h.Write(v)
		default:
			return sum, fmt.Errorf("column %s holds a %T", name, v)
		}
	}
	h.Sum(sum[:0])
	return sum, nil
}

// columnsIn returns the columns of a table by name, and their defaults.
func columnsIn(ctx context.Context, q querier, table string) (names []string, usual []sql.NullString, err error) {
	err = each(ctx, q, "SELECT name, trim(dflt_value, '''') FROM pragma_table_info(?) ORDER BY name", func(scan func(...any) error) error {
		var name string
		var d sql.NullString
		err := scan(&name, &d)
		names, usual = append(names, name), append(usual, d)
		return err
	}, table)
	return names, usual, err
}

// valuesOf returns the columns of a row in the order of their names;
// sql.ErrNoRows when it is not there.
func valuesOf(ctx context.Context, q querier, t rowTable, ref int64, n int) ([]any, error) {
	var list string
	err := q.QueryRowContext(ctx, "SELECT group_concat('\"' || name || '\"', ', ' ORDER BY name) FROM pragma_table_info(?)", t.name).Scan(&list)
	if err != nil {
		return nil, err
	}
	values, to := make([]any, n), make([]any, n)
	for i := range values {
		to[i] = &values[i]
	}
	err = q.QueryRowContext(ctx, "SELECT "+list+" FROM "+t.name+" WHERE "+t.key+" = ?", ref).Scan(to...)
	return values, err
}

// enterRow enters a row that was just written into the chain, in the open
// transaction.
func (w *writer) enterRow(ctx context.Context, table string, ref int64) error {
	t, ok := rowTableOf(table)
	if !ok {
		return fmt.Errorf("rows of table %s may change, and enter no chain", table)
	}
	sum, err := rowHash(ctx, w.conn, t, ref)
	if err != nil {
		return fmt.Errorf("make the hash of a row of %s: %w", table, err)
	}
	return w.enter(ctx, table, ref, sum)
}

// removedHash is SHA-256 of what is left of a chunk that was removed on purpose:
// the hash of its samples, then its id, numbers, count, instants, and the number
// of the event that tells of it, 8 bytes each, low byte first.
func removedHash(samples []byte, id, fromSeq, toSeq, rows, from, to, event int64) [sha256.Size]byte {
	b := append([]byte(nil), samples...)
	for _, n := range []int64{id, fromSeq, toSeq, rows, from, to, event} {
		b = binary.LittleEndian.AppendUint64(b, uint64(n))
	}
	return sha256.Sum256(b)
}

// enterRemoved enters the removal of a chunk whose row says so already.
func (w *writer) enterRemoved(ctx context.Context, id int64) error {
	var samples []byte
	var fromSeq, toSeq, rows, from, to int64
	var event sql.NullInt64
	err := w.conn.QueryRowContext(ctx, `SELECT h.sha256, c.from_seq, c.to_seq, c.samples, c.from_ns, c.to_ns, c.removed
		FROM chunks AS c JOIN chain AS h ON h.kind = 'chunk' AND h.ref = c.id WHERE c.id = ? AND c.state = 2 ORDER BY h.entry DESC LIMIT 1`, id).
		Scan(&samples, &fromSeq, &toSeq, &rows, &from, &to, &event)
	if errors.Is(err, sql.ErrNoRows) {
		return nil // nobody vouched for it, and nobody does now
	}
	if err != nil {
		return fmt.Errorf("enter a removal into the chain: %w", err)
	}
	return w.enter(ctx, chainRemoved, id, removedHash(samples, id, fromSeq, toSeq, rows, from, to, event.Int64))
}

// enterRollup enters a blob of sums to which nothing more is added.
func (w *writer) enterRollup(ctx context.Context, id int64) error {
	var data []byte
	err := w.conn.QueryRowContext(ctx, "SELECT data FROM rollups WHERE id = ?", id).Scan(&data)
	if errors.Is(err, sql.ErrNoRows) {
		return nil
	}
	if err != nil {
		return fmt.Errorf("enter sums into the chain: %w", err)
	}
	return w.enter(ctx, chainRollups, id, sha256.Sum256(data))
}

// chainBefore enters what an older form of the record left out of the chain, as
// it was found when it was brought to this form.
func (w *writer) chainBefore(ctx context.Context, c *sql.Conn) error {
	var there int
	if err := c.QueryRowContext(ctx, "SELECT count(*) FROM sqlite_schema WHERE name = 'chain_before'").Scan(&there); err != nil || there == 0 {
		return err
	}
	for n := 1; n > 0; {
		var err error
		if n, err = w.within(ctx, func() (int, error) { return w.chainSome(ctx) }); err != nil {
			return fmt.Errorf("enter what is there into the chain of hashes: %w", err)
		}
	}
	if _, err := c.ExecContext(ctx, "DROP TABLE chain_before"); err != nil {
		return fmt.Errorf("end the entering into the chain of hashes: %w", err)
	}
	return nil
}

// chainSome enters some of what chain_before lists.
func (w *writer) chainSome(ctx context.Context) (int, error) {
	type item struct {
		row, ref int64
		kind     string
	}
	var all []item
	err := each(ctx, w.conn, "SELECT rowid, kind, ref FROM chain_before ORDER BY rowid LIMIT 1000", func(scan func(...any) error) error {
		var i item
		err := scan(&i.row, &i.kind, &i.ref)
		all = append(all, i)
		return err
	})
	if err != nil || len(all) == 0 {
		return 0, err
	}
	for _, i := range all {
		switch i.kind {
		case chainRemoved:
			err = w.enterRemoved(ctx, i.ref)
		case chainRollups:
			err = w.enterRollup(ctx, i.ref)
		default:
			err = w.enterRow(ctx, i.kind, i.ref)
		}
		if err != nil {
			return 0, err
		}
	}
	_, err = w.exec(ctx, "DELETE FROM chain_before WHERE rowid <= ?", all[len(all)-1].row)
	return len(all), err
}

// chainRows enters rows that the chain lacks: those that a rebuilding copied.
func (w *writer) chainRows(ctx context.Context) error {
	for _, t := range rowTables() {
		var refs []int64
		err := each(ctx, w.conn, t.unchained(), func(scan func(...any) error) error {
			var ref int64
			err := scan(&ref)
			refs = append(refs, ref)
			return err
		})
		for _, ref := range refs {
			if err == nil {
				err = w.enterRow(ctx, t.name, ref)
			}
		}
		if err != nil {
			return err
		}
	}
	return nil
}
