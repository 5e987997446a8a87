package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"math"
	"time"

	"ovenward/acquire/calib"
	"ovenward/acquire/quantity"
)

// schemaRemote keeps how far each remote-write target has come: one row a
// target, with a JSON object of the numbers and sums that it goes on from.
const schemaRemote = `
CREATE TABLE remote_write (
  target TEXT PRIMARY KEY,
  state  TEXT NOT NULL
) STRICT, WITHOUT ROWID;
`

// RemoteState returns what SetRemoteState last kept for a target; nil when
// nothing.
func (r *Reader) RemoteState(ctx context.Context, target string) ([]byte, error) {
	var state []byte
	err := r.db.QueryRowContext(ctx, "SELECT state FROM remote_write WHERE target = ?", target).Scan(&state)
	if err != nil && err != sql.ErrNoRows {
		return nil, fmt.Errorf("read how far target %s has come: %w", target, err)
	}
	return state, nil
}

// SetRemoteState keeps how far a target has come, durably when it returns.
func (s *Store) SetRemoteState(ctx context.Context, target string, state []byte) error {
	text := string(state)
	return s.ask(ctx, "keep how far target "+target+" has come", func(ctx context.Context, w *writer) error {
		_, err := w.exec(ctx, "INSERT INTO remote_write (target, state) VALUES (?, ?) ON CONFLICT DO UPDATE SET state = excluded.state",
			target, text)
		return err
	})
}

// Newest returns number and instant of the newest sample of a post; 0 when there
// is none, or no such post.
func (r *Reader) Newest(ctx context.Context, postID string) (seq int64, at time.Time, err error) {
	fail := func(err error) (int64, time.Time, error) {
		return 0, time.Time{}, fmt.Errorf("read the newest sample of post %s: %w", postID, err)
	}
	var post int32
	switch err := r.db.QueryRowContext(ctx, "SELECT post FROM posts WHERE id = ?", postID).Scan(&post); err {
	case nil:
	case sql.ErrNoRows:
		return 0, time.Time{}, nil
	default:
		return fail(err)
	}
	first, last := chunkRange(post)
	m, _, err := lastChunk(ctx, r.db, first, last)
	if err != nil {
		return fail(err)
	}
	seq, ns := m.seq, m.at
	for b, err := range r.blocksFrom(ctx, postID, seq+1) {
		switch d := (*Damage)(nil); {
		case errors.As(err, &d):
		case err != nil:
			return fail(err)
		default:
			seq, ns = b.Seq[b.end-1], b.At[b.end-1]
		}
	}
	if seq == 0 {
		return 0, time.Time{}, nil
	}
	return seq, instant(ns), nil
}

// CorrectionOf returns the correction with the number that a StoredSample
// holds; the zero Correction for 0.
func (r *Reader) CorrectionOf(ctx context.Context, id int64) (calib.Correction, error) {
	c, err := r.correction(ctx, id)
	if err != nil {
		return calib.Correction{}, err
	}
	return c.Correction, nil
}

// PostVersion is what a post was when a sample was taken there.
type PostVersion struct {
	Site, Oven, Probe string
	Port              string        // of the probe; of imported samples, the file they came from
	Simulated         bool          // the probe was
	Stale             time.Duration // for how long a sample holds; 0: not known
	Range, Floor      quantity.PowerDensity
}

// ErrLost is what something rests on that is not in the record any more.
var ErrLost = errors.New("the record has lost it")

// Version returns the version of a post with the number that a StoredSample
// holds; one that is not there, or damaged, is ErrLost. Range and Floor are NaN where they are not known.
func (r *Reader) Version(ctx context.Context, version int64) (PostVersion, error) {
	var (
		v                PostVersion
		stale, rg, floor sql.NullFloat64
	)
	there := false
	err := each(ctx, r.db, `SELECT site, oven, probe, probe_port, probe_simulated, stale_s, probe_range_w_per_m2, probe_floor_w_per_m2
		FROM post_versions WHERE version = ?`, func(scan func(...any) error) error {
		there = true
		return scan(&v.Site, &v.Oven, &v.Probe, &v.Port, &v.Simulated, &stale, &rg, &floor)
	}, version)
	if err == nil && !there {
		err = ErrLost
	}
	if err != nil {
		return v, fmt.Errorf("read version %d of the posts: %w", version, err)
	}
	v.Stale, v.Range, v.Floor = time.Duration(stale.Float64*float64(time.Second)), quantity.PowerDensity(math.NaN()), quantity.PowerDensity(math.NaN())
	if rg.Valid {
		v.Range = quantity.PowerDensity(rg.Float64)
	}
	if floor.Valid {
		v.Floor = quantity.PowerDensity(floor.Float64)
	}
	return v, nil
}
