package soak

import (
	"context"
	"errors"
	"strings"
	"testing"
	"time"

	"ovenward/acquire/cycle/stats"
)

// book keeps in memory.
type book struct{ marks []Mark }

func (b *book) PlanSoak(context.Context, Plan, string, time.Time) error { return nil }

func (b *book) MarkSoak(_ context.Context, m Mark) (int64, error) {
	b.marks = append(b.marks, m)
	return int64(len(b.marks)), nil
}

func (b *book) Soaks(context.Context) ([]*Life, error) { return nil, nil }

// view is what a post shows.
type view struct {
	above stats.Exceedances
	over  bool
	blind time.Duration
	err   error
	to    time.Time // up to where it is recorded; zero: up to now
	spans []Span
}

func (v *view) Above(_ context.Context, _ Plan, from, to time.Time) (stats.Exceedances, bool, error) {
	v.spans = append(v.spans, Span{from, to})
	e := v.above
	e.First, e.Last = from, to
	return e, v.over, v.err
}

func (v *view) Recorded(context.Context, string) (time.Time, error) {
	if v.to.IsZero() {
		return begin.AddDate(1, 0, 0), nil
	}
	return v.to, nil
}

func (v *view) Blind(string) time.Duration { return v.blind }

// kept is a keeper with two tests at one post, on a clock that is set.
func kept(t *testing.T, v *view, now *time.Time) (*Keeper, *[]Mark) {
	t.Helper()
	var told []Mark
	k, err := NewKeeper(t.Context(), &book{}, v, func() time.Time { return *now }, func(_ Plan, m Mark) { told = append(told, m) })
	if err != nil {
		t.Fatal(err)
	}
	for _, id := range []string{"one", "two"} {
		p := plan()
		p.ID, p.Stop = id, Stop{Exceedances: 2, OverRange: true, Blind: 10 * time.Minute}
		if err := k.Plan(t.Context(), p, "A. Tester"); err != nil {
			t.Fatal(err)
		}
	}
	return k, &told
}

// TestOneTestAtAPost: a probe watches one at a time, whether it starts or resumes.
func TestOneTestAtAPost(t *testing.T) {
	now := begin
	k, _ := kept(t, &view{}, &now)
	say := func(id string, kind Kind, want string) {
		t.Helper()
		now = now.Add(time.Second)
		err := k.Mark(t.Context(), Mark{Soak: id, Kind: kind, Who: "A. Tester", Text: "why"})
		if (want == "") != (err == nil) || err != nil && !strings.Contains(err.Error(), want) {
			t.Errorf("%s of %s: %v, want %q", kind, id, err, want)
		}
	}
	say("one", Started, "")
	say("one", Started, "the test is running already")
	say("two", Started, "soak test one runs at post bench")
	say("one", Paused, "")
	say("two", Started, "")
	say("one", Resumed, "soak test two runs at post bench")
	say("two", Aborted, "")
	say("one", Resumed, "")
	say("three", Started, "no such soak test")
}

// TestRulesStopATest: each rule ends a running test once, by the program's own name;
// what cannot be looked at is told once, and a paused test is left alone.
func TestRulesStopATest(t *testing.T) {
	for want, spoil := range map[string]func(*view){
		"exceedances of limit in use; the rule is 2": func(v *view) { v.above.Count = 2 },
		"over the probe's":                           func(v *view) { v.over = true },
		"seen nothing for":                           func(v *view) { v.blind = 11 * time.Minute },
	} {
		now, v := begin, &view{}
		k, told := kept(t, v, &now)
		if err := k.Mark(t.Context(), Mark{Soak: "one", Kind: Started, Who: "A. Tester"}); err != nil {
			t.Fatal(err)
		}
		now = now.Add(time.Minute)
		complaints := 0
		tell := func(error) { complaints++ }
		v.err = errors.New("the disk is gone")
		k.Look(t.Context(), tell)
		k.Look(t.Context(), tell)
		if v.err = nil; complaints != 1 {
			t.Errorf("%s: told %d times that it cannot be looked at", want, complaints)
		}
		if k.Look(t.Context(), tell); k.Life("one").State != Running {
			t.Fatalf("%s: stopped for nothing: %+v", want, *told)
		}
		if err := k.Mark(t.Context(), Mark{Soak: "one", Kind: Paused, Who: "A. Tester", Text: "night"}); err != nil {
			t.Fatal(err)
		}
		now = now.Add(time.Minute)
		spoil(v)
		if k.Look(t.Context(), tell); k.Life("one").State != Pausing {
			t.Errorf("%s: a paused test is stopped", want)
		}
		if err := k.Mark(t.Context(), Mark{Soak: "one", Kind: Resumed, Who: "A. Tester"}); err != nil {
			t.Fatal(err)
		}
		now = now.Add(time.Minute)
		k.Look(t.Context(), tell)
		k.Look(t.Context(), tell)
		last := (*told)[len(*told)-1]
		if l := k.Life("one"); l.State != StoppedNow || last.Kind != Stopped || last.Who != Itself || !strings.Contains(last.Text, want) || len(l.Log) != 4 {
			t.Errorf("%s: %s, %+v", want, l.State, last)
		}
	}
}

// TestALateRecordIsLookedAtLater: what the record holds only later is looked at then,
// and every stretch once.
func TestALateRecordIsLookedAtLater(t *testing.T) {
	now, v := begin, &view{to: begin.Add(10 * time.Second)}
	k, _ := kept(t, v, &now)
	if err := k.Mark(t.Context(), Mark{Soak: "one", Kind: Started, Who: "A. Tester"}); err != nil {
		t.Fatal(err)
	}
	for _, step := range []struct{ now, recorded time.Duration }{{20, 10}, {60, 10}, {90, 10}, {100, 99}} {
		now, v.to = begin.Add(step.now*time.Second), begin.Add(step.recorded*time.Second)
		k.Look(t.Context(), func(err error) { t.Error(err) })
	}
	if len(v.spans) != 2 || !v.spans[0].From.Equal(begin) || !v.spans[0].To.Equal(at(10*time.Second)) || !v.spans[1].From.Equal(v.spans[0].To) || !v.spans[1].To.Equal(at(95*time.Second)) {
		t.Errorf("looked at %v", v.spans)
	}
}
