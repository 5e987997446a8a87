package gather

import (
	"math"
	"strings"
	"testing"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/alarm"
	"ovenward/acquire/store"
	"ovenward/drivers"
)

// flaw is what one record has that keeps 'within' from it, or does not.
type flaw struct {
	name   string
	post   func(*acquire.Post)
	change func(n int, x *acquire.Sample) bool
	event  func(s *store.Store)
	want   string
	reason string
}

// saying makes the readings from one up to another say so many digits.
func saying(from, to int, digits int64) func(int, *acquire.Sample) bool {
	return func(n int, x *acquire.Sample) bool {
		if n >= from && n < to {
			x.Reading.Value.Digits = digits
		}
		return true
	}
}

// of gives the readings from one up to another a quality.
func of(from, to int, q acquire.Quality) func(int, *acquire.Sample) bool {
	return func(n int, x *acquire.Sample) bool {
		if n >= from && n < to {
			x.Quality = q
		}
		return true
	}
}

// flaws are those of values and gaps, then those of the post and of its alarms.
func flaws() []flaw {
	return []flaw{
		{"a gap", nil, func(n int, x *acquire.Sample) bool { return n < late+100 || n > late+160 }, nil, "within, not decided: not decided", "a gap of 59 s"},
		{"no gap that could hide", nil, func(n int, x *acquire.Sample) bool { return n != late+100 && n != late+101 }, nil, "within, within: within", ""},
		{"many short gaps", nil, func(n int, x *acquire.Sample) bool { return n < late+100 || n > late+160 || n%5 == 0 }, nil, "within, not decided: not decided", "short gaps lie so close"},
		{"no run", nil, func(n int, x *acquire.Sample) bool {
			if n >= late {
				x.Reading.Value.Digits = int64(20 + n%3)
			}
			return true
		}, nil, "within, not decided: not decided", "no run"},
		{"above", nil, saying(late+400, late+401, 5001), nil, "within, exceeds: exceeds", "values above the limit, for 1 s"},
		{"above for long", nil, saying(late+400, late+410, 9000), nil, "within, exceeds: exceeds", "as long as the rule asks"},
		{"in the guard band", nil, saying(late+400, late+401, 4900), nil, "within, not decided: not decided", "less than the expanded uncertainty"},
		{"over range", nil, func(n int, x *acquire.Sample) bool {
			if n == late+400 {
				x.Said, x.Reading, x.Quality = []byte("OVER"), drivers.Reading{Unit: "mW/cm2", Status: drivers.OverRange}, acquire.OverRange
			}
			return true
		}, nil, "within, exceeds: exceeds", "over the probe's range"},
		{"uncalibrated", nil, of(10, 11, acquire.Uncalibrated), nil, "not decided, within: not decided", "not covered by a certificate"},
		{"faults", nil, of(10, 20, acquire.Fault), nil, "not decided, within: not decided", "a gap of"},
		{"no certificate", func(p *acquire.Post) { p.Probe.Certificate = nil }, nil, nil, "not decided, not decided: not decided", "not calibrated"},
		{"not turned", func(p *acquire.Post) { p.Turned = false }, nil, nil, "not decided, not decided: not decided", "not turned"},
		{"too far", func(p *acquire.Post) { p.Distance = 0.3 }, nil, nil, "not decided, not decided: not decided", "measured at 300 mm"},
		{"too slow", func(p *acquire.Post) { p.Probe.Response = 5 * time.Second }, nil, nil, "not decided, not decided: not decided", "slower"},
		{"an exceedance that stood", nil, nil, func(s *store.Store) { raise(s, alarm.Exceeds, dusk().Add(-time.Hour)) }, "exceeds, exceeds: exceeds", "raised by the station"},
		{"one that was latched", nil, nil, func(s *store.Store) {
			raise(s, alarm.Exceeds, dusk().Add(-time.Hour), alarm.Disappears)
		}, "not decided, not decided: not decided", "nobody had reset"},
		{"away", nil, nil, func(s *store.Store) { raise(s, alarm.Away, dusk().Add((late+300)*time.Second)) }, "within, not decided: not decided", "away for a survey"},
	}
}

// TestWithinMustBeEarned: each flaw, alone, takes 'within' from the day it is in,
// and never 'exceeds'.
func TestWithinMustBeEarned(t *testing.T) {
	for _, c := range flaws() {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			p := post()
			if c.post != nil {
				c.post(&p)
			}
			s, dir := recorded(t, p, c.change)
			if c.event != nil {
				c.event(s)
			}
			w := &read(t, s, dir).Posts[0]
			if got := outcomes(w); got != c.want {
				t.Errorf("%s, want %s: %v", got, c.want, w.Judged[0].Reasons)
			}
			if text := strings.Join(w.Judged[0].Reasons, "; "); !strings.Contains(text, c.reason) {
				t.Errorf("reasons %q, want one of %q", text, c.reason)
			}
			for _, x := range w.Points {
				if c.name == "away" && x.From.After(dusk().Add((late+300)*time.Second)) && !math.IsNaN(x.Mean) {
					t.Fatalf("what the probe read away from its post is drawn: %+v", x)
				}
			}
			if c.name == "over range" && !math.IsInf(float64(w.Mean.Hi), 1) {
				t.Error("a mean with over-range in it has an upper bound")
			}
			if over := c.name == "over range"; w.Days[0].Over || w.Days[1].Over != over || w.OverAt.IsZero() == over {
				t.Errorf("over range at %s, by day %v, %v", w.OverAt, w.Days[0].Over, w.Days[1].Over)
			}
			if c.name == "a gap" && !(float64(w.Mean.Hi-w.Mean.Lo) > 0.9*200*59/length) {
				t.Errorf("mean %v to %v: the gap is not in its bounds", w.Mean.Lo, w.Mean.Hi)
			}
		})
	}
}

// raise records that an alarm appeared, and what became of it.
func raise(s *store.Store, rule alarm.Rule, at time.Time, then ...alarm.Happening) {
	a, reason := alarm.Alarm{Post: "hatch", Rule: rule, State: alarm.Normal}.Step(alarm.Appears, at)
	s.Record(acquire.Event{At: at, Post: "hatch", Kind: acquire.KindAlarm, Text: "as it was", Alarm: &alarm.Change{Alarm: a, From: alarm.Normal, Reason: reason}})
	for _, then := range then {
		from := a.State
		a, reason = a.Step(then, at.Add(time.Minute))
		s.Record(acquire.Event{At: at.Add(time.Minute), Post: "hatch", Kind: acquire.KindAlarm, Text: "below now", Alarm: &alarm.Change{Alarm: a, From: from, Reason: reason}})
	}
}
