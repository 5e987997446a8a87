package store

import (
	"context"
	"encoding/json"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"ovenward/acquire/limit"
	"ovenward/acquire/survey"
)

func twoSteps(at time.Time) []survey.Step {
	return []survey.Step{
		{N: 1, At: at, Who: "A. Hand", Kind: survey.Began, Setup: &survey.Setup{ID: "one", Post: "door", Limit: limit.Limit{ID: "x", Value: 50}}},
		{N: 2, At: at.Add(time.Second), Who: "A. Hand", Kind: survey.Noted, Text: "dented"},
	}
}

// TestSurveysAreKept: steps come back as they were, also after the record was
// closed without an end; keeping them twice changes nothing.
func TestSurveysAreKept(t *testing.T) {
	dir := t.TempDir()
	at := time.Date(2026, 6, 3, 12, 0, 0, 123, time.UTC)
	steps := twoSteps(at)
	ctx := t.Context()
	s, err := Open(dir, Options{})
	if err != nil {
		t.Fatal(err)
	}
	for range 2 {
		if err := s.KeepSurvey(ctx, "one", "oven-1", steps, nil); err != nil {
			t.Fatal(err)
		}
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	if s, err = Open(dir, Options{}); err != nil {
		t.Fatal(err)
	}
	got, err := s.SurveySteps(ctx, "one")
	if err != nil {
		t.Fatal(err)
	}
	want, _ := json.Marshal(steps)
	if have, _ := json.Marshal(got); string(have) != string(want) {
		t.Errorf("steps\n%s\nwere kept as\n%s", want, have)
	}
	open, err := s.Surveys(ctx, SurveyQuery{UnderWay: true}, 10)
	if err != nil || len(open) != 1 || open[0].ID != "one" || open[0].Oven != "oven-1" || !open[0].Ended.IsZero() {
		t.Fatalf("under way: %+v, %v", open, err)
	}
	surveyEnds(t, s, at)
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	rebuiltSurvey(t, dir)
}

// surveyEnds keeps the result of the survey, and reads it back.
func surveyEnds(t *testing.T, s *Store, at time.Time) {
	t.Helper()
	ctx, value := t.Context(), 12.5
	end := &survey.Result{ID: "one", Ended: at.Add(time.Minute), State: survey.Complete, Verdict: survey.Verdict{Outcome: limit.Within},
		Places: []survey.Place{{N: 1, Sweep: "seam", Surface: survey.Front, Cell: 5, Value: &value}, {N: 2, OverRange: true}}}
	for range 2 {
		if err := s.KeepSurvey(ctx, "one", "oven-1", nil, end); err != nil {
			t.Fatal(err)
		}
	}
	r, err := s.SurveyResult(ctx, "one")
	if err != nil || r == nil || *r.Places[0].Value != value || r.Places[1].Value != nil {
		t.Errorf("result %+v, %v", r, err)
	}
	if open, _ := s.Surveys(ctx, SurveyQuery{UnderWay: true}, 10); len(open) != 0 {
		t.Errorf("one that has ended is under way: %+v", open)
	}
	if all, _ := s.Surveys(ctx, SurveyQuery{Oven: "oven-1"}, 10); len(all) != 1 || all[0].Outcome != "within" || all[0].State != survey.Complete {
		t.Errorf("all: %+v", all)
	}
	var places, unknown int
	if err := s.db.QueryRow("SELECT count(*), sum(w_per_m2 IS NULL) FROM survey_places").Scan(&places, &unknown); err != nil || places != 2 || unknown != 1 {
		t.Errorf("%d places, %d of them without a value, %v; want 2 and 1", places, unknown, err)
	}
	if v, err := s.Verify(ctx); err != nil || !v.Intact() {
		t.Errorf("verify says %+v, %v", v.Problems, err)
	}
	if r, err := s.SurveyResult(ctx, "other"); r != nil || err != nil {
		t.Errorf("another's result: %+v, %v", r, err)
	}
}

// rebuiltSurvey rebuilds the record and looks for the survey again.
func rebuiltSurvey(t *testing.T, dir string) {
	t.Helper()
	ctx := t.Context()
	if _, err := Rebuild(ctx, dir, Options{}); err != nil {
		t.Fatal(err)
	}
	again, err := Open(dir, Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer again.Close()
	r, err := again.SurveyResult(ctx, "one")
	kept, kerr := again.SurveySteps(ctx, "one")
	if err != nil || kerr != nil || r == nil || len(r.Places) != 2 || len(kept) != 2 {
		t.Errorf("after rebuilding: result %+v, %d steps, %v, %v", r, len(kept), err, kerr)
	}
}

// TestASurveyOnADamagedPageIsLost: whoever goes on without a survey that is damaged goes on
// without one whose page is, too.
func TestASurveyOnADamagedPageIsLost(t *testing.T) {
	dir, at, ctx := t.TempDir(), time.Date(2026, 6, 3, 12, 0, 0, 0, time.UTC), t.Context()
	s, err := Open(dir, Options{})
	if err != nil {
		t.Fatal(err)
	}
	const page = 1 << 14
	fill := strings.Repeat("x", 8*page) // each has pages of its own
	steps := append(twoSteps(at), survey.Step{N: 3, At: at.Add(time.Minute), Who: "A. Hand", Kind: survey.Noted, Text: fill})
	if err := s.KeepSurvey(ctx, "one", "oven-1", steps, &survey.Result{ID: "one", State: survey.Complete, Ended: at.Add(time.Hour), Verdict: survey.Verdict{Outcome: limit.Within}, Who: fill}); err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(dir, FileName)
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	torn := 0
	for next := b; len(next) >= page; next = next[page:] {
		if strings.Count(string(next[4:page]), "x") == page-4 {
			next[0] ^= 0x40 // where the rest of it stands
			torn++
		}
	}
	if torn < 2 {
		t.Fatalf("%d pages of a survey found", torn)
	}
	if err := os.WriteFile(path, b, 0o600); err != nil {
		t.Fatal(err)
	}
	r, err := OpenReadOnly(dir)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	if found, err := r.SurveyResult(ctx, "one"); found != nil || !errors.Is(err, ErrLost) {
		t.Errorf("what it found: %+v, %v", found, err)
	}
	if kept, err := r.SurveySteps(ctx, "one"); len(kept) > 2 || !errors.Is(err, ErrLost) {
		t.Errorf("its steps: %d, %v", len(kept), err)
	}
}

// TestASurveyWithoutItsOutcomeIsLost: one flipped bit in its name or in itself takes an outcome
// away, and what it found can still be read.
func TestASurveyWithoutItsOutcomeIsLost(t *testing.T) {
	s, err := Open(t.TempDir(), Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	at := time.Date(2026, 6, 3, 12, 0, 0, 0, time.UTC)
	if err := s.KeepSurvey(t.Context(), "one", "oven-1", twoSteps(at), &survey.Result{ID: "one", State: survey.Complete, Ended: at, Verdict: survey.Verdict{Outcome: limit.Exceeds}}); err != nil {
		t.Fatal(err)
	}
	for torn, lost := range map[string]bool{`"outcome":"exceeds"`: false, `"outbome":"exceeds"`: true, `"outcome":"exceedc"`: true} {
		err := s.ask(t.Context(), "damage it", func(ctx context.Context, w *writer) error {
			_, err := w.exec(ctx, "UPDATE surveys SET result = ?", `{"state":"complete","verdict":{`+torn+`}}`)
			return err
		})
		if err != nil {
			t.Fatal(err)
		}
		if r, err := s.SurveyResult(t.Context(), "one"); errors.Is(err, ErrLost) != lost || (r == nil) != lost {
			t.Errorf("%s: %+v, %v", torn, r, err)
		}
	}
}
