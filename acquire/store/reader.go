package store

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"iter"
	"math"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/alarm"
	"ovenward/acquire/calib"
	"ovenward/acquire/quantity"
	"ovenward/drivers"
)

// pageRows bounds one read. A longer one would keep the log from being folded
// into the file for as long as its reader takes.
const pageRows = 4096

// Reader reads what is committed, beside a running writer and never in its way.
type Reader struct {
	db *sql.DB

	mu          sync.Mutex // guards what never changes once read
	corrections map[int64]*corrected
	units       map[int32]spelling
}

// spelling is a unit as said, and the unit it means.
type spelling struct {
	said string
	unit quantity.Unit
}

func newReader(db *sql.DB) *Reader {
	return &Reader{db: db, corrections: map[int64]*corrected{}, units: map[int32]spelling{}}
}

// OpenReadOnly opens the record in dir for reading only, beside a daemon that
// writes to it or without one. Close it.
func OpenReadOnly(dir string) (*Reader, error) {
	path := filepath.Join(dir, FileName)
	db, err := openReaders(path)
	if err != nil {
		return nil, err
	}
	if err := known(db); err != nil {
		return nil, errors.Join(fmt.Errorf("open the record %s for reading: %w", path, err), db.Close())
	}
	return newReader(db), nil
}

func known(db *sql.DB) error {
	ctx := context.Background()
	c, err := db.Conn(ctx)
	if err != nil {
		return err
	}
	defer c.Close()
	all := steps()
	newest := all[len(all)-1].version
	v, err := version(ctx, c, newest)
	if err == nil && v < newest {
		err = fmt.Errorf("its version is %d and this program reads %d: start the daemon on it once, which brings it up", v, newest)
	}
	return err
}

// Close gives the record free. A read under way ends with an error.
func (r *Reader) Close() error { return r.db.Close() }

// querier is what both a pool and one connection can do.
type querier interface {
	QueryContext(ctx context.Context, q string, args ...any) (*sql.Rows, error)
	QueryRowContext(ctx context.Context, q string, args ...any) *sql.Row
}

// each calls f for each row of q.
func each(ctx context.Context, from querier, q string, f func(scan func(...any) error) error, args ...any) error {
	rows, err := from.QueryContext(ctx, q, args...)
	if err != nil {
		return err
	}
	defer rows.Close()
	for rows.Next() {
		if err := f(rows.Scan); err != nil {
			return err
		}
	}
	return rows.Err()
}

// Events returns committed events with numbers above after, the lowest first, at
// most limit. Numbers rise and may leave holes.
func (r *Reader) Events(ctx context.Context, after int64, limit int) ([]acquire.Event, error) {
	all, err := r.events(ctx, "id > ? ORDER BY id LIMIT ?", after, limit)
	if err != nil {
		return nil, fmt.Errorf("read the events after %d: %w", after, err)
	}
	return all, nil
}

// Standing returns the newest committed event of each alarm that stands, the
// lowest first, and the highest number of all committed events.
func (r *Reader) Standing(ctx context.Context) (all []acquire.Event, last int64, err error) {
	// The number first: what is committed meanwhile has a higher one.
	if err = r.db.QueryRowContext(ctx, "SELECT ifnull(max(id), 0) FROM events").Scan(&last); err == nil {
		all, err = r.events(ctx, "id IN (SELECT event FROM alarms) ORDER BY id")
	}
	if err != nil {
		return nil, 0, fmt.Errorf("read what stands: %w", err)
	}
	return slices.DeleteFunc(all, func(e acquire.Event) bool { return e.Alarm == nil || !e.Alarm.State.Standing() }), last, nil
}

// events returns the events that a condition of SQL picks.
func (r *Reader) events(ctx context.Context, which string, args ...any) ([]acquire.Event, error) {
	var all []acquire.Event
	err := each(ctx, r.db, "SELECT "+eventColumns+" FROM events WHERE "+which,
		func(scan func(...any) error) error {
			e, err := scanEvent(scan)
			all = append(all, e)
			return err
		}, args...)
	return all, err
}

const eventColumns = "id, at_ns, post, kind, who, text, raw, alarm"

func scanEvent(scan func(...any) error) (e acquire.Event, err error) {
	var at int64
	var change sql.NullString
	if err := scan(&e.ID, &at, &e.Post, &e.Kind, &e.Who, &e.Text, &e.Raw, &change); err != nil {
		return e, err
	}
	e.At = instant(at)
	if change.Valid {
		e.Alarm = new(alarm.Change)
		if err := json.Unmarshal([]byte(change.String), e.Alarm); err != nil {
			return e, fmt.Errorf("event %d: %w", e.ID, err)
		}
	}
	return e, nil
}

// Cursor returns how far a courier has told the events; 0 when it has told none.
func (r *Reader) Cursor(ctx context.Context, name string) (int64, error) {
	var id int64
	err := r.db.QueryRowContext(ctx, "SELECT event FROM cursors WHERE name = ?", name).Scan(&id)
	if err != nil && err != sql.ErrNoRows {
		return 0, fmt.Errorf("read cursor %s: %w", name, err)
	}
	return id, nil
}

// AlarmStates returns the committed state of every alarm ever raised.
func (r *Reader) AlarmStates(ctx context.Context) ([]alarm.Alarm, error) {
	return readAlarms(ctx, r.db)
}

func readAlarms(ctx context.Context, from querier) ([]alarm.Alarm, error) {
	var all []alarm.Alarm
	err := each(ctx, from, selectAlarms, func(scan func(...any) error) error {
		a, err := scanAlarm(scan)
		all = append(all, a)
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("read the alarms: %w", err)
	}
	return all, nil
}

// StoredSample is a sample read back. S and U are derived anew, from what was
// said and the correction that was in force. Mono is not set; Said is its own.
type StoredSample struct {
	acquire.Sample
	Version      int64 // of the post, in table post_versions
	CorrectionID int64 // in table corrections; 0: none was in force
}

// Samples reads the samples of a post with from ≤ At < to in the order of their
// numbers; a zero time is no bound. It ends with an error or with the last.
func (r *Reader) Samples(ctx context.Context, postID string, from, to time.Time) iter.Seq2[StoredSample, error] {
	return func(yield func(StoredSample, error) bool) {
		fail := func(err error) { yield(StoredSample{}, fmt.Errorf("read the samples of post %s: %w", postID, err)) }
		post, err := r.post(ctx, postID)
		if err != nil {
			fail(err)
			return
		}
		next := int64(math.MinInt64)
		if !from.IsZero() {
			if next, err = r.seqAt(ctx, post, nanos(from)); err != nil {
				fail(err)
				return
			}
		}
		end := int64(math.MaxInt64)
		if !to.IsZero() {
			end = nanos(to)
		}
		for {
			page, err := r.page(ctx, post, next)
			if err != nil {
				fail(err)
				return
			}
			for _, s := range page {
				if nanos(s.At) >= end || !yield(s, nil) {
					return
				}
			}
			if len(page) < pageRows {
				return
			}
			next = page[len(page)-1].Seq + 1
		}
	}
}

// post returns the number of a post.
func (r *Reader) post(ctx context.Context, id string) (int32, error) {
	var post int32
	err := r.db.QueryRowContext(ctx, "SELECT post FROM posts WHERE id = ?", id).Scan(&post)
	if err != sql.ErrNoRows {
		return post, err
	}
	posts, err := r.Posts(ctx)
	if err != nil {
		return 0, err
	}
	return 0, fmt.Errorf("no post %q in the record; it has %s", id, strings.Join(posts, ", "))
}

// Posts returns the names of all posts that ever were.
func (r *Reader) Posts(ctx context.Context) ([]string, error) {
	var all []string
	err := each(ctx, r.db, "SELECT id FROM posts ORDER BY id", func(scan func(...any) error) error {
		var id string
		err := scan(&id)
		all = append(all, id)
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("read the posts: %w", err)
	}
	return all, nil
}

// seqAt returns the lowest number whose stamp is at or after at. Stamps never
// fall while numbers rise, so it halves the range; no index is needed.
func (r *Reader) seqAt(ctx context.Context, post int32, at int64) (int64, error) {
	var lo, hi int64
	err := r.db.QueryRowContext(ctx, `SELECT ifnull((SELECT min(seq) FROM samples WHERE post = ?1), 0),
		ifnull((SELECT max(seq) FROM samples WHERE post = ?1), -1) + 1`, post).Scan(&lo, &hi)
	if err != nil {
		return 0, err
	}
	for lo < hi {
		middle := lo + (hi-lo)/2
		var ns int64
		err := r.db.QueryRowContext(ctx, "SELECT at_ns FROM samples WHERE post = ? AND seq >= ? ORDER BY seq LIMIT 1", post, middle).Scan(&ns)
		if err != nil {
			return 0, err
		}
		if ns >= at {
			hi = middle
		} else {
			lo = middle + 1
		}
	}
	return lo, nil
}

// page reads up to pageRows samples from number seq on.
func (r *Reader) page(ctx context.Context, post int32, seq int64) ([]StoredSample, error) {
	var page []StoredSample
	var units []int32
	err := each(ctx, r.db, `SELECT seq, version, at_ns, at_u_ns, said, digits, exp, unit, status, quality, ifnull(correction, 0), ifnull(more, '')
		FROM samples WHERE post = ? AND seq >= ? ORDER BY seq LIMIT ?`, func(scan func(...any) error) error {
		var (
			s           StoredSample
			at          int64
			digits, exp sql.NullInt64
			unit        int32
			more        string
		)
		err := scan(&s.Seq, &s.Version, &at, &s.AtU, &s.Said, &digits, &exp, &unit, &s.Reading.Status, &s.Quality, &s.CorrectionID, &more)
		s.At = instant(at)
		s.Reading.HasValue = digits.Valid
		s.Reading.Value = drivers.Decimal{Digits: digits.Int64, Exp: int8(exp.Int64)}
		if err == nil && more != "" {
			err = readMore(more, &s.Reading)
		}
		page, units = append(page, s), append(units, unit)
		return err
	}, post, seq, pageRows)
	if err != nil {
		return nil, err
	}
	for i := range page {
		if err := r.derive(ctx, &page[i], units[i]); err != nil {
			return nil, err
		}
	}
	return page, nil
}

// derive sets the unit and the corrected value of s.
func (r *Reader) derive(ctx context.Context, s *StoredSample, unit int32) error {
	sp, err := r.unit(ctx, unit)
	if err != nil {
		return err
	}
	c, err := r.correction(ctx, s.CorrectionID)
	if err != nil {
		return err
	}
	s.Reading.Unit = sp.said
	c.derive(&s.Sample, sp.unit)
	return nil
}

func (r *Reader) unit(ctx context.Context, id int32) (spelling, error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if s, ok := r.units[id]; ok {
		return s, nil
	}
	var s spelling
	if err := r.db.QueryRowContext(ctx, "SELECT spelled FROM units WHERE unit = ?", id).Scan(&s.said); err != nil {
		return s, fmt.Errorf("unit %d: %w", id, err)
	}
	s.unit, _ = quantity.LookupUnit(s.said)
	r.units[id] = s
	return s, nil
}

func (r *Reader) correction(ctx context.Context, id int64) (*corrected, error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if c, ok := r.corrections[id]; ok {
		return c, nil
	}
	if id == 0 {
		return &corrected{chain: calib.Correction{}.Chain()}, nil
	}
	_, c, err := scanCorrection(r.db.QueryRowContext(ctx, selectCorrection+"WHERE k.correction = ?", id))
	if err != nil {
		return nil, fmt.Errorf("correction %d: %w", id, err)
	}
	made := &corrected{c, c.Chain()}
	r.corrections[id] = made
	return made, nil
}

func powerDensity(f sql.NullFloat64) quantity.PowerDensity { return quantity.PowerDensity(orNaN(f)) }
