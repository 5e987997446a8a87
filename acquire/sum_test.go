package acquire

import (
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"ovenward/acquire/alarm"
	"ovenward/acquire/limit"
	"ovenward/acquire/quantity"
)

// against is what is known of a post against a limit on a mean. Values of the
// limits: 47 CFR 1.1310(e)(1), 6.1 W/m² at 915 MHz and 10 W/m² at 2450 MHz.
func against(post string, value, lo, hi, u quantity.PowerDensity, o limit.Outcome) Stats {
	l := limit.Limit{ID: "public", Value: value, Basis: limit.ExposurePublic, Averaging: 30 * time.Minute, Builtin: "fcc-public"}
	return Stats{Post: &Post{ID: post}, Verdicts: []limit.Verdict{{Limit: limit.Limit{ID: "door"}}, {Limit: l, Outcome: o, Averaged: true,
		Mean: limit.Average{Lo: lo, Hi: hi, U: u}, Ratio: float64(hi / value), Rule: limit.GuardedAcceptance, Reasons: []string{"as it is"}}}}
}

func TestSumsOfSeveralFrequencies(t *testing.T) {
	sum := Sum{ID: "hatch", Posts: []string{"low", "high"}, Limit: "public"}
	inf, nan := limit.Unbounded(), unknown()
	for _, tc := range []struct {
		name      string
		low, high Stats
		lo, hi    float64
		want      limit.Outcome
		why       string
	}{
		{"both far below", against("low", 6.1, 0.61, 0.61, 0.061, limit.Within), against("high", 10, 3, 3, 0.3, limit.Within), 0.4, 0.4, limit.Within,
			"the ratios to the limits add up to at most 0.4 ± 0.04"},
		{"each below, together above", against("low", 6.1, 3.66, 3.66, 0.2, limit.Within), against("high", 10, 6, 6, 0.5, limit.Within), 1.2, 1.2, limit.Exceeds,
			"the ratios to the limits add up to at least 1.2"},
		{"the guard band", against("low", 6.1, 3.05, 3.05, 0.61, limit.Within), against("high", 10, 4.5, 4.5, 0.5, limit.Within), 0.95, 0.95, limit.NotDecided,
			"add up to between 0.95 and 0.95, ± 0.15"},
		{"one not known", against("low", 6.1, 0.61, 0.61, 0.061, limit.Within), against("high", 10, 0, 200, 20, limit.NotDecided), 0.1, 20.1, limit.NotDecided,
			"between 0.1 and 20.1"},
		{"one idle, though nothing is there", against("low", 6.1, 0, 0.061, 0.061, limit.NotDecided), against("high", 10, 1, 1, 0.1, limit.Within), 0.1, 0.11, limit.NotDecided,
			"post low: not decided: as it is"},
		{"uncertainty not known", against("low", 6.1, 0.61, 0.61, nan, limit.Within), against("high", 10, 1, 1, 0.1, limit.Within), 0.2, 0.2, limit.NotDecided, "between 0.2 and 0.2"},
		{"one exceeds", against("low", 6.1, 0, inf, 0, limit.Exceeds), against("high", 10, 1, 1, 0.1, limit.Within), 0.1, math.Inf(1), limit.Exceeds, "post low: exceeds"},
	} {
		v := sum.Judge([]Stats{tc.high, tc.low})
		near := func(a, b float64) bool { return a == b || math.Abs(a-b) < 1e-12 }
		if v.Outcome != tc.want || !near(v.Lo, tc.lo) || !near(v.Hi, tc.hi) || !strings.Contains(strings.Join(v.Reasons, "; "), tc.why) {
			t.Errorf("%s: %s, %v to %v, %q; want %s, %v to %v, %q", tc.name, v.Outcome, v.Lo, v.Hi, v.Reasons, tc.want, tc.lo, tc.hi, tc.why)
		}
	}
	for _, all := range [][]Stats{nil, {against("low", 6.1, 0, 0, 0, limit.Within)}} {
		if v := sum.Judge(all); v.Outcome != limit.NotDecided || !math.IsNaN(v.Hi) || len(v.Reasons) != 1 {
			t.Errorf("a post is missing: %+v", v)
		}
	}
}

// Wider bounds, a larger uncertainty or a part that is not within never make the
// sum within.
func TestASumIsNeverWithinByKnowingLess(t *testing.T) {
	sum := Sum{ID: "hatch", Posts: []string{"low", "high"}, Limit: "public"}
	power := func(t *rapid.T, name string, most float64) quantity.PowerDensity {
		return quantity.PowerDensity(rapid.Float64Range(0, most).Draw(t, name))
	}
	rapid.Check(t, func(t *rapid.T) {
		lo, u, high := power(t, "lo", 8), power(t, "u", 1), power(t, "high", 12)
		outcome := rapid.SampledFrom([]limit.Outcome{limit.Within, limit.NotDecided}).Draw(t, "outcome")
		known := sum.Judge([]Stats{against("low", 6.1, lo, lo, u, limit.Within), against("high", 10, high, high, 0.1, limit.Within)})
		less := sum.Judge([]Stats{against("low", 6.1, lo-min(lo, power(t, "down", 1)), lo+power(t, "up", 5), u+power(t, "more", 1), outcome),
			against("high", 10, high, high, 0.1, limit.Within)})
		if less.Outcome == limit.Within && known.Outcome != limit.Within {
			t.Fatalf("%s, %+v; with more known %s, %+v", less.Outcome, less, known.Outcome, known)
		}
	})
}

// A sum that is above 1 for certain is an alarm of the station's own: it latches, it
// returns once the sum was known to be kept for the clear delay, and it is silent while
// one post alone exceeds, whose own alarm tells it.
func TestASumThatExceedsIsAnAlarm(t *testing.T) {
	m, now := newMemory(), time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC)
	public := onPeople("public", 10, time.Minute)
	var posts []Post
	for _, id := range []string{"low", "high"} {
		p := aPost(&fakeProbe{})
		p.ID, p.Oven, p.Distance, p.Limit, p.More = id, id, 1, public, nil
		posts = append(posts, p)
	}
	o := Options{Posts: posts, Recorder: m, Log: discard(), Now: func() time.Time { return now }, Past: func(int) (Past, error) { return Past{}, nil },
		Sums: []Sum{{ID: "hatch", Posts: []string{"low", "high"}, Limit: "public"}}}
	s, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	rule, end := alarm.SumOf("hatch"), time.Duration(0)
	run := func(span time.Duration, low, high float64) {
		t.Helper()
		for to := end + span; end < to; end += time.Second {
			s.watches[0].runAt(end, end+time.Second, low)
			s.watches[1].runAt(end, end+time.Second, high)
			now = s.epoch.Add(end + time.Second)
			s.look(now)
		}
	}
	state := func() alarm.State { return s.ownAlarm(rule).alarm.State }
	run(2*time.Minute, 0.4, 0.4) // 4 of 10 W/m² each
	if got := m.changes(rule); len(got) != 0 {
		t.Fatalf("0.8 together, and told %q", got)
	}
	run(2*time.Minute, 0.6, 0.6)
	if got := m.changes(rule); !slices.Equal(got, []alarm.Reason{alarm.Raised}) || state() != alarm.Unacknowledged {
		t.Fatalf("1.2 together, and told %q", got)
	}
	if text := m.texts(KindAlarm); !strings.Contains(text[len(text)-1], "the ratios of the means at posts low, high to limit public add up to more than 1, at least to 1.") {
		t.Errorf("told %q", text)
	}
	for i, w := range s.watches {
		if a := w.alarms[0]; a.State != alarm.Normal {
			t.Errorf("post %d: %s, though it is below the limit alone", i, a.State)
		}
	}
	clear := posts[0].Sustained.Clear
	run(clear, 0.1, 0.1) // of which a part goes by until the mean has fallen
	if state() != alarm.Unacknowledged {
		t.Errorf("%s before it was kept for the whole clear delay", state())
	}
	run(2*time.Minute, 0.1, 0.1)
	if got := m.changes(rule); !slices.Equal(got[1:], []alarm.Reason{alarm.ReturnedLatched}) || state() != alarm.LatchedUnacknowledged {
		t.Fatalf("kept again, and told %q", got)
	}
	if text := m.texts(KindAlarm); !strings.Contains(text[len(text)-1], "add up to at most ") {
		t.Errorf("told %q", text)
	}
	// After a start it stands until somebody resets it.
	o.Standing = []alarm.Alarm{s.ownAlarm(rule).alarm}
	if s, err = New(o); err != nil {
		t.Fatal(err)
	}
	end = 0
	run(10*time.Second, 0.1, 0.1)
	if state() != alarm.LatchedUnacknowledged {
		t.Fatalf("%s after a start", state())
	}
	if err := s.Reset(s.ownAlarm(rule).alarm.ID, "M. Okafor", "both doors adjusted, survey 12"); err != nil || state() != alarm.Normal {
		t.Fatalf("%v, %s", err, state())
	}
	// One alone: the sum tells nothing beside it, and does once it is below alone.
	before := len(m.changes(rule))
	run(2*time.Minute, 0.1, 0)
	run(2*time.Minute, 1.5, 0)
	run(30*time.Second, 1.5, 0.6)
	if got := m.changes(rule)[before:]; len(got) != 0 || s.watches[0].alarms[0].State != alarm.Unacknowledged {
		t.Errorf("post low exceeds alone (%s), and the sum told %q", s.watches[0].alarms[0].State, got)
	}
	run(2*time.Minute, 0.6, 0.6)
	if got := m.changes(rule)[before:]; !slices.Equal(got, []alarm.Reason{alarm.Raised}) {
		t.Errorf("1.2 together again, and told %q", got)
	}
	// What nobody sees ends nothing, and no sum that the configuration drops is taken for mended.
	now = now.Add(10 * time.Minute)
	for _, w := range s.watches {
		w.tick(now)
	}
	s.look(now)
	if state() != alarm.Unacknowledged {
		t.Errorf("%s after ten minutes in which nothing was seen", state())
	}
	s.sums = nil
	s.look(now)
	if state() != alarm.LatchedUnacknowledged {
		t.Errorf("%s, and the configuration names it no more", state())
	}
}
