package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"time"
)

// Point is what the samples between From and To come to, half open.
type Point struct {
	From, To time.Time
	Sums
}

// Chart sums the samples of a post with from ≤ At < to up at no more than n
// points of one width; a zero time is the first, or behind the last, sample.
// Points of a minute and more are made of the sums that are kept, and begin at
// whole minutes, or hours, of UTC, so the first may begin before from. A point
// without any samples is left out: nothing was recorded then. What is damaged
// is told by a *Damage beside the points.
func (r *Reader) Chart(ctx context.Context, postID string, from, to time.Time, n int) ([]Point, error) {
	fail := func(err error) ([]Point, error) {
		return nil, fmt.Errorf("sum up the samples of post %s: %w", postID, err)
	}
	if n <= 0 {
		return fail(errors.New("at least one point is wanted"))
	}
	post, err := r.post(ctx, postID)
	if err != nil {
		return fail(err)
	}
	a, b, err := r.ends(ctx, post, postID, from, to)
	if err != nil {
		return fail(err)
	}
	if a >= b {
		return nil, nil
	}
	step := (b - a + int64(n) - 1) / int64(n)
	c := &charting{r: r, post: post, name: postID, origin: a, width: max(step, 1), to: b}
	switch {
	case step < nsMinute:
		err = c.samples(ctx, a, b)
	case step < nsHour || (b-a)/nsHour < 24*90:
		err = c.sums(ctx, perMinute, slotMinutes, nsMinute, a, b, n)
	default:
		err = c.sums(ctx, perHour, slotHours, nsHour, a, b, n)
	}
	var d *Damage
	if err != nil && !errors.As(err, &d) {
		return fail(err)
	}
	return c.points, err
}

// ends returns the span meant, in ns.
func (r *Reader) ends(ctx context.Context, post int32, name string, from, to time.Time) (a, b int64, err error) {
	a, b = nanos(from), nanos(to)
	if from.IsZero() {
		for v, err := range r.Values(ctx, name, time.Time{}, time.Time{}) {
			if err == nil {
				a = v.At[0]
				break
			}
			if d := (*Damage)(nil); !errors.As(err, &d) {
				return 0, 0, err
			}
		}
	}
	if to.IsZero() {
		last, err := r.lastAt(ctx, post, name)
		if err != nil {
			return 0, 0, err
		}
		b = last + 1
	}
	return a, b, nil
}

// lastAt returns the instant of the last sample; 0 when there is none.
func (r *Reader) lastAt(ctx context.Context, post int32, name string) (int64, error) {
	first, last := chunkRange(post)
	var at int64
	err := r.db.QueryRowContext(ctx, "SELECT ifnull((SELECT to_ns FROM chunks WHERE id BETWEEN ? AND ? ORDER BY id DESC LIMIT 1), 0)", first, last).Scan(&at)
	if err != nil && !corrupt(err) { // then all is read
		return 0, err
	}
	from := time.Time{}
	if at != 0 {
		from = instant(at)
	}
	for v, err := range r.Values(ctx, name, from, time.Time{}) {
		if err == nil {
			at = v.At[len(v.At)-1]
		}
	}
	return at, nil
}

// charting is a chart under way.
type charting struct {
	r          *Reader
	post       int32
	name       string
	origin, to int64
	width      int64
	points     []Point
	cur        entry
	place      int64
	damage     error
}

// take adds sums that begin at an instant to the point that they lie in.
func (c *charting) take(at int64, e *entry) {
	p := floorDiv(at-c.origin, c.width)
	if at >= c.to || p < 0 {
		return
	}
	if n := len(c.points); n == 0 || p != c.place {
		c.place, c.cur = p, entry{Sums: emptySums()}
		c.points = append(c.points, Point{From: instant(c.origin + p*c.width), To: instant(c.origin + (p+1)*c.width)})
	}
	c.cur.merge(e)
	c.points[len(c.points)-1].Sums = c.cur.Sums
}

// samples sums samples with a ≤ At < b up, at points of the chart's width.
func (c *charting) samples(ctx context.Context, a, b int64) error {
	t := tally{origin: c.origin, width: c.width, emit: func(place int64, e *entry) { c.take(c.origin+place*c.width, e) }}
	return c.tally(ctx, &t, a, b)
}

// tally gives samples to t, and the one before them, which may still hold.
func (c *charting) tally(ctx context.Context, t *tally, a, b int64) error {
	holds := map[int64]int64{}
	var longest sql.NullFloat64
	if err := c.r.db.QueryRowContext(ctx, "SELECT max(stale_s) FROM post_versions WHERE post = ? AND typeof(stale_s) = 'real'", c.post).Scan(&longest); err != nil {
		return err
	}
	for v, err := range c.r.Values(ctx, c.name, instant(a-int64(longest.Float64*1e9)), instant(b)) {
		if d := (*Damage)(nil); errors.As(err, &d) {
			c.damage = d
			t.has = false // nothing holds into what cannot be read
			continue
		}
		if err != nil {
			return err
		}
		for i, at := range v.At {
			hold, ok := holds[v.Version[i]]
			if !ok {
				hold, _ = holdIn(ctx, c.r.db, v.Version[i])
				holds[v.Version[i]] = hold
			}
			r := reading{at: at, quality: v.Quality[i], s: v.S[i], hold: hold}
			if at >= a {
				t.add(&r)
				continue
			}
			if t.has = at+hold > a; t.has { // only what lies in the chart
				r.at, r.hold = a, at+hold-a
				t.last = r
			}
		}
	}
	if t.has {
		t.cover(min(b, t.last.at+t.last.hold))
	}
	t.flush()
	return c.damage
}

// sums makes the points of the sums that are kept, and of the samples behind
// them.
func (c *charting) sums(ctx context.Context, level, slots, unit, a, b int64, n int) error {
	c.origin = floorDiv(a, unit) * unit
	c.width = ((b-c.origin+int64(n)-1)/int64(n) + unit - 1) / unit * unit
	next := c.origin // what is not summed up yet
	first, last := floorDiv(c.origin/unit, slots), min(floorDiv(b/unit, slots), stateSlot-1)
	err := each(ctx, c.r.db, "SELECT id & 2147483647, data FROM rollups WHERE id BETWEEN ? AND ? ORDER BY id", func(scan func(...any) error) error {
		var slot int64
		var blob []byte
		if err := scan(&slot, &blob); err != nil {
			return err
		}
		err := readEntries(blob, slot*slots, unit, func(place int64, e *entry) {
			if at := place * unit; at >= next {
				c.take(at, e)
				next = at + unit
			}
		})
		if err != nil {
			c.damage = &Damage{Post: c.name, From: instant(slot * slots * unit), To: instant((slot + 1) * slots * unit), Why: err.Error()}
		}
		return nil
	}, rollID(c.post, level, max(first, 0)), rollID(c.post, level, last))
	if err != nil {
		return err
	}
	if level == perHour && next < b {
		// The hour under way stands in the minutes.
		rest := &charting{r: c.r, post: c.post, name: c.name, origin: c.origin, width: c.width, to: c.to,
			points: c.points, cur: c.cur, place: c.place, damage: c.damage}
		err := rest.tail(ctx, next, b)
		c.points, c.damage = rest.points, rest.damage
		return err
	}
	if next < b {
		return c.rest(ctx, next, b)
	}
	return c.damage
}

// tail sums up minutes from an instant on, and then samples.
func (c *charting) tail(ctx context.Context, from, b int64) error {
	next := from
	err := each(ctx, c.r.db, "SELECT id & 2147483647, data FROM rollups WHERE id BETWEEN ? AND ? ORDER BY id", func(scan func(...any) error) error {
		var slot int64
		var blob []byte
		if err := scan(&slot, &blob); err != nil {
			return err
		}
		return readEntries(blob, slot*slotMinutes, nsMinute, func(place int64, e *entry) {
			if at := place * nsMinute; at >= next {
				c.take(at, e)
				next = at + nsMinute
			}
		})
	}, rollID(c.post, perMinute, max(floorDiv(from/nsMinute, slotMinutes), 0)), rollID(c.post, perMinute, stateSlot-1))
	if err != nil {
		return err
	}
	return c.rest(ctx, next, b)
}

// rest sums samples up minute by minute.
func (c *charting) rest(ctx context.Context, from, b int64) error {
	t := tally{width: nsMinute, emit: func(place int64, e *entry) { c.take(place*nsMinute, e) }}
	return c.tally(ctx, &t, from, b)
}
