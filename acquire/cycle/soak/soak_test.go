package soak

import (
	"math"
	"strings"
	"testing"
	"time"
)

var begin = time.Date(2030, 3, 4, 8, 0, 0, 0, time.UTC)

func plan() Plan {
	return Plan{ID: "door-7", Oven: "combi", Post: "bench", Procedure: "door cycling", Source: "our own, edition 2", LimitID: "in use", Level: 50, Guard: 5,
		Operations: 1000, Checkpoints: []int64{100, 500, 1000}}
}

func at(d time.Duration) time.Time { return begin.Add(d) }

// in brings a test into a state.
func in(t *testing.T, s State) *Life {
	t.Helper()
	marks := map[State][]Mark{
		Planned:    nil,
		Running:    {{Kind: Started}},
		Pausing:    {{Kind: Started}, {Kind: Paused, Text: "the bench is cleaned"}},
		AbortedNow: {{Kind: Started}, {Kind: Aborted, Text: "the door broke"}},
		StoppedNow: {{Kind: Started}, {Kind: Stopped, Text: "2 exceedances"}},
		FinishedNow: {{Kind: Started}, {Kind: Operations, Count: 1000, From: FromInput}, {Kind: Surveyed, Checkpoint: 100, Outcome: "within"},
			{Kind: Surveyed, Checkpoint: 500, Outcome: "within"}, {Kind: Surveyed, Checkpoint: 1000, Outcome: "within"}, {Kind: Finished}},
	}[s]
	l := New(plan())
	for i, m := range marks {
		m.Who, m.At = "A. Tester", at(time.Duration(i)*time.Minute)
		if err := l.Take(m); err != nil {
			t.Fatal(err)
		}
	}
	if l.State != s {
		t.Fatalf("the test is %s, want %s", l.State, s)
	}
	return l
}

// TestEveryStateAndMark is the whole table: what can happen when, and what comes of it.
func TestEveryStateAndMark(t *testing.T) {
	marks := []Mark{{Kind: Started}, {Kind: Paused, Text: "why"}, {Kind: Resumed}, {Kind: Operations, Count: 1, From: FromOperator},
		{Kind: Surveyed, Checkpoint: 100, Outcome: "within"}, {Kind: Noted, Text: "note"}, {Kind: Aborted, Text: "why"}, {Kind: Finished}, {Kind: Stopped, Text: "why"}, {Kind: "dance"}}
	no := State("")
	want := map[State][]State{
		//            start    pause    resume   operations checkpoint note         abort       finish  stop        dance
		Planned:     {Running, no, no, no, no, Planned, AbortedNow, no, no, no},
		Running:     {no, Pausing, no, Running, Running, Running, AbortedNow, no, StoppedNow, no},
		Pausing:     {no, no, Running, no, Pausing, Pausing, AbortedNow, no, StoppedNow, no},
		AbortedNow:  {no, no, no, no, no, AbortedNow, no, no, no, no},
		StoppedNow:  {no, no, no, no, no, StoppedNow, no, no, no, no},
		FinishedNow: {no, no, no, no, no, FinishedNow, no, no, no, no},
	}
	for state, row := range want {
		for i, m := range marks {
			l := in(t, state)
			m.Who, m.At = "A. Tester", at(time.Hour)
			before := *l
			err := l.Take(m)
			switch {
			case row[i] == no && (err == nil || l.State != state || len(l.Log) != len(before.Log) || l.Operations != before.Operations):
				t.Errorf("%s, %s: taken, now %s", state, m.Kind, l.State)
			case row[i] != no && (err != nil || l.State != row[i]):
				t.Errorf("%s, %s: %v, now %s, want %s", state, m.Kind, err, l.State, row[i])
			}
			if m.Who = ""; l.Take(m) == nil {
				t.Errorf("%s, %s: by nobody, and taken", state, m.Kind)
			}
		}
	}
}

func TestNonsenseIsRefused(t *testing.T) {
	for name, tc := range map[string]struct {
		m    Mark
		want string
	}{
		"before":        {Mark{Kind: Operations, Count: 1, From: FromInput, At: begin.Add(-time.Second)}, "lies before the newest mark"},
		"none":          {Mark{Kind: Operations, From: FromInput}, "how many operations more"},
		"silently":      {Mark{Kind: Operations, From: FromInput, Count: -1}, "why the count is corrected"},
		"too many away": {Mark{Kind: Operations, From: FromInput, Count: -9, Text: "double"}, "fewer than none"},
		"from nowhere":  {Mark{Kind: Operations, Count: 1, From: "a friend"}, `not from "a friend"`},
		"unplanned":     {Mark{Kind: Surveyed, Checkpoint: 7, Outcome: "within"}, "no checkpoint at 7; it has [100 "},
		"unsaid":        {Mark{Kind: Surveyed, Checkpoint: 100}, "what the survey came to"},
		"too early":     {Mark{Kind: Finished}, "0 of 1000 operations"},
		"no reason":     {Mark{Kind: Aborted}, "say why"},
		"no pause":      {Mark{Kind: Paused}, "say why"},
		"empty":         {Mark{Kind: Noted}, "empty"},
	} {
		l := in(t, Running)
		m := tc.m
		if m.Who = "A. Tester"; m.At.IsZero() {
			m.At = at(time.Hour)
		}
		if err := l.Take(m); err == nil || !strings.Contains(err.Error(), tc.want) {
			t.Errorf("%s: %v, want %q", name, err, tc.want)
		}
	}
	for name, spoil := range map[string]func(*Plan){
		"id": func(p *Plan) { p.ID = "" }, "post": func(p *Plan) { p.Post = "" }, "source": func(p *Plan) { p.Source = "" },
		"limit": func(p *Plan) { p.LimitID = "" }, "end": func(p *Plan) { p.Operations = 0 }, "order": func(p *Plan) { p.Checkpoints = []int64{5, 5} },
		"behind": func(p *Plan) { p.Checkpoints = []int64{1001} }, "negative": func(p *Plan) { p.Stop.Exceedances = -1 },
	} {
		p := plan()
		if spoil(&p); p.Check() == nil {
			t.Errorf("%s: a plan %+v is taken", name, p)
		}
	}
	if err := plan().Check(); err != nil {
		t.Error(err)
	}
}

// TestProgress: pauses do not count, checkpoints fall due, the end is foreseen from
// the rate, and a stop rule ends a test.
func TestProgress(t *testing.T) {
	p := plan()
	p.Stop = Stop{Exceedances: 2, Blind: 10 * time.Minute, Overdue: 50, OverRange: true}
	l := New(p)
	take := func(m Mark, d time.Duration) {
		t.Helper()
		m.Who, m.At = "A. Tester", at(d)
		if err := l.Take(m); err != nil {
			t.Fatal(err)
		}
	}
	take(Mark{Kind: Started}, 0)
	for i := range 90 { // one a minute
		take(Mark{Kind: Operations, Count: 1, From: FromInput}, time.Duration(i+1)*time.Minute)
	}
	now := 90 * time.Minute
	end, why := l.Expected(at(now))
	if left := end.Sub(at(now)); why != "" || math.Abs(left.Minutes()-910) > 1e-6 {
		t.Errorf("%v left, %q, want 910 min", left, why)
	}
	if _, due := l.Due(at(now)); due {
		t.Error("a checkpoint at 100 is due at 90")
	}
	take(Mark{Kind: Paused, Text: "the night"}, now)
	take(Mark{Kind: Resumed}, now+10*time.Hour)
	now += 10 * time.Hour
	if a := l.ActiveBy(at(now + time.Minute)); a != 91*time.Minute {
		t.Errorf("active for %v", a)
	}
	take(Mark{Kind: Operations, Count: 20, From: FromImport}, now+time.Minute)
	if c, due := l.Due(at(now + time.Minute)); !due || c != 100 || l.Operations != 110 || l.By[FromInput] != 90 || l.Share(at(now)) != 0.11 {
		t.Errorf("%d operations, checkpoint %d due %v, share %g", l.Operations, c, due, l.Share(at(now)))
	}
	for want, s := range map[string]Seen{"": {Exceedances: 1, Blind: 9 * time.Minute}, "2 exceedances": {Exceedances: 2}, "over the probe's range": {OverRange: true}, "seen nothing": {Blind: 10 * time.Minute}} {
		if got := l.MustStop(at(now+time.Minute), s); (want == "") != (got == "") || !strings.Contains(got, want) {
			t.Errorf("%+v: %q, want %q", s, got, want)
		}
	}
	take(Mark{Kind: Operations, Count: 40, From: FromInput}, now+2*time.Minute)
	if got := l.MustStop(at(now+2*time.Minute), Seen{}); !strings.Contains(got, "the checkpoint at 100 is overdue") {
		t.Errorf("%q", got)
	}
	take(Mark{Kind: Surveyed, Checkpoint: 100, Survey: "12", Outcome: "within"}, now+3*time.Minute)
	if got := l.MustStop(at(now+3*time.Minute), Seen{}); got != "" {
		t.Errorf("%q", got)
	}
	if l.Passed[0].Operations != 150 {
		t.Errorf("%+v", l.Passed)
	}
}
