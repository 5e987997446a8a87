package guide

import (
	"errors"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"ovenward/acquire/limit"
	"ovenward/acquire/survey"
)

// TestSurveySurvivesCrashes goes through a whole survey and loses the daemon in
// every phase: each time it goes on where it was.
func TestSurveySurvivesCrashes(t *testing.T) {
	dir := t.TempDir()
	synctest.Test(t, func(t *testing.T) {
		b := open(t, dir)
		id := b.begin()
		if !b.station.isAway() || !strings.Contains(b.station.said(), "away A. Hand survey "+id) {
			t.Errorf("the post is told %q", b.station.said())
		}
		if _, err := b.guide.Begin(t.Context(), Order{Oven: "small", Who: "B. Hand"}); err == nil {
			t.Error("two surveys with one probe")
		}
		crashed := map[survey.Phase]bool{}
		places := 0
		for range 400 {
			p := b.phase(id)
			if p == survey.Ended {
				break
			}
			if !crashed[p] {
				crashed[p] = true
				reads := 5.0
				if p == survey.BackgroundHold {
					reads = 0
				}
				b.read(reads, 2*time.Second) // so that the record has the samples
				was := b.phase(id)
				b.close()
				b = open(t, dir)
				time.Sleep(200 * time.Millisecond) // the bubble's clock
				if is := b.phase(id); is != was {
					t.Errorf("after a crash in %q it is at %q", was, is)
				}
				if v, _ := b.guide.View(id); v.Place < places {
					t.Errorf("after a crash at place %d it is at %d", places, v.Place)
				}
			}
			b.on(id, 5)
			if v, ok := b.guide.View(id); ok {
				places = v.Place
			}
		}
		time.Sleep(5 * time.Second) // the bubble's clock
		if len(crashed) < 9 {
			t.Errorf("crashed in %v only", crashed)
		}
		b.checkWhole(id)
		b.close()
	})
}

// TestASurveyTakesUpWhatExceededWithoutItsCorrection: a reading whose correction the record
// has lost counts as the probe indicated it when a survey is taken up again.
func TestASurveyTakesUpWhatExceededWithoutItsCorrection(t *testing.T) {
	dir := t.TempDir()
	synctest.Test(t, func(t *testing.T) {
		b := open(t, dir)
		id := b.begin()
		for b.phase(id) != survey.Sweeping {
			b.on(id, 5)
		}
		b.stop() // it kept no step of what comes now
		b.read(90, time.Second)
		if err := b.record.Close(); err != nil {
			t.Fatal(err)
		}
		byTool(t, dir, "DELETE FROM corrections")
		b = open(t, dir)
		time.Sleep(200 * time.Millisecond) // the bubble's clock
		b.do(id, survey.Act{Kind: survey.GaveUp, Text: "enough"})
		time.Sleep(5 * time.Second) // the bubble's clock
		r, err := b.record.SurveyResult(t.Context(), id)
		if err != nil || r == nil {
			t.Fatalf("no result is kept: %v", err)
		}
		if r.Verdict.Outcome != limit.Exceeds || len(r.Notes) != 1 || !strings.Contains(r.Notes[0].Text, "uncalibrated") {
			t.Errorf("the survey is judged %s %q, with the notes %q", r.Verdict.Outcome, r.Verdict.Reasons, r.Notes)
		}
		b.close()
	})
}

// TestASurveyTakesNothingBelowTheLimitForSeenWithoutItsCorrection: how high the field was in
// that part of a sweep nobody knows, so that it is made again, and the survey may be within.
func TestASurveyTakesNothingBelowTheLimitForSeenWithoutItsCorrection(t *testing.T) {
	dir := t.TempDir()
	synctest.Test(t, func(t *testing.T) {
		b := open(t, dir)
		id := b.begin()
		for b.phase(id) != survey.Sweeping {
			b.on(id, 5)
		}
		b.read(5, 3*time.Second)
		b.close()
		byTool(t, dir, "DELETE FROM corrections")
		b = open(t, dir)
		time.Sleep(200 * time.Millisecond) // the bubble's clock
		for range 100 {
			if b.phase(id) == survey.Sweeping {
				b.read(5, time.Second)
			}
		}
		if v, _ := b.guide.View(id); v.Phase != survey.SweepReady || !strings.Contains(v.Said, "make it again") {
			t.Errorf("after the sweep it is at %q, and says %q", v.Phase, v.Said)
		}
		for range 400 {
			if b.phase(id) != survey.Ended {
				b.on(id, 5)
			}
		}
		time.Sleep(5 * time.Second) // the bubble's clock
		b.checkWhole(id)
		b.close()
	})
}

// What cannot be recorded now is said, and recorded later; nothing is lost.
func TestStepsWaitForTheRecord(t *testing.T) {
	dir := t.TempDir()
	synctest.Test(t, func(t *testing.T) {
		b := open(t, dir)
		defer b.close()
		id := b.begin()
		b.fail.set(errors.New("no room"))
		b.do(id, survey.Act{Kind: survey.Noted, Text: "dented"})
		if v, _ := b.guide.View(id); !strings.Contains(v.Said, "not yet recorded") {
			t.Errorf("it is not said: %q", v.Said)
		}
		time.Sleep(time.Second) // the bubble's clock
		b.fail.set(nil)
		time.Sleep(time.Second) // the bubble's clock
		steps, err := b.record.SurveySteps(t.Context(), id)
		if err != nil || len(steps) != 2 || steps[1].Text != "dented" {
			t.Errorf("%+v, %v", steps, err)
		}
		if v, _ := b.guide.View(id); v.Said != "" {
			t.Errorf("said %q", v.Said)
		}
	})
}

// A survey whose steps are damaged is given up, and stands in nobody's way; nor does one
// whose result is.
func TestDamagedSurveyIsGivenUp(t *testing.T) {
	value := 60.0
	carried := survey.Step{N: 3, Kind: survey.WasAbove, Text: "60 W/m² at the seal, above the limit"}
	there, swept := carried, survey.Step{N: 3, Kind: survey.Swept, Peak: &survey.Peak{Value: &value}}
	there.Peak = swept.Peak
	const torn = "UPDATE survey_steps SET step = '{' WHERE n = 2"
	for _, c := range []struct {
		second int         // the number of its second step
		third  survey.Step // what is above the limit at a place exceeds, whatever else is lost
		want   limit.Outcome
		ended  bool
		sql    string
		why    string
	}{
		{second: 3, third: survey.Step{N: 4, Kind: survey.Noted}, want: limit.NotDecided, why: "step 2 is missing"},
		{second: 2, third: there, want: limit.Exceeds, sql: torn, why: "one is damaged"},
		{second: 2, third: swept, want: limit.Exceeds, sql: torn, why: "one is damaged"},
		{second: 2, third: carried, want: limit.NotDecided, sql: torn, why: "one is damaged"},
		{second: 2, third: there, ended: true, sql: "UPDATE surveys SET result = '{'"},
	} {
		dir := t.TempDir()
		synctest.Test(t, func(t *testing.T) {
			b := open(t, dir)
			c.third.At = time.Now()
			steps := []survey.Step{{N: 1, At: time.Now(), Who: "A. Hand", Kind: survey.Began, Setup: &survey.Setup{ID: "torn", Post: "door", Limit: limit.Limit{ID: "in-use", Value: 50}}},
				{N: c.second, At: time.Now(), Who: "A. Hand", Kind: survey.Noted, Text: "x"}, c.third}
			var end *survey.Result
			if c.ended {
				end = &survey.Result{ID: "torn", Ended: time.Now(), State: survey.Complete}
			}
			if err := b.record.KeepSurvey(t.Context(), "torn", "small", steps, end); err != nil {
				t.Fatal(err)
			}
			if !c.ended {
				if _, err := b.guide.Begin(t.Context(), Order{Oven: "small", Who: "A"}); err == nil || !strings.Contains(err.Error(), "torn is under way") {
					t.Errorf("beside one that is not taken up yet: %v", err)
				}
			}
			b.close()
			byTool(t, dir, c.sql)
			b = open(t, dir)
			defer b.close()
			time.Sleep(time.Second) // the bubble's clock
			r, err := b.record.SurveyResult(t.Context(), "torn")
			if !c.ended && (err != nil || r == nil || r.State != survey.Abandoned || !strings.Contains(r.Why, c.why)) {
				t.Errorf("%+v, %v", r, err)
			}
			if !c.ended && r != nil && (r.Verdict.Outcome != c.want || r.Oven.ID != "small" || r.Limit.ID != "in-use" || r.Limit.Value != 50 || len(r.Next) == 0) {
				t.Errorf("oven %q: %+v by %+v, want %s", r.Oven.ID, r.Verdict, r.Limit, c.want)
			}
			if _, err := b.guide.Begin(t.Context(), Order{Oven: "small", Who: "A"}); err != nil {
				t.Error(err)
			}
		})
	}
}
