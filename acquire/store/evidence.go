package store

import (
	"bytes"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/alarm"
)

// Evidence is a span of a post's samples that is kept whatever its age.
type Evidence struct {
	Post     string
	From, To time.Time // zero To: for as long as it goes on
	Why      string    // what it is kept for: survey, soak
	What     string    // which one, by its id
	Who      string
}

// KeepEvidence keeps a span of samples, durably when it returns. One of the same
// Post, Why and What takes the place of the one before: so a soak keeps its span
// open when it begins, and says again from when to when at its end. Post, From, Why
// and What are needed.
func (s *Store) KeepEvidence(ctx context.Context, e Evidence) error {
	if err := e.whole(); err != nil {
		return err
	}
	if e.From.IsZero() || !e.To.IsZero() && e.To.Before(e.From) {
		return fmt.Errorf("keep the samples of %s %s at post %s: they are from %s to %s; say when it began, and an end that is not before it",
			e.Why, e.What, e.Post, e.From, e.To)
	}
	return s.ask(ctx, "keep the samples of "+e.Why+" "+e.What, func(ctx context.Context, w *writer) error { return w.writeEvidence(ctx, e, 0) })
}

// ReleaseEvidence ends the keeping of what Post, Why and What of e name; then only
// its age counts. An event tells who did.
func (s *Store) ReleaseEvidence(ctx context.Context, e Evidence) error {
	if err := e.whole(); err != nil {
		return err
	}
	err := s.ask(ctx, "keep the samples of "+e.Why+" "+e.What+" no longer", func(ctx context.Context, w *writer) error {
		return w.writeEvidence(ctx, e, 1)
	})
	if err == nil {
		s.Record(acquire.Event{At: s.o.Now().UTC(), Post: e.Post, Kind: acquire.KindRecord, Who: e.Who,
			Text: fmt.Sprintf("the samples of %s %s are no longer kept as evidence", e.Why, e.What)})
	}
	return err
}

func (e *Evidence) whole() error {
	if e.Post == "" || e.Why == "" || e.What == "" {
		return errors.New("evidence names no post, or not what it is kept for: give Post, Why and What")
	}
	return nil
}

func (w *writer) writeEvidence(ctx context.Context, e Evidence, released int) error {
	var to any
	if !e.To.IsZero() {
		to = nanos(e.To)
	}
	var same int
	err := w.conn.QueryRowContext(ctx, `SELECT count(*) FROM evidence WHERE evidence = (SELECT max(evidence) FROM evidence WHERE post = ?1 AND why = ?2 AND what = ?3)
		AND from_ns = ?4 AND to_ns IS ?5 AND released = ?6`, e.Post, e.Why, e.What, nanos(e.From), to, released).Scan(&same)
	if err != nil || same > 0 {
		return err
	}
	res, err := w.exec(ctx, "INSERT INTO evidence (entered_at_ns, post, from_ns, to_ns, why, what, who, released) VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
		nanos(w.s.o.Now()), e.Post, nanos(e.From), to, e.Why, e.What, e.Who, released)
	if err != nil {
		return err
	}
	id, err := res.LastInsertId()
	if err != nil {
		return err
	}
	return w.enterRow(ctx, "evidence", id)
}

const selectEvidence = `SELECT post, from_ns, to_ns, why, what, who FROM evidence WHERE evidence IN
	(SELECT max(evidence) FROM evidence WHERE post = ? GROUP BY why, what) AND released = 0 ORDER BY from_ns`

// Evidence returns what is kept of a post, the oldest first; alarms, which keep
// their samples by themselves, are not in it.
func (r *Reader) Evidence(ctx context.Context, post string) ([]Evidence, error) {
	all, err := evidenceIn(ctx, r.db, post)
	if err != nil {
		return nil, fmt.Errorf("read what is kept of post %s: %w", post, err)
	}
	return all, nil
}

func evidenceIn(ctx context.Context, q querier, post string) (all []Evidence, err error) {
	err = each(ctx, q, selectEvidence, func(scan func(...any) error) error {
		var e Evidence
		var from int64
		var to sql.NullInt64
		err := scan(&e.Post, &from, &to, &e.Why, &e.What, &e.Who)
		e.From, e.To = instant(from), instant(to.Int64)
		all = append(all, e)
		return err
	}, post)
	return all, err
}

// damagedEvidence says whether a row of evidence that counts for a post, or that released some,
// is not as the chain of hashes knows it: then all of the post is kept, until somebody keeps or
// releases the same again, or a rebuilding leaves the row out.
func (w *writer) damagedEvidence(ctx context.Context, post string) (damaged bool, err error) {
	names, usual, err := columnsIn(ctx, w.conn, "evidence")
	if err != nil {
		return false, err
	}
	err = each(ctx, w.conn, `SELECT evidence, (SELECT sha256 FROM chain WHERE kind = 'evidence' AND ref = evidence ORDER BY entry DESC LIMIT 1), `+strings.Join(names, ", ")+`
		FROM evidence WHERE evidence IN (SELECT max(evidence) FROM evidence WHERE post = ? GROUP BY why, what)`, func(scan func(...any) error) error {
		var id int64
		var known []byte
		values, to := make([]any, len(names)), []any{&id, &known}
		for i := range values {
			to = append(to, &values[i])
		}
		if err := scan(to...); err != nil {
			return err
		}
		if sum, err := hashOf(names, usual, values); err != nil || known == nil || bytes.Equal(sum[:], known) {
			return err
		}
		damaged = true
		w.s.o.Log.Error("what is kept for evidence is damaged, so that no sample of this post is removed; keep or release the same again to mend it", "post", post, "row", id)
		return nil
	}, post)
	return damaged, err
}

// selectKept reads of the changes of a post's alarms what keeps samples. It fails over one
// that is damaged, of which selectSound reads nothing; that takes three times as long.
const (
	keptColumns = "SELECT id, at_ns, alarm ->> '$.rule', alarm ->> '$.state', alarm ->> '$.from', alarm ->> '$.since', alarm ->> '$.changed', alarm ->> '$.reason' FROM "
	selectKept  = keptColumns + "events WHERE post = ? AND alarm IS NOT NULL ORDER BY id"
	selectSound = keptColumns + "(SELECT id, at_ns, CASE WHEN json_valid(alarm) THEN alarm END AS alarm FROM events WHERE post = ? AND alarm IS NOT NULL) ORDER BY id"
)

// keptSpans returns the spans of a post's samples, in ns, both ends included,
// that no age and no size removes: those of evidence, and round each alarm from
// its raising until it stands no longer, and round each event of it after that;
// but what was over long enough ago.
func (w *writer) keptSpans(ctx context.Context, post string, now int64) ([][2]int64, error) {
	spans, err := w.alarmSpans(ctx, post, now)
	if err != nil {
		return nil, fmt.Errorf("read its alarms: %w", err)
	}
	kept, err := evidenceIn(ctx, w.conn, post)
	if err != nil {
		return nil, fmt.Errorf("read what is kept of it: %w", err)
	}
	damaged, err := w.damagedEvidence(ctx, post)
	if err != nil {
		return nil, fmt.Errorf("compare what is kept of it with the chain of hashes: %w", err)
	}
	if damaged {
		return [][2]int64{{math.MinInt64, math.MaxInt64}}, nil
	}
	for _, e := range kept {
		to := now
		if !e.To.IsZero() {
			to = nanos(e.To)
		}
		spans = append(spans, [2]int64{nanos(e.From), to})
	}
	if age := int64(w.s.o.Retention.Evidence); age > 0 {
		spans = slices.DeleteFunc(spans, func(s [2]int64) bool { return s[1] < now-age })
	}
	return spans, nil
}

// alarmSpans returns the spans that the alarms of a post keep.
func (w *writer) alarmSpans(ctx context.Context, post string, now int64) ([][2]int64, error) {
	k, err := w.keptBy(ctx, selectKept, post)
	if err != nil && ctx.Err() == nil {
		k, err = w.keptBy(ctx, selectSound, post)
	}
	if err != nil {
		return nil, err
	}
	for _, since := range k.begun {
		k.spans = append(k.spans, [2]int64{since - k.around, now})
	}
	return k.spans, nil
}

func (w *writer) keptBy(ctx context.Context, query, post string) (*alarmKeep, error) {
	k := &alarmKeep{q: w.conn, around: int64(w.s.o.Retention.Around), begun: map[alarm.Rule]int64{}}
	return k, each(ctx, w.conn, query, func(scan func(...any) error) error { return k.take(ctx, scan) }, post)
}

// alarmKeep is what the changes of a post's alarms keep, so far.
type alarmKeep struct {
	q      querier
	around int64
	spans  [][2]int64
	begun  map[alarm.Rule]int64 // of alarms that stand
	last   int64                // change
}

// take takes the next change.
func (k *alarmKeep) take(ctx context.Context, scan func(...any) error) error {
	var id int64
	var when any
	var rule, state, from, since, changed, reason sql.NullString
	if err := scan(&id, &when, &rule, &state, &from, &since, &changed, &reason); err != nil {
		return err
	}
	at, whole := when.(int64)
	to := at
	if is, err := time.Parse(time.RFC3339Nano, changed.String); !whole {
		if at = nanos(is); err != nil {
			at = k.last
		}
		to = at
	} else if err == nil && from != state { // says the same, or one of the two is damaged
		at, to = min(at, nanos(is)), max(at, nanos(is))
	}
	k.last = to
	c := alarm.Change{Alarm: alarm.Alarm{Rule: alarm.Rule(rule.String), State: alarm.State(state.String)}, From: alarm.State(from.String), Reason: alarm.Reason(reason.String)}
	if !c.State.Known() {
		e := acquire.Event{ID: id}
		if err := standIn(ctx, k.q, &e); err != nil {
			return err
		}
		if e.Alarm == nil { // the next change of that alarm tells how it stood
			k.spans = append(k.spans, [2]int64{at - k.around, to + k.around})
			return nil
		}
		c = *e.Alarm
	}
	begin, stood := k.begun[c.Rule]
	if !stood {
		begin = at
	}
	counts := !c.Rule.IsNotice()
	if counts && !stood && (c.From.Standing() || c.Reason == alarm.Unread) { // what raised it is lost
		if raised, err := time.Parse(time.RFC3339Nano, since.String); err == nil {
			c.Since = raised
		}
		if !c.Since.IsZero() {
			begin = min(begin, nanos(c.Since))
		}
	}
	if counts && c.State.Standing() {
		k.begun[c.Rule] = begin
		return nil
	}
	delete(k.begun, c.Rule)
	k.spans = append(k.spans, [2]int64{begin - k.around, to + k.around})
	return nil
}
