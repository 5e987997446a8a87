package store

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"time"

	"ovenward/acquire/limit"
	"ovenward/acquire/survey"
)

// schemaSurveys keeps guided surveys: their steps, from which each is made anew
// after a crash, and what they found. surveys.state, outcome and result hold what
// was so at the end; ended_ns is NULL while one is under way. survey_steps is only
// ever added to: step is a JSON object. survey_places are the holds of a survey
// that has ended, the surface and its cell of 3 × 3, 1 at the upper left;
// x_m and y_m are from the lower left of the surface, seen from before it.
const schemaSurveys = `
CREATE TABLE surveys (
  survey   INTEGER PRIMARY KEY,
  id       TEXT NOT NULL UNIQUE,
  oven     TEXT NOT NULL,
  post     TEXT NOT NULL,
  who      TEXT NOT NULL,
  begun_ns INTEGER NOT NULL,
  ended_ns INTEGER,
  state    TEXT NOT NULL,
  outcome  TEXT NOT NULL,
  result   TEXT
) STRICT;
CREATE INDEX surveys_of_oven ON surveys (oven, survey);
CREATE TABLE survey_steps (
  survey INTEGER NOT NULL REFERENCES surveys,
  n      INTEGER NOT NULL,
  at_ns  INTEGER NOT NULL,
  who    TEXT NOT NULL,
  kind   TEXT NOT NULL,
  step   TEXT NOT NULL,
  PRIMARY KEY (survey, n)
) STRICT, WITHOUT ROWID;
CREATE TABLE survey_places (
  survey       INTEGER NOT NULL REFERENCES surveys,
  n            INTEGER NOT NULL,
  sweep        TEXT NOT NULL,
  surface      TEXT NOT NULL,
  cell         INTEGER NOT NULL,
  x_m          REAL NOT NULL,
  y_m          REAL NOT NULL,
  at_ns        INTEGER NOT NULL,
  w_per_m2     REAL,
  expanded_uncertainty_w_per_m2 REAL,
  over_range   INTEGER NOT NULL,
  outcome      TEXT NOT NULL,
  PRIMARY KEY (survey, n)
) STRICT, WITHOUT ROWID;
`

// SurveyRow is one survey of the list.
type SurveyRow struct {
	ID      string       `json:"id"`
	Oven    string       `json:"oven"`
	Post    string       `json:"post"`
	Who     string       `json:"who"`
	Begun   time.Time    `json:"begun"`
	Ended   time.Time    `json:"ended,omitzero"` // zero: under way
	State   survey.State `json:"state"`
	Outcome string       `json:"outcome"` // empty: under way
}

// KeepSurvey makes steps of a survey durable when it returns, all or nothing, and
// what it found when it has ended. The samples of its post from its beginning to
// its end are evidence from then on, whatever their age. What was kept before stays as it was, so a call
// may be made again after an error.
func (s *Store) KeepSurvey(ctx context.Context, id, oven string, steps []survey.Step, end *survey.Result) error {
	steps = slices.Clone(steps)
	return s.ask(ctx, "keep the survey "+id, func(ctx context.Context, w *writer) error {
		for _, st := range steps {
			if err := w.surveyStep(ctx, id, oven, st); err != nil {
				return err
			}
		}
		if end == nil {
			return nil
		}
		return w.surveyEnd(ctx, id, end)
	})
}

func (w *writer) surveyStep(ctx context.Context, id, oven string, st survey.Step) error {
	text, err := json.Marshal(st)
	if err != nil {
		return fmt.Errorf("write step %d: %w", st.N, err)
	}
	if st.Kind == survey.Began && st.Setup != nil {
		if _, err := w.exec(ctx, `INSERT INTO surveys (id, oven, post, who, begun_ns, state, outcome) VALUES (?, ?, ?, ?, ?, ?, '') ON CONFLICT DO NOTHING`,
			id, oven, st.Setup.Post, st.Who, nanos(st.At), string(survey.UnderWay)); err != nil {
			return err
		}
		// The survey can be judged again only from its raw samples.
		if err := w.writeEvidence(ctx, Evidence{Post: st.Setup.Post, From: st.At, Why: "survey", What: id, Who: st.Who}, 0); err != nil {
			return err
		}
	}
	res, err := w.exec(ctx, `INSERT INTO survey_steps (survey, n, at_ns, who, kind, step) SELECT survey, ?, ?, ?, ?, ? FROM surveys WHERE id = ?
		ON CONFLICT DO NOTHING`, st.N, nanos(st.At), st.Who, string(st.Kind), string(text), id)
	if err != nil {
		return err
	}
	if n, err := res.RowsAffected(); err != nil || n == 0 {
		return err // it was kept before
	}
	var number int64
	if err := w.conn.QueryRowContext(ctx, "SELECT survey << 32 | ? FROM surveys WHERE id = ?", st.N, id).Scan(&number); err != nil {
		return err
	}
	return w.enterRow(ctx, "survey_steps", number)
}

func (w *writer) surveyEnd(ctx context.Context, id string, end *survey.Result) error {
	text, err := json.Marshal(end)
	if err != nil {
		return fmt.Errorf("write what was found: %w", err)
	}
	var number int64
	err = w.conn.QueryRowContext(ctx, "UPDATE surveys SET ended_ns = ?, state = ?, outcome = ?, result = ? WHERE id = ? AND result IS NULL RETURNING survey",
		nanos(end.Ended), string(end.State), string(end.Verdict.Outcome), string(text), id).Scan(&number)
	if errors.Is(err, sql.ErrNoRows) {
		return nil // it was kept before
	}
	if err != nil {
		return err
	}
	if err := w.enterRow(ctx, "surveys", number); err != nil {
		return err
	}
	if err := w.closeSurvey(ctx, id, end); err != nil {
		return err
	}
	for _, p := range end.Places {
		if _, err := w.exec(ctx, `INSERT INTO survey_places (survey, n, sweep, surface, cell, x_m, y_m, at_ns, w_per_m2, expanded_uncertainty_w_per_m2, over_range, outcome)
			SELECT survey, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ? FROM surveys WHERE id = ? ON CONFLICT DO NOTHING`,
			p.N, p.Sweep, string(p.Surface), p.Cell, float64(p.X), float64(p.Y), nanos(p.At), numberOrNull(p.Value), numberOrNull(p.U), p.OverRange,
			string(p.Verdict.Outcome), id); err != nil {
			return err
		}
		if err := w.enterRow(ctx, "survey_places", number<<32|int64(p.N)); err != nil {
			return err
		}
	}
	return nil
}

// closeSurvey ends the span that is kept for a survey where the survey ended.
func (w *writer) closeSurvey(ctx context.Context, id string, end *survey.Result) error {
	e := Evidence{To: end.Ended, Why: "survey", What: id, Who: end.Who}
	var begun int64
	if err := w.conn.QueryRowContext(ctx, "SELECT post, begun_ns FROM surveys WHERE id = ?", id).Scan(&e.Post, &begun); err != nil {
		return err
	}
	e.From = instant(begun)
	return w.writeEvidence(ctx, e, 0)
}

func numberOrNull(x *float64) any {
	if x == nil {
		return nil
	}
	return number(*x)
}

// SurveyQuery says which surveys Surveys returns; empty fields let all pass.
type SurveyQuery struct {
	Oven     string
	UnderWay bool
}

// Surveys returns surveys, the newest first, at most limit.
func (r *Reader) Surveys(ctx context.Context, q SurveyQuery, limit int) ([]SurveyRow, error) {
	var out []SurveyRow
	err := each(ctx, r.db, `SELECT id, oven, post, who, begun_ns, ifnull(ended_ns, 0), ended_ns IS NOT NULL, state, outcome FROM surveys
		WHERE (?1 = '' OR oven = ?1) AND (NOT ?2 OR ended_ns IS NULL) ORDER BY survey DESC LIMIT ?3`,
		func(scan func(...any) error) error {
			var v SurveyRow
			var begun, ended int64
			var state string
			var over bool
			err := loosely(scan, &v.ID, &v.Oven, &v.Post, &v.Who, &begun, &ended, &over, &state, &v.Outcome)
			if err != nil && !errors.Is(err, ErrLost) {
				return err
			}
			v.Begun, v.Ended, v.State = instant(begun), instant(ended), survey.State(state)
			if over && v.Ended.IsZero() { // damaged, which is not under way
				v.Ended = instant(max(begun, 1))
			}
			if v.ID != "" {
				out = append(out, v)
			}
			return nil
		}, q.Oven, q.UnderWay, limit)
	if err != nil {
		return nil, fmt.Errorf("read the surveys: %w", err)
	}
	return out, nil
}

// SurveySteps returns the steps of a survey in their order; none where there is no
// such survey. Beside damaged ones it returns the others, and ErrLost.
func (r *Reader) SurveySteps(ctx context.Context, id string) ([]survey.Step, error) {
	var out []survey.Step
	var lost error
	err := each(ctx, r.db, "SELECT step FROM survey_steps JOIN surveys USING (survey) WHERE id = ? ORDER BY n",
		func(scan func(...any) error) error {
			var text string
			var st survey.Step
			err := scan(&text)
			if err == nil {
				if err = json.Unmarshal([]byte(text), &st); err != nil {
					err = fmt.Errorf("%w: one is damaged, %v; see ovenward verify", ErrLost, err)
				}
			}
			switch {
			case err == nil:
				out = append(out, st)
			case !errors.Is(err, ErrLost):
				return err
			case lost == nil:
				lost = err
			}
			return nil
		}, id)
	if err == nil {
		err = lost
	}
	if err = lostWithPage(err); err != nil {
		return out, fmt.Errorf("read the steps of survey %s: %w", id, err)
	}
	return out, nil
}

// SurveyResult returns what a survey that has ended found; nil where there is no
// such one, ErrLost where that is damaged.
func (r *Reader) SurveyResult(ctx context.Context, id string) (*survey.Result, error) {
	var out *survey.Result
	err := each(ctx, r.db, "SELECT result, outcome FROM surveys WHERE id = ? AND result IS NOT NULL", func(scan func(...any) error) error {
		var text, outcome string
		if err := scan(&text, &outcome); err != nil {
			return err
		}
		out = &survey.Result{}
		if err := json.Unmarshal([]byte(text), out); err != nil {
			return fmt.Errorf("%w: it is damaged, %v; see ovenward verify", ErrLost, err)
		}
		switch out.Verdict.Outcome {
		case limit.Within, limit.Exceeds, limit.NotDecided, limit.Outcome(outcome):
			return nil
		}
		return fmt.Errorf("%w: it is damaged, its outcome %q is none; see ovenward verify", ErrLost, out.Verdict.Outcome)
	}, id)
	if err = lostWithPage(err); err != nil {
		return nil, fmt.Errorf("read what survey %s found: %w", id, err)
	}
	return out, nil
}

// lostWithPage has damage to a page be damage to what stood there: it stays, and what
// goes on without a damaged survey would wait for this one for good.
func lostWithPage(err error) error {
	if !corrupt(err) || errors.Is(err, ErrLost) {
		return err
	}
	return fmt.Errorf("%w: a page is damaged, %w; see ovenward verify", ErrLost, err)
}
