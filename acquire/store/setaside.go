package store

import (
	"bytes"
	"context"
	"crypto/sha256"
	"database/sql"
	"errors"
	"fmt"
	"math"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/store/chunk"
)

// A leaf of chunks or fragments that SQLite cannot read would keep all that is
// new from being merged, or even committed, for good. So it is set aside: its
// bytes go to a table of their own, a leaf that can be read takes its place, and
// what its bytes still hold is put back. What they do not is named.

// mended says what came of it, for events once it is committed.
type mended struct {
	events []acquire.Event
	pages  int
	last   map[int32]mark // how far the posts are known to be recorded
}

// mend sets the damaged leaves of chunks and fragments aside, and puts back what
// they still hold, on another connection: one that has read a page keeps what it
// made of it. It says how many there were.
func (w *writer) mend(ctx context.Context, last map[int32]mark) (mended, error) {
	switch n, err := w.within(ctx, func() (int, error) { return w.setAside(ctx) }); {
	case err != nil:
		return mended{}, fmt.Errorf("set damaged pages of the record aside: %w; ovenward verify --rebuild makes a new record of what it holds", err)
	case n == 0:
		return mended{}, nil
	}
	return w.putAllBack(ctx, last)
}

// putAllBack puts back what pages that were set aside still hold.
func (w *writer) putAllBack(ctx context.Context, last map[int32]mark) (m mended, err error) {
	w.drop()
	if err = w.reconnect(ctx); err == nil {
		_, err = w.within(ctx, func() (int, error) {
			m = mended{}
			return 0, w.restoreAside(ctx, last, &m)
		})
	}
	if err != nil {
		return mended{}, fmt.Errorf("put back what damaged pages of the record held: %w", err)
	}
	return m, nil
}

// setAside replaces the damaged leaves.
func (w *writer) setAside(ctx context.Context) (n int, err error) {
	p, err := newPager(ctx, w.conn)
	if err != nil {
		return 0, err
	}
	for _, table := range []string{"chunks", "fragments"} {
		bad, err := w.damagedLeaves(ctx, p, table)
		if err != nil {
			return 0, err
		}
		for _, l := range bad {
			if err := w.replace(ctx, p, table, l); err != nil {
				return 0, err
			}
		}
		n += len(bad)
	}
	return n, nil
}

// damagedLeaves returns the leaves of a table that cannot be read.
func (w *writer) damagedLeaves(ctx context.Context, p *pager, table string) (bad []leaf, err error) {
	err = p.leaves(ctx, table, func(l leaf) error {
		b, err := p.read(ctx, l.page)
		if err != nil {
			return err
		}
		keys, ok := p.rowsOf(b, l)
		for _, key := range keys {
			if !ok {
				break
			}
			var id int64
			var data []byte
			err := w.conn.QueryRowContext(ctx, "SELECT id, data FROM "+table+" WHERE id = ?", key).Scan(&id, &data)
			if err != nil && !corrupt(err) && !errors.Is(err, sql.ErrNoRows) {
				return err
			}
			ok = err == nil && id == key
		}
		if !ok {
			bad = append(bad, l)
		}
		return nil
	})
	return bad, err
}

// replace replaces one leaf.
func (w *writer) replace(ctx context.Context, p *pager, table string, l leaf) error {
	if above, err := p.isAbove(ctx, l.page); err != nil || above {
		return errors.Join(err, errNoLeaf)
	}
	old, err := p.read(ctx, l.page)
	if err != nil {
		return err
	}
	// from_seq, to_seq, samples, from_ns, to_ns, state, and no removed, no data; or an empty blob.
	types := []byte{0, 6, 6, 6, 6, 6, 6, 0, 0}
	if table == "fragments" {
		types = []byte{0, 12}
	}
	page, key := p.placeholder(len(old), l, types)
	if _, err := w.exec(ctx, "INSERT INTO set_aside (at_ns, page, tab, lo, hi, row, root, done, data) VALUES (?, ?, ?, ?, ?, ?, ?, 0, ?)",
		nanos(w.s.o.Now()), l.page, table, l.lo, l.hi, key, l.root, old); err != nil {
		return err
	}
	_, err = w.exec(ctx, "UPDATE sqlite_dbpage SET data = ? WHERE pgno = ?", page, l.page)
	return err
}

// restoreAside puts back what each page still holds.
func (w *writer) restoreAside(ctx context.Context, last map[int32]mark, m *mended) error {
	type aside struct {
		leaf
		id, key int64
		table   string
		data    []byte
	}
	var all []aside
	err := each(ctx, w.conn, "SELECT aside, page, tab, lo, hi, row, root, data FROM set_aside WHERE done = 0 ORDER BY aside", func(scan func(...any) error) error {
		var a aside
		err := scan(&a.id, &a.page, &a.table, &a.lo, &a.hi, &a.key, &a.root, &a.data)
		all = append(all, a)
		return err
	})
	if err != nil {
		return err
	}
	for _, a := range all { // the rows that stood in go first: they are none
		if !a.root {
			if _, err := w.exec(ctx, "DELETE FROM "+a.table+" WHERE id = ?", a.key); err != nil {
				return err
			}
		}
	}
	for _, a := range all {
		if a.table == "fragments" {
			err = w.refragment(ctx, a.leaf, a.data, m)
		} else {
			err = w.rechunk(ctx, a.leaf, a.data, m)
		}
		if err != nil {
			return err
		}
	}
	if m.pages = len(all); m.pages == 0 {
		return nil
	}
	if err := w.nameGaps(ctx, last, m); err != nil {
		return err
	}
	_, err = w.exec(ctx, "UPDATE set_aside SET done = 1 WHERE done = 0")
	return err
}

func (m *mended) tell(w *writer, post, format string, args ...any) {
	m.events = append(m.events, acquire.Event{At: w.s.o.Now().UTC(), Post: post, Kind: acquire.KindRecord, Text: fmt.Sprintf(format, args...)})
}

// refragment puts back the commits that a page of fragments still holds.
func (w *writer) refragment(ctx context.Context, l leaf, old []byte, m *mended) error {
	n := 0
	var err error
	scanFragments(old, func(f fragment, whole []byte) {
		id := f.commit*partsOfCommit + int64(f.part)
		if err != nil || id <= l.lo || id > l.hi {
			return
		}
		n++
		_, err = w.exec(ctx, "INSERT OR REPLACE INTO fragments (id, data) VALUES (?, ?)", id, bytes.Clone(whole))
	})
	if err != nil {
		return err
	}
	after, before := "the first", "the newest"
	if l.lo != math.MinInt64 {
		after = fmt.Sprint(l.lo / partsOfCommit)
	}
	if l.hi != math.MaxInt64 {
		before = fmt.Sprint(l.hi / partsOfCommit)
	}
	m.tell(w, "", "page %d of the record, of commits from %s to %s, was damaged and is set aside: %d parts of commits were found in it and stand again",
		l.page, after, before, n)
	return nil
}

// rechunk puts back the chunks that a page still holds, and makes rows for those
// that it does not.
func (w *writer) rechunk(ctx context.Context, l leaf, old []byte, m *mended) error {
	back := map[int64]bool{}
	var best *chunk.Chunk // the newest that is not sealed
	var bestData []byte
	var err error
	chunk.Scan(old, func(at int, c *chunk.Chunk) bool {
		if at < 0 || at+c.Size() > len(old) {
			return true
		}
		data := bytes.Clone(old[at : at+c.Size()])
		sum := sha256.Sum256(data)
		var id int64
		e := w.conn.QueryRowContext(ctx, "SELECT ref FROM chain WHERE kind = 'chunk' AND ref > ? AND ref <= ? AND sha256 = ?", l.lo, l.hi, sum[:]).Scan(&id)
		switch {
		case e == nil:
			back[id] = true
			err = w.putBack(ctx, id, c.Span(), sealed, data)
		case !errors.Is(e, sql.ErrNoRows):
			err = e
		case best == nil || c.Span().ToSeq > best.Span().ToSeq:
			kept := *c
			best, bestData = &kept, data
		}
		return err == nil
	})
	if err != nil {
		return err
	}
	if err := w.nameLost(ctx, l, back, m); err != nil {
		return err
	}
	n := len(back)
	if best != nil {
		again, err := w.regrow(ctx, l, best, bestData)
		if err != nil {
			return err
		}
		if again {
			n++
		}
	}
	m.tell(w, "", "page %d of the record was damaged and is set aside: %d chunks of samples were found in it and stand again", l.page, n)
	return nil
}

func (w *writer) putBack(ctx context.Context, id int64, s chunk.Span, state int, data []byte) error {
	_, err := w.exec(ctx, putChunk, id, s.FromSeq, s.ToSeq, s.Rows, s.From, s.To, state, data)
	return err
}

// nameLost makes rows for the sealed chunks that are lost.
func (w *writer) nameLost(ctx context.Context, l leaf, back map[int64]bool, m *mended) error {
	var lost []int64
	err := each(ctx, w.conn, "SELECT DISTINCT ref FROM chain WHERE kind = 'chunk' AND ref > ? AND ref <= ? ORDER BY ref", func(scan func(...any) error) error {
		var id int64
		err := scan(&id)
		if !back[id] {
			lost = append(lost, id)
		}
		return err
	}, l.lo, l.hi)
	for _, id := range lost {
		if err != nil {
			return err
		}
		post := int32(id >> 32)
		var before, behind mark
		if before, behind, err = w.neighbours(ctx, id, post); err != nil {
			return err
		}
		span := chunk.Span{FromSeq: before.seq + 1, ToSeq: max(before.seq+1, behind.seq-1), From: before.at, To: max(before.at, behind.at)}
		if err = w.putBack(ctx, id, span, asideState, nil); err != nil {
			return err
		}
		m.tell(w, w.nameIn(ctx, post), "samples %d to %d, between %s and %s, cannot be read: page %d of the record was damaged and is set aside",
			span.FromSeq, span.ToSeq, instant(span.From).Format(time.RFC3339Nano), instant(span.To).Format(time.RFC3339Nano), l.page)
	}
	return err
}

// neighbours returns the last sample before a chunk and the first one behind it;
// that before again where there is none behind.
func (w *writer) neighbours(ctx context.Context, id int64, post int32) (before, behind mark, err error) {
	first, end := chunkRange(post)
	err = w.conn.QueryRowContext(ctx, "SELECT to_seq, to_ns FROM chunks WHERE id < ? AND id >= ? ORDER BY id DESC LIMIT 1", id, first).Scan(&before.seq, &before.at)
	if err != nil && !errors.Is(err, sql.ErrNoRows) {
		return before, behind, err
	}
	behind = before
	err = w.conn.QueryRowContext(ctx, "SELECT from_seq, from_ns FROM chunks WHERE id > ? AND id <= ? ORDER BY id LIMIT 1", id, end).Scan(&behind.seq, &behind.at)
	if errors.Is(err, sql.ErrNoRows) {
		err = nil
	}
	return before, behind, err
}

// nameIn returns the name of a post, from the record itself.
func (w *writer) nameIn(ctx context.Context, post int32) string {
	var name string
	if w.conn.QueryRowContext(ctx, "SELECT id FROM posts WHERE post = ?", post).Scan(&name) != nil {
		return fmt.Sprintf("number %d", post)
	}
	return name
}

// regrow puts back the chunk that was growing on a page.
func (w *writer) regrow(ctx context.Context, l leaf, c *chunk.Chunk, data []byte) (bool, error) {
	var post int32
	err := w.conn.QueryRowContext(ctx, "SELECT post FROM posts WHERE id = ?", c.Post()).Scan(&post)
	if errors.Is(err, sql.ErrNoRows) {
		return false, nil
	}
	if err != nil {
		return false, err
	}
	first, end := chunkRange(post)
	var id, seq int64
	err = w.conn.QueryRowContext(ctx, "SELECT id, to_seq FROM chunks WHERE id BETWEEN ? AND ? ORDER BY id DESC LIMIT 1", first, end).Scan(&id, &seq)
	if err != nil && !errors.Is(err, sql.ErrNoRows) {
		return false, err
	}
	if id = max(id+1, first); c.Span().FromSeq <= seq || id <= l.lo || id > l.hi {
		return false, nil // what is left of an earlier form of it
	}
	return true, w.putBack(ctx, id, c.Span(), growing, data)
}
