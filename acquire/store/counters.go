package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"math"
	"path/filepath"

	"ovenward/acquire"
)

// lostCounter is a counter that does not fit its column.
const lostCounter = math.MinInt64

// mendCounters finds the counters in the row of table record again where they do not fit, or
// it is gone, and returns the event that says so. Of commits the highest number counts that
// anything names; of events, corrections and versions as much room is left behind the highest that
// is there as is set aside for events, so that none is given again that was told or lost. What the
// chain of commits went on from cannot be found: a commit that is not merged yet proves nothing of it.
func (w *writer) mendCounters(ctx context.Context, behind map[int64][]byte) ([]acquire.Event, error) {
	commits, at, event, correction, version := int64(lostCounter), int64(lostCounter), int64(lostCounter), int64(lostCounter), int64(lostCounter)
	var link []byte
	err := loosely(w.conn.QueryRowContext(ctx, `SELECT commits, committed_ns, next_event, next_correction, next_version,
		iif(link IS NULL OR typeof(link) = 'blob' AND length(link) = 32, link, 0) FROM record`).Scan, &commits, &at, &event, &correction, &version, &link)
	switch {
	case err == nil || corrupt(err): // a damaged page is set aside when all is loaded
		return nil, nil
	case !errors.Is(err, ErrLost) && !errors.Is(err, sql.ErrNoRows):
		return nil, fmt.Errorf("read the record's counters: %w", err)
	}
	var merged, events, corrections, versions int64
	err = w.conn.QueryRowContext(ctx, `SELECT (SELECT ifnull(max(id), 0) FROM fragments) / ?, (SELECT ifnull(max(id), 0) FROM events),
		(SELECT ifnull(max(correction), 0) FROM corrections), (SELECT ifnull(max(version), 0) FROM post_versions)`, partsOfCommit).
		Scan(&merged, &events, &corrections, &versions)
	if err != nil {
		return nil, fmt.Errorf("the counters in table record are damaged, and cannot be found again: %w; ovenward verify --rebuild --storage.path=%s makes a new record of what it holds", err, w.s.dir)
	}
	f, p, _, err := openSidecar(filepath.Join(w.s.dir, sidecarName))
	if err == nil {
		f.Close()
	}
	if commits == lostCounter {
		for id := range behind {
			merged = max(merged, id/partsOfCommit)
		}
		commits = max(merged, p.commit)
	}
	mend := func(n *int64, found int64) {
		if *n == lostCounter {
			*n = found
		}
	}
	mend(&at, p.at)
	mend(&event, events+eventRoom)
	mend(&correction, corrections+eventRoom)
	mend(&version, versions+eventRoom)
	_, err = w.conn.ExecContext(ctx, `INSERT INTO record (one, commits, committed_ns, next_event, next_correction, next_version, link) VALUES (1, ?1, ?2, ?3, ?4, ?5, ?6)
		ON CONFLICT DO UPDATE SET commits = ?1, committed_ns = ?2, next_event = ?3, next_correction = ?4, next_version = ?5, link = ?6`,
		commits, at, event, correction, version, link)
	if err != nil {
		return nil, fmt.Errorf("write the record's counters anew: %w", err)
	}
	return []acquire.Event{w.damageEvent("", "damaged: the row of table record that holds its counters; they were found again in what it holds")}, nil
}
