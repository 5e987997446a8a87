package store

import (
	"context"
	"database/sql"
	"encoding/json"
	"fmt"
	"maps"
	"math"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/alarm"
	"ovenward/acquire/calib"
)

// commit makes what waits durable in one transaction, or nothing of it.
func (w *writer) commit(alarmsOnly bool) error {
	ctx := context.Background()
	if err := w.connect(ctx); err != nil {
		return err
	}
	b := w.s.take(alarmsOnly, w.removals)
	if b.empty() {
		return nil
	}
	started := w.s.o.Now()
	inDoubt := false
	defer func() {
		// Reached by errors and panics too: the rows must not stay in flight.
		switch {
		case b == nil:
		case inDoubt:
			w.doubt = b
		default:
			w.s.restore(b)
		}
	}()
	if err := w.begun(ctx); err != nil {
		return err
	}
	if err := w.write(ctx, b); err != nil {
		return fmt.Errorf("write to the record: %w", err)
	}
	if err := w.s.o.Fault(StepCommit); err != nil {
		return fmt.Errorf("commit to the record: %w", err)
	}
	w.s.hear()
	inDoubt = true
	if _, err := w.exec(ctx, "COMMIT"); err != nil {
		return fmt.Errorf("commit to the record: %w", err)
	}
	if err := w.s.o.Fault(StepAfterCommit); err != nil {
		return fmt.Errorf("commit to the record: %w", err)
	}
	done := b
	b = nil
	w.settled(done, w.s.o.Now().Sub(started))
	return nil
}

func (w *writer) begun(ctx context.Context) error {
	if err := w.s.o.Fault(StepBegin); err != nil {
		return fmt.Errorf("begin to write to the record: %w", err)
	}
	if _, err := w.exec(ctx, "BEGIN IMMEDIATE"); err != nil {
		return fmt.Errorf("begin to write to the record: %w", err)
	}
	w.pending, w.today, w.entered = w.chain, utcDay(w.s.o.Now()), nil
	return nil
}

// take cuts the next batch.
func (s *Store) take(alarmsOnly bool, remove []removal) *batch {
	s.mu.Lock()
	defer s.mu.Unlock()
	b := s.queue.take(alarmsOnly, s.o.Now().UTC(), remove)
	b.no = s.state.commits + 1
	return b
}

func (s *Store) restore(b *batch) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.queue.restore(b)
}

// committed takes note of a batch that is durable, and tells who waits for
// events.
func (s *Store) committed(b *batch, took time.Duration) {
	defer s.o.onCommit(b)
	s.mu.Lock()
	defer s.mu.Unlock()
	s.queue.committed(b)
	st := &s.state
	st.commits, st.at, st.took = b.no, s.o.Now(), took
	st.samples += uint64(b.samples)
	st.refused += uint64(b.refused)
	if len(b.events) > 0 {
		close(s.changed)
		s.changed = make(chan struct{})
		s.arrived(b.events)
	}
}

// arrived wakes who waits for one of these events. They are the last to be woken, and so
// the first to run.
func (s *Store) arrived(events []acquire.Event) {
	for i := range events {
		if c := s.awaited[events[i].ID]; c != nil {
			close(c)
			delete(s.awaited, events[i].ID)
		}
	}
	maps.DeleteFunc(s.awaited, func(id int64, _ chan struct{}) bool { return id <= s.recent.after })
}

// waits says whether anything is not committed.
func (s *Store) waits() bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	return !s.queue.firstAt.IsZero()
}

const (
	insertFragment   = "INSERT INTO fragments (id, data) VALUES (?, ?)"
	insertCorrection = `INSERT INTO corrections (correction, post, entered_at_ns, zero_w_per_m2, zero_at_ns, zero_by, certificate,
		frequency_hz, impedance, says_temperature, u_rel, u_abs_w_per_m2, u_k)
		VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)`
	insertEvent = "INSERT INTO events (id, at_ns, post, kind, who, text, raw, alarm) VALUES (?, ?, ?, ?, ?, ?, ?, ?)"
)

// write puts all rows of b into the open transaction.
func (w *writer) write(ctx context.Context, b *batch) error {
	if err := w.s.o.Fault(StepWrite); err != nil {
		return err
	}
	b.refused = b.late
	for _, c := range b.corrections {
		if err := w.refuse(w.writeCorrection(ctx, c), b, "a correction", "number", c.id); err != nil {
			return err
		}
	}
	for i := range b.events {
		if err := w.writeEvent(ctx, &b.events[i], b); err != nil {
			return err
		}
	}
	for i := range b.removals {
		if err := w.remove(ctx, &b.removals[i]); err != nil {
			return err
		}
	}
	if err := w.headOfDay(ctx); err != nil {
		return err
	}
	return w.writeFragments(ctx, b)
}

func (w *writer) writeCorrection(ctx context.Context, c correction) error {
	cert, err := w.certificate(ctx, c.c.Certificate)
	if err != nil {
		return err
	}
	var zeroAt any
	if !c.c.ZeroAt.IsZero() {
		zeroAt = nanos(c.c.ZeroAt)
	}
	args := []any{c.id, c.post, c.at, number(float64(c.c.Zero)), zeroAt, c.c.ZeroBy, cert}
	if _, err = w.exec(ctx, insertCorrection, append(args, settingArgs(c.c)...)...); err != nil {
		return err
	}
	return w.enterRow(ctx, "corrections", c.id)
}

func (w *writer) writeEvent(ctx context.Context, e *acquire.Event, b *batch) error {
	r, err := rowOf(e)
	if err != nil {
		return err
	}
	var raw any
	if r.hasRaw {
		raw = r.raw
	}
	if _, err = w.exec(ctx, insertEvent, r.id, r.at, r.post, r.kind, r.who, r.txt, raw, r.alarm); err != nil {
		return w.refuse(err, b, "an event", "number", e.ID)
	}
	w.entered = append(w.entered, r)
	if err := w.enter(ctx, chainEvent, r.id, r.hash()); err != nil || e.Alarm == nil {
		return err
	}
	_, err = w.exec(ctx, setAlarm, alarmArgs(e.Alarm.Alarm, e.ID)...)
	return err
}

// refuse lets a row go that the record will never take, so that it holds nothing
// else up; it is counted and told. Other errors are passed on.
func (w *writer) refuse(err error, b *batch, what string, args ...any) error {
	if err == nil || !rowRefused(err) {
		return err
	}
	b.refused++
	w.s.o.Log.Error("the record refuses "+what, append(args, "err", err)...)
	return nil
}

// certificate returns the number of the row that holds c, made if need be; nil
// for none.
func (w *writer) certificate(ctx context.Context, c *calib.Certificate) (any, error) {
	if c == nil {
		return nil, nil
	}
	args := []any{c.Number, c.Laboratory, day(c.Date), day(c.Due), number(c.Factor), number(c.U), number(c.K), detailOf(c)}
	st, err := w.stmt(ctx, `SELECT certificate FROM certificates WHERE number IS ? AND laboratory IS ? AND date IS ? AND due IS ?
		AND factor IS ? AND expanded_uncertainty IS ? AND k IS ? AND detail IS ?`)
	if err != nil {
		return nil, err
	}
	var id int64
	switch err := st.QueryRowContext(ctx, args...).Scan(&id); err {
	case nil:
		return id, nil
	case sql.ErrNoRows:
	default:
		return nil, err
	}
	// What names a row that was lost must not be given another.
	res, err := w.exec(ctx, `INSERT INTO certificates (certificate, number, laboratory, date, due, factor, expanded_uncertainty, k, detail)
		VALUES ((SELECT ifnull(max(certificate), 0) + 1 FROM (SELECT certificate FROM certificates UNION ALL SELECT certificate FROM corrections
			UNION ALL SELECT certificate FROM post_versions UNION ALL SELECT certificate FROM probe_certificates)), ?, ?, ?, ?, ?, ?, ?, ?)`, args...)
	if err != nil {
		return nil, err
	}
	if id, err = res.LastInsertId(); err != nil {
		return nil, err
	}
	return id, w.enterRow(ctx, "certificates", id)
}

// number is f, or NULL where f is none: SQLite has no not-a-number.
func number(f float64) any {
	if math.IsNaN(f) {
		return nil
	}
	return f
}

// day is an instant as a person reads it, exact to the nanosecond.
func day(t time.Time) string { return t.UTC().Format(time.RFC3339Nano) }

// changeJSON writes a change down. JSON has no infinities and no not-a-number;
// an alarm is not lost over one: the number is left out, and said in words.
func changeJSON(c alarm.Change) (string, error) {
	text, err := json.Marshal(c)
	if err != nil && c.Verdict != nil {
		g := *c.Verdict
		g.Reasons = append([]string(nil), g.Reasons...)
		leaveOut := func(name string, f *float64) *float64 {
			if f != nil && (math.IsNaN(*f) || math.IsInf(*f, 0)) {
				g.Reasons = append(g.Reasons, fmt.Sprintf("%s is %v", name, *f))
				return nil
			}
			return f
		}
		g.Value, g.Uncertainty = leaveOut("value", g.Value), leaveOut("uncertainty", g.Uncertainty)
		if leaveOut("limit", &g.Limit) == nil {
			g.Limit = 0
		}
		c.Verdict = &g
		text, err = json.Marshal(c)
	}
	if err != nil {
		return "", fmt.Errorf("write an alarm down: %w", err)
	}
	return string(text), nil
}
