package store

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"maps"
	"slices"
	"time"

	"ovenward/acquire/alarm"
)

// schemaTold keeps what was told to whom, and what came back: one row a change of
// an alarm and courier, when its receiver has accepted it or refused it for good.
// outcome is accepted or refused; a refused one is a dead letter. more counts
// earlier changes of the alarm that the message stood in for, attempts those it
// took. answer is what came back, without secrets. event is a row of events, or
// the number that one had that was lost.
const schemaTold = `
CREATE TABLE told (
  told      INTEGER PRIMARY KEY,
  courier   TEXT NOT NULL,
  receiver  TEXT NOT NULL,
  message   TEXT NOT NULL,
  event     INTEGER NOT NULL,
  post      TEXT NOT NULL,
  rule      TEXT NOT NULL,
  queued_ns INTEGER NOT NULL,
  at_ns     INTEGER NOT NULL,
  attempts  INTEGER NOT NULL,
  more      INTEGER NOT NULL,
  outcome   TEXT NOT NULL,
  answer    TEXT NOT NULL,
  subject   TEXT NOT NULL,
  text      TEXT NOT NULL
) STRICT;
CREATE INDEX told_event ON told (event);
CREATE INDEX told_refused ON told (told) WHERE outcome = 'refused';
`

// ToldOutcome is what came of a message in the end.
type ToldOutcome string

const (
	ToldAccepted ToldOutcome = "accepted"
	ToldRefused  ToldOutcome = "refused" // for good: a dead letter
)

// Told is one change of an alarm that was told to one courier's receiver.
type Told struct {
	ID        int64       `json:"id"` // given by the record, rising
	Courier   string      `json:"courier"`
	To        string      `json:"to"` // without secrets
	MessageID string      `json:"message_id"`
	Event     int64       `json:"event_id"`
	Post      string      `json:"post,omitempty"`
	Rule      string      `json:"rule"`
	Queued    time.Time   `json:"queued"`
	At        time.Time   `json:"at"` // when it was settled
	Attempts  int         `json:"attempts"`
	More      int         `json:"and_n_more"`
	Outcome   ToldOutcome `json:"outcome"`
	Answer    string      `json:"answer"`
	Subject   string      `json:"subject"`
	Text      string      `json:"text"`
}

// Keep makes cursors of couriers, by name, and what was told durable when it
// returns, all or nothing. A cursor of 0 is one that is not there.
func (s *Store) Keep(ctx context.Context, cursors map[string]int64, told []Told) error {
	cursors, told = maps.Clone(cursors), slices.Clone(told)
	return s.ask(ctx, "keep what was told", func(ctx context.Context, w *writer) error {
		for name, id := range cursors {
			if id == 0 {
				if _, err := w.exec(ctx, "DELETE FROM cursors WHERE name = ?", name); err != nil {
					return err
				}
				continue
			}
			if _, err := w.exec(ctx, "INSERT INTO cursors (name, event) VALUES (?, ?) ON CONFLICT DO UPDATE SET event = excluded.event", name, id); err != nil {
				return err
			}
		}
		for _, t := range told {
			res, err := w.exec(ctx, `INSERT INTO told (courier, receiver, message, event, post, rule, queued_ns, at_ns, attempts, more, outcome, answer, subject, text)
				VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)`, t.Courier, t.To, t.MessageID, t.Event, t.Post, t.Rule,
				nanos(t.Queued), nanos(t.At), t.Attempts, t.More, string(t.Outcome), t.Answer, t.Subject, t.Text)
			if err != nil {
				return err
			}
			id, err := res.LastInsertId()
			if err != nil {
				return err
			}
			if err := w.enterRow(ctx, "told", id); err != nil {
				return err
			}
		}
		return nil
	})
}

// ToldQuery says which rows Told returns; empty fields let all pass.
type ToldQuery struct {
	Before  int64 // only ids below; 0: all
	Event   int64
	Courier string
	Outcome ToldOutcome
}

// sql writes the query, with a condition for each field that is set, so that an
// index serves it: that of dead letters is only used where their outcome stands in
// the text.
func (q ToldQuery) sql(limit int) (text string, args []any) {
	text = `SELECT told, courier, receiver, message, event, post, rule, queued_ns, at_ns, attempts, more, outcome, answer, subject, text FROM told WHERE true`
	if q.Before != 0 {
		text, args = text+" AND told < ?", append(args, q.Before)
	}
	if q.Event != 0 {
		text, args = text+" AND event = ?", append(args, q.Event)
	}
	if q.Courier != "" {
		text, args = text+" AND courier = ?", append(args, q.Courier)
	}
	switch q.Outcome {
	case "":
	case ToldRefused:
		text += " AND outcome = 'refused'"
	default:
		text, args = text+" AND outcome = ?", append(args, string(q.Outcome))
	}
	return text + " ORDER BY told DESC LIMIT ?", append(args, limit)
}

// Told returns what was told, the newest first, at most limit.
func (r *Reader) Told(ctx context.Context, q ToldQuery, limit int) ([]Told, error) {
	var out []Told
	text, args := q.sql(limit)
	err := each(ctx, r.db, text,
		func(scan func(...any) error) error {
			var t Told
			var queued, at int64
			err := scan(&t.ID, &t.Courier, &t.To, &t.MessageID, &t.Event, &t.Post, &t.Rule, &queued, &at, &t.Attempts, &t.More,
				&t.Outcome, &t.Answer, &t.Subject, &t.Text)
			if errors.Is(err, ErrLost) {
				return nil
			}
			t.Queued, t.At = instant(queued), instant(at)
			out = append(out, t)
			return err
		}, args...)
	if err != nil {
		return nil, fmt.Errorf("read what was told: %w", err)
	}
	return out, nil
}

// toldAtOnce is how many rows one run removes of what was told, so that it is short.
const toldAtOnce = 5000

// retainTold chooses what was told longer ago than it is to be kept. What was told
// of the present occurrence of an alarm that stands is evidence, and stays; so do
// the events, which say what there was to tell.
func (w *writer) retainTold(ctx context.Context, now time.Time) error {
	age := w.s.o.Retention.Told
	if age <= 0 {
		return nil
	}
	r := removal{}
	// Rows come in the order of their time, so that looking ends at the first one that
	// is young enough.
	err := each(ctx, w.conn, `SELECT t.told FROM told t
		WHERE t.told < ifnull((SELECT told FROM told WHERE at_ns >= ?1 ORDER BY told LIMIT 1), 9223372036854775807)
		AND t.at_ns < ?1 AND NOT EXISTS
		(SELECT 1 FROM alarms a WHERE a.post = t.post AND a.rule = t.rule AND a.state NOT IN ('', ?2) AND t.at_ns >= a.since_ns)
		ORDER BY t.told LIMIT ?3`, func(scan func(...any) error) error {
		var id int64
		err := scan(&id)
		r.told = append(r.told, id)
		return err
	}, nanos(now.Add(-age)), string(alarm.Normal), toldAtOnce)
	if err != nil {
		return fmt.Errorf("look for what was told: %w", err)
	}
	if n := len(r.told); n > 0 {
		r.text = fmt.Sprintf("%d rows of what was told longer ago than %s were removed", n, age)
		w.removals = append(w.removals, r)
	}
	return nil
}

// removeTold removes these rows in the open transaction. That they are gone enters
// the chain, as a hash of zeros.
func (w *writer) removeTold(ctx context.Context, told []int64) error {
	for _, id := range told {
		_, err := w.exec(ctx, "DELETE FROM told WHERE told = ?", id)
		if err == nil {
			err = w.enter(ctx, "told", id, [sha256.Size]byte{})
		}
		if err != nil {
			return fmt.Errorf("remove what was told: %w", err)
		}
	}
	return nil
}
