package store

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"time"

	"ovenward/acquire/cycle/soak"
)

// schemaSoaks keeps soak tests: the plan as JSON, and what happened as marks, which
// are only ever added. What a test has come to is folded from its marks. operations
// is how many more a mark counts, counted_from where; checkpoint, survey and outcome
// tell of a survey that was made for a checkpoint.
const schemaSoaks = `
CREATE TABLE soaks (
  soak       TEXT PRIMARY KEY,
  oven       TEXT NOT NULL,
  post       TEXT NOT NULL,
  entered_ns INTEGER NOT NULL,
  who        TEXT NOT NULL,
  plan       TEXT NOT NULL
) STRICT;
CREATE TABLE soak_marks (
  mark         INTEGER PRIMARY KEY,
  soak         TEXT NOT NULL REFERENCES soaks (soak),
  at_ns        INTEGER NOT NULL,
  entered_ns   INTEGER NOT NULL,
  kind         TEXT NOT NULL,
  who          TEXT NOT NULL,
  text         TEXT NOT NULL,
  operations   INTEGER NOT NULL,
  counted_from TEXT NOT NULL,
  checkpoint   INTEGER NOT NULL,
  survey       TEXT NOT NULL,
  outcome      TEXT NOT NULL
) STRICT;
CREATE INDEX soak_marks_soak ON soak_marks (soak, mark);
`

// PlanSoak keeps the plan of a soak test, durably when it returns. An id is used
// once.
func (s *Store) PlanSoak(ctx context.Context, p soak.Plan, who string, now time.Time) error {
	plan, err := json.Marshal(p)
	if err != nil {
		return fmt.Errorf("plan soak test %s: %w", p.ID, err)
	}
	return s.ask(ctx, "plan a soak test", func(ctx context.Context, w *writer) error {
		n, err := w.exec(ctx, `INSERT INTO soaks (soak, oven, post, entered_ns, who, plan, number)
			VALUES (?, ?, ?, ?, ?, ?, (SELECT ifnull(max(number), 0) + 1 FROM soaks)) ON CONFLICT DO NOTHING`,
			p.ID, p.Oven, p.Post, nanos(now), who, string(plan))
		if err != nil {
			return err
		}
		if k, err := n.RowsAffected(); err != nil || k == 0 {
			return fmt.Errorf("there is a soak test %s already: give this one another id", p.ID)
		}
		var number int64
		if err := w.conn.QueryRowContext(ctx, "SELECT number FROM soaks WHERE soak = ?", p.ID).Scan(&number); err != nil {
			return err
		}
		return w.enterRow(ctx, "soaks", number)
	})
}

// MarkSoak keeps a mark of a soak test, durably when it returns, and gives it its
// number. The samples of its post from its start to its end are evidence, whatever
// their age.
func (s *Store) MarkSoak(ctx context.Context, m soak.Mark) (int64, error) {
	var id int64
	err := s.ask(ctx, "keep what happened to a soak test", func(ctx context.Context, w *writer) error {
		n, err := w.exec(ctx, `INSERT INTO soak_marks (soak, at_ns, entered_ns, kind, who, text, operations, counted_from, checkpoint, survey, outcome)
			VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)`, m.Soak, nanos(m.At), nanos(m.Entered), string(m.Kind), m.Who, m.Text, m.Count, string(m.From),
			m.Checkpoint, m.Survey, m.Outcome)
		if err != nil {
			return err
		}
		if id, err = n.LastInsertId(); err != nil {
			return err
		}
		if err := w.enterRow(ctx, "soak_marks", id); err != nil {
			return err
		}
		return w.soakEvidence(ctx, m)
	})
	if err != nil {
		return 0, err
	}
	return id, nil
}

// soakAround is how much before and behind a soak test is kept with it: what the
// detection of its runs needs to know of rest.
const soakAround = 2 * time.Hour

// soakEvidence keeps the samples of a test whatever their age, from its start on and
// at its end up to there.
func (w *writer) soakEvidence(ctx context.Context, m soak.Mark) error {
	e := Evidence{Why: "soak", What: m.Soak, Who: m.Who}
	switch m.Kind {
	case soak.Started:
	case soak.Finished, soak.Aborted, soak.Stopped:
		e.To = m.At.Add(soakAround)
	default:
		return nil
	}
	var from int64
	err := w.conn.QueryRowContext(ctx, "SELECT post, min(at_ns) FROM soak_marks JOIN soaks USING (soak) WHERE soak = ? AND kind = ? GROUP BY post", m.Soak, string(soak.Started)).
		Scan(&e.Post, &from)
	if errors.Is(err, sql.ErrNoRows) {
		return nil // it was never started
	}
	if err != nil {
		return err
	}
	e.From = instant(from).Add(-soakAround)
	return w.writeEvidence(ctx, e, 0)
}

// Soaks reads all soak tests, folded, in the order in which they were planned. A mark
// that does not fit, as after damage, is left out and told in Life.Damage; one of a
// test that is not there, or whose plan is damaged, is left out; ovenward verify tells.
func (r *Reader) Soaks(ctx context.Context) ([]*soak.Life, error) {
	return r.SoaksBy(ctx, time.Time{})
}

// SoaksBy reads them as they stood at an instant; as they stand when it is zero.
func (r *Reader) SoaksBy(ctx context.Context, by time.Time) ([]*soak.Life, error) {
	until := int64(math.MaxInt64)
	if !by.IsZero() {
		until = nanos(by)
	}
	var all []*soak.Life
	byID := map[string]*soak.Life{}
	err := each(ctx, r.db, "SELECT plan FROM soaks ORDER BY entered_ns, soak", func(scan func(...any) error) error {
		var text string
		if err := scan(&text); err != nil && !errors.Is(err, ErrLost) {
			return err
		}
		var p soak.Plan
		if json.Unmarshal([]byte(text), &p) != nil {
			return nil
		}
		l := soak.New(p)
		all, byID[p.ID] = append(all, l), l
		return nil
	})
	if err == nil {
		err = each(ctx, r.db, `SELECT mark, soak, at_ns, entered_ns, kind, who, text, operations, counted_from, checkpoint, survey, outcome
			FROM soak_marks WHERE at_ns <= ? ORDER BY mark`, func(scan func(...any) error) error {
			var m soak.Mark
			var at, entered int64
			err := scan(&m.ID, &m.Soak, &at, &entered, &m.Kind, &m.Who, &m.Text, &m.Count, &m.From, &m.Checkpoint, &m.Survey, &m.Outcome)
			if err != nil && !errors.Is(err, ErrLost) {
				return err
			}
			m.At, m.Entered = instant(at), instant(entered)
			l := byID[m.Soak]
			if l == nil {
				return nil
			}
			if err == nil {
				err = l.Take(m)
			}
			if err != nil {
				l.Unfit(m, err)
			}
			return nil
		}, until)
	}
	if err != nil {
		return nil, fmt.Errorf("read the soak tests: %w", err)
	}
	return all, nil
}
