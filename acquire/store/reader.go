package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"sort"
	"strings"
	"sync"

	"ovenward/acquire"
	"ovenward/acquire/alarm"
	"ovenward/acquire/calib"
	"ovenward/acquire/quantity"
)

// Reader reads what is committed, beside a running writer and never in its way.
type Reader struct {
	db   *sql.DB
	from querier // of corrections
	dir  string  // of the record

	mu          sync.Mutex // guards what never changes once read
	corrections map[int64]*corrected
	units       map[string]spelling
}

// spelling is a unit as said, and the unit it means.
type spelling struct {
	said string
	unit quantity.Unit
}

func newReader(db *sql.DB, dir string) *Reader {
	return &Reader{db: db, from: db, dir: dir, corrections: map[int64]*corrected{}, units: map[string]spelling{}}
}

// OpenReadOnly opens the record in dir for reading only, beside a daemon that
// writes to it or without one. Close it. Where there is none the error is
// fs.ErrNotExist; ErrOlder and ErrNewer are of whole records, too.
func OpenReadOnly(dir string) (*Reader, error) {
	path := filepath.Join(dir, FileName)
	if _, err := os.Stat(path); err != nil {
		return nil, fmt.Errorf("find the record: %w; name the folder that holds %s", err, FileName)
	}
	db, err := openReaders(path)
	if err != nil {
		return nil, err
	}
	if err := known(db); err != nil {
		return nil, errors.Join(fmt.Errorf("open the record %s for reading: %w", path, err), db.Close())
	}
	return newReader(db, dir), nil
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
		err = fmt.Errorf("%w: its version is %d and this program reads %d: start the daemon on it once, which brings it up", ErrOlder, v, newest)
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

// each calls f for each row of q. What does not fit where f scans it to is damaged, and
// ErrLost.
func each(ctx context.Context, from querier, q string, f func(scan func(...any) error) error, args ...any) error {
	rows, err := from.QueryContext(ctx, q, args...)
	if err != nil {
		return err
	}
	defer rows.Close()
	scan := func(into ...any) error {
		err := rows.Scan(into...)
		if err != nil && rows.Err() == nil && ctx.Err() == nil {
			err = fmt.Errorf("%w: a row is damaged, %w", ErrLost, err)
		}
		return err
	}
	for rows.Next() {
		if err := f(scan); err != nil {
			return err
		}
	}
	return rows.Err()
}

// loosely scans a row of which a column may be damaged: what does not fit is left as it was,
// and the error is ErrLost.
func loosely(scan func(...any) error, into ...any) error {
	row := make([]any, len(into))
	to := make([]any, len(into))
	for i := range row {
		to[i] = &row[i]
	}
	if err := scan(to...); err != nil {
		return err
	}
	var lost error
	for i, v := range row {
		fits := false
		switch to := into[i].(type) {
		case *string:
			if b, is := v.([]byte); is {
				v = string(b)
			}
			if s, is := v.(string); is {
				*to, fits = s, true
			}
		case *int64:
			if n, is := v.(int64); is {
				*to, fits = n, true
			}
		case *bool:
			if n, is := v.(int64); is {
				*to, fits = n != 0, true
			}
		case *float64:
			if x, is := v.(float64); is {
				*to, fits = x, true
			}
		case *[]byte:
			if v == nil {
				fits = true
			} else if b, is := v.([]byte); is {
				*to, fits = b, true
			} else if s, is := v.(string); is {
				*to, fits = []byte(s), true
			}
		case sql.Scanner:
			fits = to.Scan(v) == nil
		}
		if !fits {
			lost = fmt.Errorf("%w: column %d is damaged", ErrLost, i+1)
		}
	}
	return lost
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
// lowest first, and the highest number of all committed events. Where that event is lost
// another says what the table of alarms does.
func (r *Reader) Standing(ctx context.Context) (all []acquire.Event, last int64, err error) {
	// The number first: what is committed meanwhile has a higher one.
	if err = r.db.QueryRowContext(ctx, "SELECT ifnull(max(id), 0) FROM events").Scan(&last); err == nil {
		all, err = r.events(ctx, "id IN (SELECT event FROM alarms) ORDER BY id")
	}
	var lost []acquire.Event
	if err == nil {
		err = each(ctx, r.db, "SELECT event FROM alarms WHERE event NOT IN (SELECT id FROM events)", func(scan func(...any) error) error {
			e := acquire.Event{Kind: acquire.KindAlarm, Text: "lost from the record: the event that said how this alarm stands"}
			err := scan(&e.ID)
			lost = append(lost, e)
			return err
		})
	}
	for i := range lost {
		e := &lost[i]
		if err == nil {
			err = standIn(ctx, r.db, e)
		}
		if e.Alarm != nil {
			e.At, e.Post, last = e.Alarm.Changed, e.Alarm.Post, max(last, e.ID)
		}
	}
	all = append(all, lost...)
	sort.SliceStable(all, func(i, j int) bool { return all[i].ID < all[j].ID })
	if err != nil {
		return nil, 0, fmt.Errorf("read what stands: %w", err)
	}
	return slices.DeleteFunc(all, func(e acquire.Event) bool { return e.Alarm == nil || !e.Alarm.State.Standing() }), last, nil
}

// events returns the events that a condition of SQL picks.
func (r *Reader) events(ctx context.Context, which string, args ...any) ([]acquire.Event, error) {
	var all []acquire.Event
	var damaged []int
	err := each(ctx, r.db, selectEvents+"WHERE "+which,
		func(scan func(...any) error) error {
			var row eventRow
			err := row.scan(scan)
			all = append(all, row.event())
			if n := len(all) - 1; row.alarm.Valid && all[n].Alarm == nil {
				damaged = append(damaged, n)
			}
			return err
		}, args...)
	for _, i := range damaged {
		if err == nil {
			err = standIn(ctx, r.db, &all[i])
		}
	}
	return all, err
}

func scanEvent(scan func(...any) error) (acquire.Event, error) {
	var r eventRow
	if err := r.scan(scan); err != nil {
		return acquire.Event{}, err
	}
	return r.event(), nil
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

// Cursors returns what Keep last kept for a courier: under its name, and under names
// that begin with it and a full stop.
func (r *Reader) Cursors(ctx context.Context, courier string) (map[string]int64, error) {
	all := map[string]int64{}
	err := each(ctx, r.db, "SELECT name, event FROM cursors WHERE name = ?1 OR substr(name, 1, length(?1) + 1) = ?1 || '.'",
		func(scan func(...any) error) error {
			var name string
			var id int64
			err := scan(&name, &id)
			if errors.Is(err, ErrLost) {
				return nil // it is told again
			}
			all[name] = id
			return err
		}, courier)
	if err != nil {
		return nil, fmt.Errorf("read the cursors of courier %s: %w", courier, err)
	}
	return all, nil
}

// AlarmStates returns the committed state of every alarm ever raised.
func (r *Reader) AlarmStates(ctx context.Context) ([]alarm.Alarm, error) {
	return readAlarms(ctx, r.db)
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
	return 0, fmt.Errorf("%w %q in the record; it has %s", errNoPost, id, strings.Join(posts, ", "))
}

var errNoPost = errors.New("no post")

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

// unit returns what a spelling means.
func (r *Reader) unit(said string) spelling {
	r.mu.Lock()
	defer r.mu.Unlock()
	s, ok := r.units[said]
	if !ok {
		s.said = strings.Clone(said)
		s.unit, _ = quantity.LookupUnit(said)
		r.units[s.said] = s
	}
	return s
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
	_, c, lost, err := scanCorrection(ctx, r.from, "WHERE k.correction = ?", id)
	if err != nil {
		return nil, fmt.Errorf("correction %d: %w", id, err)
	}
	made := &corrected{lost: true} // what was said is there all the same
	if !lost {
		made = &corrected{Correction: c, chain: c.Chain()}
	}
	r.corrections[id] = made
	return made, nil
}

func powerDensity(f sql.NullFloat64) quantity.PowerDensity { return quantity.PowerDensity(orNaN(f)) }
