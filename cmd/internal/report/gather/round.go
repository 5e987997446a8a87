package gather

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/alarm"
	"ovenward/acquire/limit"
	"ovenward/acquire/quantity"
	"ovenward/acquire/store"
	"ovenward/cmd/internal/report"
	"ovenward/cmd/internal/round"
)

// Round reads the plan of a day.
func Round(ctx context.Context, r *store.Reader, ask round.Ask, version string) (*report.Round, error) {
	site, ovens, err := Ovens(ctx, r)
	if err != nil {
		return nil, err
	}
	checks, err := Checks(ctx, r)
	if err != nil {
		return nil, err
	}
	return &report.Round{Site: site, Ask: ask, Entries: round.Plan(ovens, checks, ask), Version: version}, nil
}

// Ovens returns the ovens that the record knows, from its posts and from its register,
// and the site. The register says where they stand, when they are to be tested again,
// and which are out of use.
func Ovens(ctx context.Context, r *store.Reader) (site string, ovens []round.Oven, err error) {
	posts, err := r.Posts(ctx)
	if err != nil {
		return "", nil, err
	}
	for _, p := range posts {
		all, err := r.History(ctx, p)
		if err != nil {
			return "", nil, err
		}
		if len(all) == 0 {
			continue
		}
		h := all[len(all)-1]
		if h.Site != "" {
			site = h.Site
		}
		if h.Oven != "" && !slices.ContainsFunc(ovens, func(o round.Oven) bool { return o.ID == h.Oven }) {
			ovens = append(ovens, round.Oven{ID: h.Oven, Place: h.OvenPlace})
		}
	}
	if ovens, err = registered(ctx, r, ovens); err != nil {
		return "", nil, err
	}
	standing, err := r.AlarmStates(ctx)
	if err != nil {
		return "", nil, err
	}
	for _, a := range standing {
		for i := range ovens {
			if a.Rule == alarm.WithdrawnOf(ovens[i].ID) && a.State.Present() {
				ovens[i].Withdrawn = true
			}
		}
	}
	return site, ovens, nil
}

// registered puts what the register says of ovens over what the posts do.
func registered(ctx context.Context, r *store.Reader, ovens []round.Oven) ([]round.Oven, error) {
	all, err := r.Ovens(ctx)
	if err != nil {
		return nil, err
	}
	for _, o := range all {
		i := slices.IndexFunc(ovens, func(k round.Oven) bool { return k.ID == o.ID })
		if i < 0 {
			i, ovens = len(ovens), append(ovens, round.Oven{ID: o.ID, Withdrawn: o.Withdrawn})
		}
		if o.Place != "" {
			ovens[i].Place = o.Place
		}
		ovens[i].Next = o.NextCheck
	}
	return ovens, nil
}

// Checks returns all checks of ovens that the record knows: surveys that have ended,
// inspections and surveys that were entered in the register, and earlier results that
// were imported.
func Checks(ctx context.Context, r *store.Reader) ([]round.Check, error) {
	all, err := surveyed(ctx, r)
	if err != nil {
		return nil, err
	}
	tests, err := r.Tests(ctx, "")
	if err != nil {
		return nil, err
	}
	for _, t := range tests {
		if t.Kind == "inspection" || t.Kind == "survey" {
			all = append(all, round.Check{Oven: t.Oven, On: t.On, Outcome: limit.Outcome(t.Outcome), Highest: t.Highest, HasValue: t.HasValue, By: t.By,
				Remark: t.Text, Source: fmt.Sprintf("register, entry %d", t.Number), Imported: true})
		}
	}
	events, err := r.EventsOf(ctx, "", []acquire.Kind{acquire.KindCheck}, time.Time{}, time.Time{}, mostEvents)
	if err != nil {
		return nil, err
	}
	for _, e := range events {
		c, err := imported(&e)
		if err != nil {
			return nil, err
		}
		all = append(all, c)
	}
	return all, nil
}

// surveyed returns the surveys that have ended.
func surveyed(ctx context.Context, r *store.Reader) (all []round.Check, err error) {
	surveys, err := r.Surveys(ctx, store.SurveyQuery{}, mostEvents)
	if err != nil {
		return nil, err
	}
	for _, row := range surveys {
		if row.Ended.IsZero() {
			continue
		}
		s, err := r.SurveyResult(ctx, row.ID)
		if errors.Is(err, store.ErrLost) {
			all = append(all, round.Check{Oven: row.Oven, On: row.Ended, Outcome: damaged(row.Outcome == string(limit.Exceeds)), By: row.Who, Source: row.ID, Damaged: true})
			continue
		}
		if err != nil {
			return nil, err
		}
		if s == nil {
			continue
		}
		c := round.Check{Oven: row.Oven, Place: s.Oven.Place, On: s.Ended, Outcome: s.Verdict.Outcome, By: s.Who, Next: s.NextCheck, Source: s.ID}
		for _, p := range s.Places {
			if p.N != s.Verdict.Worst {
				continue
			}
			if c.Over = p.OverRange; !c.Over && p.Value != nil {
				c.Highest, c.HasValue = quantity.PowerDensity(*p.Value), true
			}
		}
		all = append(all, c)
	}
	return all, nil
}

// imported reads back what CheckEvent made; where that is damaged, what its text says.
func imported(e *acquire.Event) (c round.Check, err error) {
	if err := json.Unmarshal(e.Raw, &c); err != nil {
		oven, rest, ok := strings.Cut(strings.TrimPrefix(e.Text, "oven "), earlierCheck)
		if !ok {
			return c, fmt.Errorf("read the earlier check of event %d: %w", e.ID, err)
		}
		c = round.Check{Oven: oven, On: e.At, Outcome: damaged(strings.Contains(rest, ": "+string(limit.Exceeds))),
			Source: fmt.Sprintf("event %d", e.ID), Imported: true, Damaged: true}
		if on, err := time.Parse(time.DateOnly, rest[:min(len(rest), len(time.DateOnly))]); err == nil {
			c.On = on
		}
	}
	return c, nil
}

const earlierCheck = ": earlier check of "

// damaged is what remains of the outcome of a check that is damaged: 'within' does not.
func damaged(exceeds bool) limit.Outcome {
	if exceeds {
		return limit.Exceeds
	}
	return limit.NotDecided
}

// CheckEvent is the event that keeps an imported check; now is when it was taken in
// and who did so.
func CheckEvent(c round.Check, now time.Time, who string) (acquire.Event, error) {
	raw, err := json.Marshal(c)
	if err != nil {
		return acquire.Event{}, fmt.Errorf("write the check of %s: %w", c.Source, err)
	}
	outcome := "no outcome stated"
	if c.Outcome != "" {
		outcome = string(c.Outcome)
	}
	text := fmt.Sprintf("oven %s"+earlierCheck+"%s, as stated in %s: %s", c.Oven, c.On.Format(time.DateOnly), c.Source, outcome)
	if c.HasValue {
		text += ", highest " + c.Highest.String()
	}
	if c.By != "" {
		text += ", by " + c.By
	}
	return acquire.Event{At: now.UTC(), Kind: acquire.KindCheck, Who: who, Text: text, Raw: raw}, nil
}
