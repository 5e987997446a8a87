package store

import (
	"context"
	"database/sql"
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"path/filepath"

	"ovenward/acquire"
)

// lostCounter is a counter that is damaged.
const lostCounter = math.MinInt64

// mostCounted is above what any counter of the record comes to; commits are numbered
// in the upper bits of what numbers their parts.
const mostCounted = 1 << 46

// counters is the row of table record, in its order.
type counters struct {
	commits, at, event  int64
	link                []byte
	correction, version int64
}

// read reads the row, and says whether it is damaged, and whether its page is. What stands behind
// what does not fit may be shifted, and is lost with it.
func (c *counters) read(ctx context.Context, w *writer) (damaged, page bool, err error) {
	lost := counters{commits: lostCounter, at: lostCounter, event: lostCounter, correction: lostCounter, version: lostCounter}
	*c = lost
	linked, first, whole := false, false, ""
	err = loosely(w.conn.QueryRowContext(ctx, `SELECT commits, committed_ns, next_event, link, next_correction, next_version,
		link IS NULL OR typeof(link) = 'blob' AND length(link) = 32, one = 1 FROM record`).Scan,
		&c.commits, &c.at, &c.event, &c.link, &c.correction, &c.version, &linked, &first)
	if err == nil { // reading it does not see all that keeps it from being written
		err = w.conn.QueryRowContext(ctx, "PRAGMA quick_check(record)").Scan(&whole)
	}
	switch gone := errors.Is(err, sql.ErrNoRows); {
	case err != nil && !corrupt(err) && !errors.Is(err, ErrLost) && !gone:
		return false, false, fmt.Errorf("read the record's counters: %w", err)
	case corrupt(err) || !first && !gone || err == nil && whole != "ok":
		*c = lost
		return true, true, nil
	}
	for _, n := range []*int64{&c.commits, &c.at, &c.event, nil, &c.correction, &c.version} {
		if n == nil {
			damaged = damaged || !linked
		} else if *n < 0 || n != &c.at && *n > mostCounted {
			damaged = true
		}
		switch {
		case damaged && n == nil:
			c.link = nil
		case damaged:
			*n = lostCounter
		}
	}
	return damaged, false, nil
}

// mendCounters finds the counters in the row of table record again where they are damaged, or
// it is gone, and returns the event that says so. Of commits the highest number counts that
// anything names; of events, corrections and versions as much room is left behind the highest that
// is there as is set aside for events, so that none is given again that was told or lost. What the
// chain of commits went on from cannot be found: a commit that is not merged yet proves nothing of it.
func (w *writer) mendCounters(ctx context.Context, behind map[int64][]byte) ([]acquire.Event, error) {
	var c counters
	damaged, page, err := c.read(ctx, w)
	if err != nil || !damaged {
		return nil, err
	}
	var merged, events, corrections, versions int64
	err = w.conn.QueryRowContext(ctx, `SELECT (SELECT ifnull(max(id), 0) FROM fragments) / ?, (SELECT ifnull(max(id), 0) FROM events),
		(SELECT ifnull(max(correction), 0) FROM corrections), (SELECT ifnull(max(version), 0) FROM post_versions)`, partsOfCommit).
		Scan(&merged, &events, &corrections, &versions)
	if err == nil && page {
		err = w.emptyCounters(ctx)
	}
	if err != nil {
		return nil, fmt.Errorf("the counters in table record are damaged, and cannot be found again: %w: %s", err, w.orRebuild(err))
	}
	f, p, _, err := openSidecar(filepath.Join(w.s.dir, sidecarName))
	if err == nil {
		f.Close()
	}
	if c.commits == lostCounter {
		for id := range behind {
			merged = max(merged, id/partsOfCommit)
		}
		c.commits = max(merged, p.commit)
	}
	mend := func(n *int64, found int64) {
		if *n == lostCounter {
			*n = found
		}
	}
	mend(&c.at, p.at)
	mend(&c.event, events+eventRoom)
	mend(&c.correction, corrections+eventRoom)
	mend(&c.version, versions+eventRoom)
	_, err = w.conn.ExecContext(ctx, "INSERT OR REPLACE INTO record (one, commits, committed_ns, next_event, link, next_correction, next_version) VALUES (1, ?, ?, ?, ?, ?, ?)",
		c.commits, c.at, c.event, c.link, c.correction, c.version)
	if err != nil {
		return nil, fmt.Errorf("write the record's counters anew, whose row is damaged: %w: %s", err, w.orRebuild(err))
	}
	return []acquire.Event{w.damageEvent("", "damaged: the row of table record that holds its counters; they were found again in what it holds")}, nil
}

// orRebuild says what a person can do where damage is not mended at a start.
func (w *writer) orRebuild(err error) string {
	if !corrupt(err) && !errors.Is(err, errNoLeaf) {
		return advice(err, w.s.dir)
	}
	return fmt.Sprintf("ovenward verify --rebuild --storage.path=%s makes a new record of what it holds", w.s.dir)
}

// emptyCounters makes the page of table record an empty one, for SQLite does not let go of a
// row that it cannot read. It does so only where the page is of that table alone, and holds one
// short row.
func (w *writer) emptyCounters(ctx context.Context) error {
	var root int64
	var others int
	err := w.conn.QueryRowContext(ctx, `SELECT rootpage, (SELECT count(*) FROM sqlite_schema AS o WHERE o.rootpage = s.rootpage) FROM sqlite_schema AS s
		WHERE type = 'table' AND name = 'record'`).Scan(&root, &others)
	if err != nil {
		return err
	}
	p, err := newPager(ctx, w.conn)
	if err != nil {
		return err
	}
	b, err := p.read(ctx, root)
	if err != nil {
		return err
	}
	const short = 256
	be := binary.BigEndian
	if begin := int(be.Uint16(b[5:])); others != 1 || b[0] != leafPage || be.Uint16(b[3:]) != 1 || begin < p.size-short {
		return errNoLeaf
	}
	empty := make([]byte, len(b))
	empty[0] = leafPage
	be.PutUint16(empty[5:], uint16(p.size))
	if _, err := w.conn.ExecContext(ctx, "UPDATE sqlite_dbpage SET data = ? WHERE pgno = ?", empty, root); err != nil {
		return err
	}
	w.drop() // a connection that has read a page keeps what it made of it
	return w.reconnect(ctx)
}
