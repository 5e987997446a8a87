package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"math"
	"strings"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/calib"
)

// serve does a request in a transaction of its own.
func (w *writer) serve(r request) error {
	ctx := context.Background()
	fail := func(err error) error {
		return fmt.Errorf("%s: %w: %s", r.what, err, advice(err, w.s.dir))
	}
	if err := w.connect(ctx); err != nil {
		return fail(err)
	}
	if err := w.begun(ctx); err != nil {
		return fail(err)
	}
	w.added = nil
	if err := r.do(ctx, w); err != nil {
		return fail(err)
	}
	if err := w.headOfDay(ctx); err != nil {
		return fail(err)
	}
	b := w.s.numbered()
	if _, err := w.exec(ctx, "UPDATE record SET commits = ?, committed_ns = ?", b.no, nanos(b.at)); err != nil {
		return fail(err)
	}
	if err := w.s.o.Fault(StepCommit); err != nil {
		return fail(err)
	}
	if _, err := w.exec(ctx, "COMMIT"); err != nil {
		return fail(err)
	}
	if err := w.s.o.Fault(StepAfterCommit); err != nil {
		return fail(err)
	}
	w.unfolded = true
	events := len(w.entered) > 0
	w.chained()
	w.s.served(b, w.added, events)
	w.side.note(b)
	w.sideChecked()
	return nil
}

// added is how far samples of a post go that a request brought in.
type added struct {
	post int32
	name string
	last mark
}

// numbered returns the next commit, which holds no samples that waited.
func (s *Store) numbered() *batch {
	s.mu.Lock()
	defer s.mu.Unlock()
	return &batch{no: s.state.commits + 1, at: s.o.Now().UTC(), last: map[int32]mark{}}
}

// served takes note of a request that is durable, and tells who waits for events where it
// wrote any.
func (s *Store) served(b *batch, all []added, events bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.state.commits, s.state.at = b.no, s.o.Now()
	for _, a := range all {
		s.queue.names[a.post], s.queue.last[a.post], b.last[a.post] = a.name, a.last, a.last
	}
	if events {
		close(s.changed)
		s.changed = make(chan struct{})
	}
}

// ask has the writer do something, and waits for it.
//
// Whoever asked may be gone before the writer is done: do reads nothing that they change later,
// and what it gives them counts only where there is no error.
func (s *Store) ask(ctx context.Context, what string, do func(ctx context.Context, w *writer) error) error {
	r := request{what: what, do: do, done: make(chan error, 1)}
	select {
	case s.requests <- r:
		select {
		case err := <-r.done:
			return err
		case <-ctx.Done(): // a disk that hangs holds nobody beyond their time
			return fmt.Errorf("%s: %w", what, ctx.Err())
		}
	case <-s.stop:
		return fmt.Errorf("%s: the record is closed", what)
	case <-ctx.Done():
		return fmt.Errorf("%s: %w", what, ctx.Err())
	}
}

// Register makes the posts known, durably when it returns: their order is the
// index of Append, Correction and Past. A new version of a post is written only
// when something differs from its newest one; now is since when it counts.
func (s *Store) Register(posts []acquire.Post, now time.Time) error {
	_, err := s.enlist(posts, now, false)
	return err
}

// Enlist makes further posts, or changed ones, known as Register does, beside those
// that are, and returns the index of the first. The indices that were given before
// stay: one whose post is appended to no more is given to no other.
func (s *Store) Enlist(posts []acquire.Post, now time.Time) (first int, err error) {
	return s.enlist(posts, now, true)
}

func (s *Store) enlist(posts []acquire.Post, now time.Time, beside bool) (first int, err error) {
	places := make([]place, len(posts))
	err = s.ask(context.Background(), "register the posts", func(ctx context.Context, w *writer) error {
		for i := range posts {
			p, err := w.register(ctx, &posts[i], now)
			if err != nil {
				return fmt.Errorf("post %s: %w", posts[i].ID, err)
			}
			places[i] = p
		}
		return nil
	})
	if err != nil {
		return 0, err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	for i := range places {
		for _, old := range s.places {
			// What was told since, and is not committed yet, counts.
			if old.post == places[i].post && old.correction > places[i].correction {
				places[i].correction, places[i].inForce = old.correction, old.inForce
			}
		}
		s.queue.names[places[i].post] = places[i].id
		s.queue.asked(places[i].post, posts[i].Probe.Period)
	}
	if beside {
		first = len(s.places)
		places = append(s.places[:first:first], places...)
	}
	s.places = places
	return first, nil
}

func (w *writer) register(ctx context.Context, p *acquire.Post, now time.Time) (place, error) {
	pl := place{id: p.ID}
	var err error
	if pl.post, err = w.postNumber(ctx, p.ID); err != nil {
		return pl, err
	}
	cert, err := w.certificate(ctx, p.Probe.Certificate)
	if err != nil {
		return pl, err
	}
	if pl.version, err = w.postVersion(ctx, pl.post, columnsOf(p, cert), now); err != nil {
		return pl, err
	}
	c, id, err := newestCorrection(ctx, w.conn, pl.post, false)
	pl.correction, pl.inForce = id, c
	return pl, err
}

// column is one column of post_versions.
type column struct {
	name  string
	value any
}

// columnsOf is all that shapes what is derived from a post's samples.
func columnsOf(p *acquire.Post, certificate any) []column {
	return append(calibrationColumns(p), append([]column{
		{"site", p.Site}, {"oven", p.Oven}, {"oven_place", p.OvenPlace},
		{"distance_m", number(float64(p.Distance))}, {"turned", p.Turned},
		{"limit_id", p.Limit.ID}, {"limit_w_per_m2", number(float64(p.Limit.Value))},
		{"limit_distance_m", number(float64(p.Limit.Distance))},
		{"limit_basis", string(p.Limit.Basis)}, {"limit_source", p.Limit.Source},
		{"sustained_unbroken_s", p.Sustained.Unbroken.Seconds()}, {"sustained_summed_s", p.Sustained.Summed.Seconds()},
		{"sustained_within_s", p.Sustained.Within.Seconds()}, {"sustained_clear_s", p.Sustained.Clear.Seconds()},
		{"run_gap_s", p.RunGap.Seconds()}, {"silent_s", p.Silent.Seconds()},
		{"stale_s", p.Stale.Seconds()}, {"stuck_s", p.Stuck.Seconds()},
		{"probe", p.Probe.ID}, {"probe_port", p.Probe.Port},
		{"probe_period_s", p.Probe.Period.Seconds()}, {"probe_timeout_s", p.Probe.Timeout.Seconds()},
		{"probe_response_s", p.Probe.Response.Seconds()},
		{"probe_range_w_per_m2", number(float64(p.Probe.Range))}, {"probe_floor_w_per_m2", number(float64(p.Probe.Floor))},
		{"probe_axes", p.Probe.Axes}, {"probe_zero_bound_w_per_m2", number(float64(p.Probe.ZeroBound))},
		{"probe_simulated", p.Probe.Simulated}, {"certificate", certificate},
		{"limit_averaging_s", orNull(p.Limit.Averaging.Seconds())}, {"limit_rule", ruleOf(p.Limit)}, {"limit_response_s", orNull(p.Limit.Slowest.Seconds())},
		{"limits_more", moreLimits(p.More)}, {"rules", rulesOf(p.Rules)},
	}, moreColumns(p)...)...)
}

// postVersion returns the newest version of the post, made if it differs.
func (w *writer) postVersion(ctx context.Context, post int32, cols []column, now time.Time) (int64, error) {
	var same, names, marks strings.Builder
	args := []any{post, post}
	insert := []any{post, nanos(now), nanos(now)}
	for _, c := range cols {
		fmt.Fprintf(&same, " AND %s IS ?", c.name)
		fmt.Fprintf(&names, ", %s", c.name)
		marks.WriteString(", ?")
		args, insert = append(args, c.value), append(insert, c.value)
	}
	var v int64
	err := w.conn.QueryRowContext(ctx, "SELECT version FROM post_versions WHERE post = ? AND version = "+
		"(SELECT max(version) FROM post_versions WHERE post = ?)"+same.String(), args...).Scan(&v)
	if err != sql.ErrNoRows {
		return v, err
	}
	res, err := w.exec(ctx, "INSERT INTO post_versions (version, post, valid_from_ns, entered_at_ns"+names.String()+
		") VALUES ((SELECT max(next_version, (SELECT ifnull(max(version), 0) + 1 FROM post_versions)) FROM record), ?, ?, ?"+marks.String()+")", insert...)
	if err != nil {
		return 0, err
	}
	if v, err = res.LastInsertId(); err != nil {
		return 0, err
	}
	return v, w.enterRow(ctx, "post_versions", v)
}

// postNumber returns the number of a post, made if need be.
func (w *writer) postNumber(ctx context.Context, id string) (int32, error) {
	var post int32
	err := w.conn.QueryRowContext(ctx, "SELECT post FROM posts WHERE id = ?", id).Scan(&post)
	if err != sql.ErrNoRows {
		return post, err
	}
	// What names a row that was lost must not be given another.
	if err := w.conn.QueryRowContext(ctx, `INSERT INTO posts (post, id) VALUES ((SELECT ifnull(max(post), 0) + 1 FROM (SELECT post FROM posts
		UNION ALL SELECT post FROM post_versions UNION ALL SELECT post FROM corrections
		UNION ALL SELECT max(id) >> 32 FROM chunks UNION ALL SELECT max(id) >> 32 FROM rollups)), ?) RETURNING post`, id).Scan(&post); err != nil {
		return 0, err
	}
	return post, w.enterRow(ctx, "posts", int64(post))
}

const selectCorrection = `SELECT k.correction, k.zero_w_per_m2, k.zero_at_ns, k.zero_by,
	k.frequency_hz, k.impedance, k.says_temperature, k.u_rel, k.u_abs_w_per_m2, k.u_k,
	` + certificateColumns + `, k.certificate NOTNULL AND c.certificate ISNULL
	FROM corrections AS k LEFT JOIN certificates AS c USING (certificate) `

// newestCorrection returns the newest correction of a post and its number, 0 if
// there is none; with zeroed the newest that rests on a zero that was taken.
func newestCorrection(ctx context.Context, q querier, post int32, zeroed bool) (calib.Correction, int64, error) {
	only := ""
	if zeroed {
		only = " AND k.zero_at_ns IS NOT NULL"
	}
	id, c, lost, err := scanCorrection(ctx, q, "WHERE k.post = ?"+only+" ORDER BY k.correction DESC LIMIT 1", post)
	if err != nil || lost && !zeroed { // of one that is lost no sample more
		return calib.Correction{}, 0, err
	}
	return c, id, nil
}

// scanCorrection reads a correction; lost says that it or its certificate is not there, or
// damaged.
func scanCorrection(ctx context.Context, from querier, which string, arg any) (id int64, c calib.Correction, lost bool, err error) {
	lost = true
	err = each(ctx, from, selectCorrection+which, func(scan func(...any) error) error {
		var (
			zero   sql.NullFloat64
			zeroAt sql.NullInt64
			by     string
			set    setting
			cert   certificateRow
		)
		into := append([]any{&id, &zero, &zeroAt, &by, &set.frequency, &set.impedance, &set.saysTemperature, &set.rel, &set.abs, &set.k}, cert.into()...)
		if err := scan(append(into, &lost)...); err != nil {
			lost = true
			return err
		}
		c.Zero, c.ZeroAt, c.ZeroBy = powerDensity(zero), instant(zeroAt.Int64), by
		damaged := false
		c.Certificate, damaged = cert.read()
		lost = lost || damaged || set.into(&c) != nil
		return nil
	}, arg)
	if errors.Is(err, ErrLost) {
		err = nil
	}
	return id, c, lost, err
}

func orNaN(f sql.NullFloat64) float64 {
	if !f.Valid {
		return math.NaN()
	}
	return f.Float64
}
