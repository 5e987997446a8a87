package soak

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"strings"
	"testing"
	"time"
)

// Absurd counts are refused wherever they come from, so that no sum overflows; what was
// counted before stays.
func TestAbsurdCountsAreRefused(t *testing.T) {
	for _, from := range []From{FromInput, FromImport, FromOperator} {
		l := in(t, Running)
		say := func(n int64) error {
			m := Mark{Kind: Operations, Who: "A. Tester", At: at(time.Hour), From: from, Count: n, Text: "why"}
			if err := cmp.Or(l.room(m), l.fits(m)); err != nil {
				return err
			}
			return l.Take(m)
		}
		if err := say(MostOperations); err != nil {
			t.Fatal(err)
		}
		for _, n := range []int64{math.MaxInt64, math.MaxInt64 - MostOperations, MostOperations + 1, math.MinInt64, -MostOperations - 1} {
			if err := say(n); err == nil || !strings.Contains(err.Error(), "at most 1 000 000 000 operations") || l.Operations != MostOperations || l.By[from] != MostOperations {
				t.Errorf("%d by %s: %v, now %d", n, from, err, l.Operations)
			}
		}
		var err error
		for range 2000 {
			if err = say(MostOperations); err != nil {
				break
			}
		}
		if err == nil || !strings.Contains(err.Error(), "more than 1 000 000 000 000") || l.Operations != mostCounted || say(-MostOperations) != nil || l.Operations != mostCounted-MostOperations {
			t.Errorf("by %s: %v, now %d", from, err, l.Operations)
		}
	}
}

// What the record holds from before there were bounds is taken as it is, and no sum of it
// wraps round.
func TestOldCountsAreTaken(t *testing.T) {
	for _, tc := range []struct {
		counts []int64
		want   int64
	}{
		{[]int64{2e9}, 2e9},
		{[]int64{2e12, 1}, 2e12 + 1},
		{[]int64{math.MaxInt64, 1, math.MaxInt64}, math.MaxInt64},
		{[]int64{math.MaxInt64, -math.MaxInt64}, 0},
	} {
		l := in(t, Running)
		for _, n := range tc.counts {
			if err := l.Take(Mark{Kind: Operations, Who: "A. Tester", At: at(time.Hour), From: FromImport, Count: n, Text: "why"}); err != nil {
				t.Errorf("%d: %v", tc.counts, err)
			}
		}
		if l.Operations != tc.want || l.By[FromImport] != tc.want {
			t.Errorf("%d come to %d, %d by import; want %d", tc.counts, l.Operations, l.By[FromImport], tc.want)
		}
		if l.Take(Mark{Kind: Operations, Who: "A. Tester", At: at(time.Hour), From: FromInput, Count: math.MinInt64, Text: "why"}) == nil {
			t.Errorf("%d: fewer than none were taken", tc.counts)
		}
	}
}

func TestAbsurdPlansAreRefused(t *testing.T) {
	for name, tc := range map[string]struct {
		spoil func(*Plan)
		want  string
	}{
		"operations":  {func(p *Plan) { p.Operations = math.MaxInt64 }, "at most 1 000 000 000 operations"},
		"time":        {func(p *Plan) { p.Lasting = math.MaxInt64 }, "at most 36500 d"},
		"exceedances": {func(p *Plan) { p.Stop.Exceedances = math.MaxInt }, "a stop rule may wait for at most"},
		"overdue":     {func(p *Plan) { p.Stop.Overdue = math.MaxInt64 }, "a stop rule may wait for at most"},
		"blind":       {func(p *Plan) { p.Stop.Blind = math.MaxInt64 }, "a stop rule may wait for at most"},
		"checkpoints": {func(p *Plan) {
			p.Operations, p.Checkpoints = 5000, nil
			for i := range int64(1001) {
				p.Checkpoints = append(p.Checkpoints, i+1)
			}
		}, "at most 1000 checkpoints; this one has 1001"},
		"far away": {func(p *Plan) { p.Operations, p.Lasting, p.Checkpoints = 0, time.Minute, []int64{math.MaxInt64} }, "lies behind the end"},
	} {
		p := plan()
		if tc.spoil(&p); p.Check() == nil || !strings.Contains(p.Check().Error(), tc.want) {
			t.Errorf("%s: %v, want %q", name, p.Check(), tc.want)
		}
	}
	p := plan()
	p.Operations, p.Lasting, p.Checkpoints = MostOperations, mostLasting, nil
	for i := range int64(mostCheckpoints) {
		p.Checkpoints = append(p.Checkpoints, (i+1)*1000)
	}
	p.Stop = Stop{Exceedances: MostOperations, Overdue: MostOperations, Blind: mostLasting}
	if err := p.Check(); err != nil {
		t.Errorf("what is just allowed: %v", err)
	}
}

// What people enter and the program holds is bounded where it is entered: notes, and
// pauses. The test can still be paused, noted of itself, and ended.
func TestNotesAndPausesAreBounded(t *testing.T) {
	now := begin
	k, _ := kept(t, &view{}, &now)
	say := func(kind Kind) error {
		now = now.Add(time.Second)
		return k.Mark(t.Context(), Mark{Soak: "one", Kind: kind, Who: "A. Tester", Text: "why"})
	}
	if err := say(Started); err != nil {
		t.Fatal(err)
	}
	var noted, resumed error
	notes, resumes := 0, 0
	for noted == nil {
		if noted = say(Noted); noted == nil {
			notes++
		}
	}
	for resumed == nil {
		if err := say(Paused); err != nil {
			t.Fatal(err)
		}
		if resumed = say(Resumed); resumed == nil {
			resumes++
		}
	}
	if notes != mostNotes || !strings.Contains(noted.Error(), "10 000 notes") || resumes != mostResumed-1 || !strings.Contains(resumed.Error(), "paused 10 000 times") {
		t.Errorf("%d notes, then %v; %d resumed, then %v", notes, noted, resumes, resumed)
	}
	mean := Mark{Soak: "one", Kind: Noted, Who: Itself, Text: "a mean", Outcome: string(Exceeds)}
	if err := k.enter(t.Context(), mean); err != nil {
		t.Error(err)
	}
	if err := k.Mark(t.Context(), mean); err == nil || !strings.Contains(err.Error(), "a note has no outcome") {
		t.Errorf("of somebody else: %v", err)
	}
	if err := say(Aborted); err != nil {
		t.Error(err)
	}
}

// Of many marks that do not fit the first are listed and the others counted.
func TestDamageIsListedAndCounted(t *testing.T) {
	l := in(t, Running)
	for i := range 1000 {
		l.Unfit(Mark{ID: int64(i), Kind: Resumed, At: at(0)}, errors.New("it runs"))
	}
	if n := len(l.Damage); n != mostDamage+1 || !strings.Contains(l.Damage[0], "mark 0 of the record") || l.Damage[n-1] != fmt.Sprintf("%d more marks of the record do not fit", 1000-mostDamage) {
		t.Errorf("%q", l.Damage)
	}
	if c := l.clone(); len(c.Damage) != len(l.Damage) {
		t.Errorf("%q", c.Damage)
	}
}
