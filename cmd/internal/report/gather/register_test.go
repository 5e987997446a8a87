package gather

import (
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"ovenward/acquire/limit"
	"ovenward/acquire/registry"
	"ovenward/acquire/store"
	"ovenward/acquire/survey"
	"ovenward/cmd/internal/round"
	"ovenward/drivers/driverstest"
)

// TestRoundKnowsTheRegister: an oven that was registered by hand is on the round though
// no probe watches it, with the day that is set for it; an inspection that was entered
// counts as a check, as its author states it, and a repair does not.
func TestRoundKnowsTheRegister(t *testing.T) {
	s, dir := recorded(t, post(), nil)
	enter := func(e registry.Entry) {
		t.Helper()
		e.Who = "R. Okafor"
		if err := s.Enter(t.Context(), e, dusk()); err != nil {
			t.Fatal(err)
		}
	}
	oven := func(id, place string, next time.Time, out bool) {
		enter(registry.Entry{Ovens: []registry.OvenEntry{{Oven: registry.Oven{ID: id, Place: place, Frequency: 2.45e9, Limit: "in-use", NextCheck: next, Withdrawn: out}}}})
	}
	oven("annex", "annex", dusk().AddDate(0, 0, -20).Truncate(24*time.Hour), false)
	oven("attic", "attic", time.Time{}, false)
	oven("cellar", "cellar", time.Time{}, true)
	oven("combi", "by the pass, moved", time.Time{}, false)
	enter(registry.Entry{Tests: []registry.Test{
		{Oven: "annex", On: dusk().AddDate(0, -8, 0), Kind: "inspection", By: "P. Marlow", Outcome: "within", Highest: 3, HasValue: true, Text: "twelve points"},
		{Oven: "attic", On: dusk().AddDate(0, -1, 0), Kind: "repair", By: "P. Marlow", Text: "a new lamp"},
	}})
	r := reopened(t, s, dir)
	plan, err := Round(t.Context(), r, round.Ask{Day: dusk(), Ahead: 14, Every: 12}, "test")
	if err != nil {
		t.Fatal(err)
	}
	got := map[string]round.Entry{}
	for _, e := range plan.Entries {
		got[e.ID] = e
	}
	for id, want := range map[string]round.Status{"annex": round.Overdue, "attic": round.Never, "cellar": round.Withdrawn, "combi": round.Never} {
		if got[id].Status != want {
			t.Errorf("%s: %q, want %q: %+v", id, got[id].Status, want, got[id])
		}
	}
	if e := got["annex"]; e.Last == nil || !e.Last.Imported || e.Last.Outcome != limit.Within || e.Last.Highest != 3 || e.Days != -20 || e.DueBy != "stated for the oven" {
		t.Errorf("annex: %+v %+v", e, e.Last)
	}
	if e := got["combi"]; e.Place != "by the pass, moved" {
		t.Errorf("combi: %+v", e)
	}
}

// TestRoundBesideADamagedCheck: of a check that cannot be read its row, or its event, still
// says what oven it was of and that it exceeds; that it is within counts no more.
func TestRoundBesideADamagedCheck(t *testing.T) {
	s, dir := recorded(t, post(), nil)
	day := dusk().Truncate(24*time.Hour).AddDate(0, -1, 0)
	for oven, outcome := range map[string]limit.Outcome{"annex": limit.Within, "attic": limit.Exceeds} {
		steps := []survey.Step{{N: 1, At: day, Who: "R. Okafor", Kind: survey.Began, Setup: &survey.Setup{ID: "s-" + oven, Post: "hatch"}}}
		if err := s.KeepSurvey(t.Context(), "s-"+oven, oven, steps, &survey.Result{ID: "s-" + oven, Oven: survey.Oven{ID: oven}, Ended: day, State: survey.Complete, Verdict: survey.Verdict{Outcome: outcome}}); err != nil {
			t.Fatal(err)
		}
		e, err := CheckEvent(round.Check{Oven: "c-" + oven, On: day, Outcome: outcome, Source: "checks.csv: 7", Imported: true}, dusk(), "R. Okafor")
		if err != nil {
			t.Fatal(err)
		}
		s.Record(e)
	}
	given := survey.Result{ID: "up", Ended: day, State: survey.Abandoned, Verdict: survey.Verdict{Outcome: limit.NotDecided}} // it does not say of which oven
	if err := s.KeepSurvey(t.Context(), "up", "cellar", []survey.Step{{N: 1, At: day, Kind: survey.Began, Setup: &survey.Setup{ID: "up", Post: "hatch"}}}, &given); err != nil {
		t.Fatal(err)
	}
	r := reopened(t, s, dir)
	for _, sql := range []string{"", "UPDATE surveys SET result = '{'; UPDATE events SET raw = CAST('{' AS BLOB) WHERE kind = 'check'"} {
		if out, err := exec.Command(driverstest.Program(t, "sqlite3"), filepath.Join(dir, store.FileName), sql).CombinedOutput(); err != nil {
			t.Fatalf("%s: %v", out, err)
		}
		plan, err := Round(t.Context(), r, round.Ask{Day: dusk(), Ahead: 14, Every: 12}, "test")
		if err != nil {
			t.Fatal(err)
		}
		for _, e := range plan.Entries {
			want := round.Exceeded
			if e.ID == "cellar" {
				want = round.NotDecided
			} else if strings.HasSuffix(e.ID, "annex") {
				if want = round.Later; sql != "" {
					want = round.NotDecided
				}
			} else if !strings.HasSuffix(e.ID, "attic") {
				continue
			}
			if e.Status != want || !e.Last.On.Equal(day) {
				t.Errorf("after %q oven %s is %s by %+v, want %s", sql, e.ID, e.Status, e.Last, want)
			}
			if why := strings.Contains(e.DueBy, "damaged in the record"); why != (sql != "" && !strings.HasSuffix(e.ID, "attic")) {
				t.Errorf("after %q oven %s is asked for since %s", sql, e.ID, e.DueBy)
			}
		}
		if len(plan.Entries) != 6 || slices.ContainsFunc(plan.Entries, func(e round.Entry) bool { return e.ID == "" }) {
			t.Errorf("after %q: %+v", sql, plan.Entries)
		}
	}
}
