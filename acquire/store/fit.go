package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"iter"
	"time"

	"ovenward/acquire/store/chunk"
)

// sized asks for pages that a chunk fits, on a file that is still empty.
func sized(ctx context.Context, c *sql.Conn) error {
	for _, p := range []string{fmt.Sprintf("PRAGMA page_size = %d", chunkPage), "PRAGMA auto_vacuum = INCREMENTAL"} {
		if _, err := c.ExecContext(ctx, p); err != nil {
			return fmt.Errorf("%s: %w", p, err)
		}
	}
	return nil
}

// fit converts what an older form of the record holds, and gives it pages that a
// chunk fits. Both go on where they were broken off.
func (w *writer) fit(ctx context.Context, c *sql.Conn) error {
	w.page = chunkPage
	if err := w.loadChain(ctx, c); err != nil {
		return err
	}
	if err := w.convert(ctx, c); err != nil {
		return err
	}
	var size, vacuum int
	if err := errors.Join(c.QueryRowContext(ctx, "PRAGMA page_size").Scan(&size), c.QueryRowContext(ctx, "PRAGMA auto_vacuum").Scan(&vacuum)); err != nil {
		return fmt.Errorf("look at the record's pages: %w", err)
	}
	if size != chunkPage || vacuum != 2 {
		if err := w.repage(ctx, c); err != nil {
			// It works with the pages that it has, only less dense.
			w.s.o.Log.Warn("the record keeps its small pages; it is tried again at the next start", "err", err)
			w.page = size
		}
	}
	return nil
}

// repage writes the file anew with pages of another size.
func (w *writer) repage(ctx context.Context, c *sql.Conn) error {
	for _, p := range []string{"PRAGMA journal_mode = DELETE", fmt.Sprintf("PRAGMA page_size = %d", chunkPage), "PRAGMA auto_vacuum = INCREMENTAL", "VACUUM"} {
		if _, err := c.ExecContext(ctx, p); err != nil {
			return errors.Join(fmt.Errorf("%s: %w", p, err), prepare(ctx, c, w.s.o.pragmas()...))
		}
	}
	return prepare(ctx, c, w.s.o.pragmas()...)
}

// convertRows is how many rows of before one transaction converts.
const convertRows = 20_000

// convert turns the rows of records before version 7 into chunks, and enters the
// events into the chain. It holds few rows in memory, and what is converted in a
// transaction is deleted in the same one.
func (w *writer) convert(ctx context.Context, c *sql.Conn) error {
	var there int
	if err := c.QueryRowContext(ctx, "SELECT count(*) FROM sqlite_schema WHERE name = 'samples_before'").Scan(&there); err != nil {
		return fmt.Errorf("look for samples to convert: %w", err)
	}
	if there == 0 {
		return nil
	}
	var posts []numbered
	err := each(ctx, c, "SELECT post, id FROM posts ORDER BY post", func(scan func(...any) error) error {
		var p numbered
		err := scan(&p.post, &p.id)
		posts = append(posts, p)
		return err
	})
	told := w.s.o.Now()
	done := 0
	step := func(f func() (int, error)) {
		for n := 1; n > 0 && err == nil; {
			if n, err = w.within(ctx, f); err == nil && w.s.o.Now().Sub(told) > 10*time.Second {
				told, done = w.s.o.Now(), done+n
				w.s.o.Log.Info("the record is brought to a denser form; the watch begins after it", "converted so far", done)
			} else {
				done += n
			}
		}
	}
	for _, p := range posts {
		step(func() (int, error) { return w.convertSome(ctx, p) })
	}
	step(func() (int, error) { return w.chainEvents(ctx) })
	if err == nil {
		_, err = w.within(ctx, func() (int, error) {
			_, err := c.ExecContext(ctx, "DROP TABLE samples_before; DROP TABLE units")
			return 0, err
		})
	}
	if err != nil {
		return fmt.Errorf("convert the samples of an older form: %w", err)
	}
	return nil
}

// within runs f in a transaction.
func (w *writer) within(ctx context.Context, f func() (int, error)) (n int, err error) {
	if err := w.begun(ctx); err != nil {
		return 0, err
	}
	defer func() {
		if err != nil {
			_, back := w.exec(ctx, "ROLLBACK")
			err = errors.Join(err, back)
		}
	}()
	if n, err = f(); err != nil {
		return 0, err
	}
	if err := w.headOfDay(ctx); err != nil {
		return 0, err
	}
	if err := w.s.o.Fault(StepMerge); err != nil {
		return 0, err
	}
	if _, err := w.exec(ctx, "COMMIT"); err != nil {
		return 0, err
	}
	w.chained()
	w.unfolded = true
	return n, nil
}

// convertSome converts the oldest rows of a post.
func (w *writer) convertSome(ctx context.Context, p numbered) (int, error) {
	var rows []chunk.Row
	err := each(ctx, w.conn, `SELECT seq, version, at_ns, at_u_ns, said, digits, ifnull(exp, 0), spelled, status, quality, ifnull(correction, 0), more
		FROM samples_before JOIN units USING (unit) WHERE post = ? ORDER BY seq LIMIT ?`, func(scan func(...any) error) error {
		var r chunk.Row
		var digits sql.NullInt64
		err := scan(&r.Seq, &r.Version, &r.At, &r.AtU, &r.Said, &digits, &r.Exp, &r.Unit, &r.Status, &r.Quality, &r.Correction, &r.More)
		r.HasValue, r.Digits = digits.Valid, digits.Int64
		rows = append(rows, r)
		return err
	}, p.post, w.s.o.converts)
	if err != nil || len(rows) == 0 {
		return 0, err
	}
	if err := w.mergePost(ctx, p.post, p.id, len(rows), eachOf(rows), false); err != nil {
		return 0, err
	}
	_, err = w.exec(ctx, "DELETE FROM samples_before WHERE post = ? AND seq <= ?", p.post, rows[len(rows)-1].Seq)
	return len(rows), err
}

// eachOf are rows one by one.
func eachOf(rows []chunk.Row) iter.Seq[*chunk.Row] {
	return func(yield func(*chunk.Row) bool) {
		for i := range rows {
			if !yield(&rows[i]) {
				return
			}
		}
	}
}

// chainEvents enters the oldest events that the chain lacks.
func (w *writer) chainEvents(ctx context.Context) (int, error) {
	var all []eventRow
	err := each(ctx, w.conn, selectEvents+"WHERE id > ifnull((SELECT max(ref) FROM chain WHERE kind = 'event'), 0) ORDER BY id LIMIT 1000",
		func(scan func(...any) error) error {
			var r eventRow
			err := r.scan(scan)
			all = append(all, r)
			return err
		})
	for i := range all {
		if err == nil {
			err = w.enter(ctx, chainEvent, all[i].id, all[i].hash())
		}
	}
	return len(all), err
}
