package store

import (
	"context"
	"fmt"
	"strings"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/registry"
)

// schemaRegister keeps what the site knows of its ovens and probes. A row is never
// changed and never deleted: of several with one id the one with the highest version
// counts, and the others are its history. who is an operator, or 'configuration' for
// what was taken from there, once. Days are texts, year-month-day, and ” is none.
// frequency_hz and limit_id shape verdicts: post_versions has what each was made by.
//
// probe_certificates says which certificates a probe has; the newest row of a number
// counts, unless it is taken_back. oven_tests is the history of an oven's inspections,
// surveys and repairs; outcome is 'within', 'exceeds', 'not decided', or ” where
// nothing was judged.
const schemaRegister = `
CREATE TABLE ovens (
  version       INTEGER PRIMARY KEY,
  id            TEXT NOT NULL,
  valid_from_ns INTEGER NOT NULL,
  entered_at_ns INTEGER NOT NULL,
  who           TEXT NOT NULL,
  why           TEXT NOT NULL,
  place         TEXT NOT NULL,
  maker         TEXT NOT NULL,
  model         TEXT NOT NULL,
  serial        TEXT NOT NULL,
  power_w       REAL NOT NULL,
  frequency_hz  REAL NOT NULL,
  limit_id      TEXT NOT NULL,
  next_check    TEXT NOT NULL,
  withdrawn     INTEGER NOT NULL,
  remark        TEXT NOT NULL
) STRICT;
CREATE INDEX ovens_newest ON ovens (id, version);

CREATE TABLE probes (
  version       INTEGER PRIMARY KEY,
  id            TEXT NOT NULL,
  valid_from_ns INTEGER NOT NULL,
  entered_at_ns INTEGER NOT NULL,
  who           TEXT NOT NULL,
  why           TEXT NOT NULL,
  maker         TEXT NOT NULL,
  model         TEXT NOT NULL,
  serial        TEXT NOT NULL,
  next_check    TEXT NOT NULL,
  withdrawn     INTEGER NOT NULL,
  remark        TEXT NOT NULL
) STRICT;
CREATE INDEX probes_newest ON probes (id, version);

CREATE TABLE probe_certificates (
  version       INTEGER PRIMARY KEY,
  probe         TEXT NOT NULL,
  certificate   INTEGER NOT NULL REFERENCES certificates,
  taken_back    INTEGER NOT NULL,
  valid_from_ns INTEGER NOT NULL,
  entered_at_ns INTEGER NOT NULL,
  who           TEXT NOT NULL,
  why           TEXT NOT NULL
) STRICT;
CREATE INDEX probe_certificates_of ON probe_certificates (probe, version);

CREATE TABLE oven_tests (
  test             INTEGER PRIMARY KEY,
  oven             TEXT NOT NULL,
  on_day           TEXT NOT NULL,
  kind             TEXT NOT NULL,
  by_whom          TEXT NOT NULL,
  outcome          TEXT NOT NULL,
  highest_w_per_m2 REAL,
  text             TEXT NOT NULL,
  entered_at_ns    INTEGER NOT NULL,
  who              TEXT NOT NULL
) STRICT;
CREATE INDEX oven_tests_of ON oven_tests (oven, test);
`

// Enter makes a change of the register durable when it returns, all or nothing.
// now is when it is entered. An event of kind register tells each part of it.
func (s *Store) Enter(ctx context.Context, e registry.Entry, now time.Time) error {
	if e.ValidFrom.IsZero() {
		e.ValidFrom = now
	}
	var told []string
	err := s.ask(ctx, "enter a change into the register", func(ctx context.Context, w *writer) error {
		told = told[:0]
		for _, part := range []func(context.Context, registry.Entry, time.Time) ([]string, error){w.enterOvens, w.enterProbes, w.enterCertificates, w.enterTests} {
			words, err := part(ctx, e, now)
			if err != nil {
				return err
			}
			told = append(told, words...)
		}
		return nil
	})
	if err != nil {
		return err
	}
	for _, text := range told {
		if e.Why != "" {
			text += " (" + e.Why + ")"
		}
		s.Record(acquire.Event{At: now.UTC(), Kind: acquire.KindRegister, Who: e.Who, Text: text})
	}
	return nil
}

func (w *writer) enterOvens(ctx context.Context, e registry.Entry, now time.Time) (told []string, err error) {
	form := registry.OvenForm(nil)
	for _, o := range e.Ovens {
		before, err := newestOven(ctx, w.conn, o.ID)
		if err == nil {
			err = registry.Check(o.Base, before.Number)
		}
		if err != nil {
			return nil, fmt.Errorf("oven %s: %w", o.ID, err)
		}
		changes := form.Changes(before.Oven, o.Oven)
		if len(changes) == 0 {
			continue
		}
		if err := w.enterNew(ctx, "ovens", `INSERT INTO ovens (id, valid_from_ns, entered_at_ns, who, why, place, maker, model, serial, power_w, frequency_hz, limit_id, next_check, withdrawn, remark)
			VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)`, o.ID, nanos(e.ValidFrom), nanos(now), e.Who, e.Why, o.Place, o.Maker, o.Model, o.Serial,
			float64(o.Power), float64(o.Frequency), o.Limit, registry.PrintDay(o.NextCheck), o.Withdrawn, o.Remark); err != nil {
			return nil, err
		}
		told = append(told, "oven "+o.ID+": "+strings.Join(changes, "; "))
	}
	return told, nil
}

func (w *writer) enterProbes(ctx context.Context, e registry.Entry, now time.Time) (told []string, err error) {
	for _, p := range e.Probes {
		before, err := newestProbe(ctx, w.conn, p.ID)
		if err == nil {
			err = registry.Check(p.Base, before.Number)
		}
		if err != nil {
			return nil, fmt.Errorf("probe %s: %w", p.ID, err)
		}
		changes := registry.ProbeForm().Changes(before.Probe, p.Probe)
		if len(changes) == 0 {
			continue
		}
		if err := w.enterNew(ctx, "probes", `INSERT INTO probes (id, valid_from_ns, entered_at_ns, who, why, maker, model, serial, next_check, withdrawn, remark)
			VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)`, p.ID, nanos(e.ValidFrom), nanos(now), e.Who, e.Why, p.Maker, p.Model, p.Serial,
			registry.PrintDay(p.NextCheck), p.Withdrawn, p.Remark); err != nil {
			return nil, err
		}
		told = append(told, "probe "+p.ID+": "+strings.Join(changes, "; "))
	}
	return told, nil
}

func (w *writer) enterCertificates(ctx context.Context, e registry.Entry, now time.Time) (told []string, err error) {
	for _, c := range e.Certificates {
		if p, err := newestProbe(ctx, w.conn, c.Probe); err != nil || p.Number == 0 {
			return nil, fmt.Errorf("probe %s: %w", c.Probe, orElse(err, registry.ErrNone))
		}
		row, err := w.certificate(ctx, &c.Certificate)
		if err != nil {
			return nil, fmt.Errorf("certificate %s: %w", c.Certificate.Number, err)
		}
		if err := w.enterNew(ctx, "probe_certificates", `INSERT INTO probe_certificates (probe, certificate, taken_back, valid_from_ns, entered_at_ns, who, why) VALUES (?, ?, ?, ?, ?, ?, ?)`,
			c.Probe, row, c.TakenBack, nanos(e.ValidFrom), nanos(now), e.Who, e.Why); err != nil {
			return nil, err
		}
		what := "entered: calibrated " + registry.PrintDay(c.Date) + ", due " + registry.PrintDay(c.Due)
		if c.TakenBack {
			what = "taken back"
		}
		told = append(told, "probe "+c.Probe+": certificate "+c.Certificate.Number+" "+what)
	}
	return told, nil
}

func (w *writer) enterTests(ctx context.Context, e registry.Entry, now time.Time) (told []string, err error) {
	for _, t := range e.Tests {
		if o, err := newestOven(ctx, w.conn, t.Oven); err != nil || o.Number == 0 {
			return nil, fmt.Errorf("oven %s: %w", t.Oven, orElse(err, registry.ErrNone))
		}
		var highest any
		if t.HasValue {
			highest = number(float64(t.Highest))
		}
		if err := w.enterNew(ctx, "oven_tests", `INSERT INTO oven_tests (oven, on_day, kind, by_whom, outcome, highest_w_per_m2, text, entered_at_ns, who) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)`,
			t.Oven, registry.PrintDay(t.On), t.Kind, t.By, t.Outcome, highest, t.Text, nanos(now), e.Who); err != nil {
			return nil, err
		}
		told = append(told, fmt.Sprintf("oven %s: %s of %s by %s: %s", t.Oven, t.Kind, registry.PrintDay(t.On), t.By, t.Text))
	}
	return told, nil
}

// enterNew writes a row of a table whose rows never change.
func (w *writer) enterNew(ctx context.Context, table, insert string, args ...any) error {
	res, err := w.exec(ctx, insert, args...)
	if err != nil {
		return err
	}
	id, err := res.LastInsertId()
	if err != nil {
		return err
	}
	return w.enterRow(ctx, table, id)
}

func orElse(err, otherwise error) error {
	if err != nil {
		return err
	}
	return otherwise
}
