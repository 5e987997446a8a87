package guide

import (
	"context"
	"errors"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"ovenward/acquire/limit"
	"ovenward/acquire/survey"
)

// With nothing to guide the guide hardly ever wakes, and it is at work at once when
// a survey begins.
func TestRestsWithNothingToGuide(t *testing.T) {
	dir := t.TempDir()
	synctest.Test(t, func(t *testing.T) {
		b := open(t, dir)
		defer b.close()
		b.stop()
		var rounds atomic.Int64
		o := b.guide.o
		o.Round = func() { rounds.Add(1) }
		b.guide = New(o)
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan struct{})
		go func() { defer close(done); _ = b.guide.Run(ctx) }()
		b.stop = func() { cancel(); <-done }

		time.Sleep(time.Minute) // the bubble's clock
		if n := rounds.Swap(0); n > 7 || n < 5 {
			t.Errorf("%d beats in a minute of rest", n)
		}
		b.begin()
		time.Sleep(time.Second) // the bubble's clock
		if n := rounds.Swap(0); n < 9 {
			t.Errorf("%d beats in a second of a survey", n)
		}
	})
}

// A survey that nobody goes on with gives the probe back.
func TestForgottenSurveyEnds(t *testing.T) {
	dir := t.TempDir()
	synctest.Test(t, func(t *testing.T) {
		b := open(t, dir)
		defer b.close()
		id := b.begin()
		time.Sleep(forgottenAfter + 10*time.Second) // the bubble's clock
		r, err := b.record.SurveyResult(t.Context(), id)
		if err != nil || r == nil || r.State != survey.Abandoned || r.Verdict.Outcome == limit.Within || b.station.isAway() {
			t.Errorf("%+v, %v, away %v", r, err, b.station.isAway())
		}
	})
}

func TestOrdersThatCannotBe(t *testing.T) {
	dir := t.TempDir()
	synctest.Test(t, func(t *testing.T) {
		b := open(t, dir)
		defer b.close()
		for name, tc := range map[string]struct {
			o    Order
			want string
		}{
			"nobody":    {Order{Oven: "small"}, "needs the name"},
			"no oven":   {Order{Oven: "other", Who: "A"}, `no oven "other": write one of small`},
			"no post":   {Order{Oven: "small", Who: "A", Post: "x"}, `no post "x"`},
			"procedure": {Order{Oven: "small", Who: "A", Procedure: "x"}, `no procedure "x"`},
			"untrained": {Order{Oven: "small", Who: "A", Pull: true}, "trained"},
			"door":      {Order{Oven: "small", Who: "A", Door: &survey.Door{}}, "measure it, and write its sizes into the page's form of a new survey or at [oven.door]"},
		} {
			if _, err := b.guide.Begin(t.Context(), tc.o); err == nil || !strings.Contains(err.Error(), tc.want) || b.station.isAway() {
				t.Errorf("%s: %v, want %q; away %v", name, err, tc.want, b.station.isAway())
			}
		}
		if err := b.guide.Do(t.Context(), "none", survey.Act{}); !errors.Is(err, ErrNoSurvey) {
			t.Error(err)
		}
	})
}
