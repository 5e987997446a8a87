package gather

import (
	"bytes"
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/alarm"
	"ovenward/acquire/calib"
	"ovenward/acquire/limit"
	"ovenward/acquire/quantity"
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
		{"uncalibrated", nil, of(10, 11, acquire.Uncalibrated), nil, "not decided, within: not decided", "no certificate covers 1 reading"},
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

// inTurn makes the record of a post that is another from each so many seconds on; it is
// open.
func inTurn(t *testing.T, every int, change func(n int, p *acquire.Post)) *store.Store {
	t.Helper()
	return saysInTurn(t, field, every, change)
}

// saysInTurn is inTurn of another field.
func saysInTurn(t *testing.T, field func(n int) int64, every int, change func(n int, p *acquire.Post)) *store.Store {
	t.Helper()
	s, err := store.Open(t.TempDir(), store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = s.Close() })
	for n := range length {
		at := dusk().Add(time.Duration(n) * time.Second)
		if n%every == 0 {
			p := post()
			change(n/every, &p)
			if err := s.Register([]acquire.Post{p}, at); err != nil {
				t.Fatal(err)
			}
			s.Correction(0, calib.Correction{ZeroAt: dusk(), ZeroBy: "R. Okafor", Certificate: p.Probe.Certificate, Spread: calib.Spread{Rel: 0.05, Abs: 0.02, K: 2}})
		}
		x := acquire.Sample{Seq: int64(n + 1), At: at, Reading: drivers.Reading{Value: drivers.Decimal{Digits: field(n), Exp: -3}, HasValue: true, Unit: "mW/cm2"}}
		x.Said = []byte(x.Reading.Value.String() + ",mW/cm2")
		s.Append(0, []acquire.Sample{x})
	}
	if err := s.Flush(t.Context()); err != nil {
		t.Fatal(err)
	}
	return s
}

// elsewhere are ways in which a post stood so that nothing could be within, and what is
// said of each.
func elsewhere() map[string]func(*acquire.Post) {
	return map[string]func(*acquire.Post){
		"measured at 1 m, the limit is for 50 mm": func(p *acquire.Post) { p.Distance = 1 },
		"one axis, not turned":                    func(p *acquire.Post) { p.Turned = false },
		"slower than the limit asks":              func(p *acquire.Post) { p.Probe.Response = 30 * time.Second },
		"fryer":                                   func(p *acquire.Post) { p.Oven = "fryer" },
	}
}

// TestADayIsJudgedByHowThePostStoodThen: what was put right in the night makes no day
// before it within, whether it is reported alone or with the days after.
func TestADayIsJudgedByHowThePostStoodThen(t *testing.T) {
	for why, change := range elsewhere() {
		for name, every := range map[string]int{"at midnight": late, "in the first day": late / 2} {
			s := inTurn(t, every, func(n int, p *acquire.Post) {
				if n == 0 {
					change(p)
				}
			})
			m, err := Monitoring(t.Context(), s.Reader, Query{From: dusk(), To: dusk().Add(length * time.Second), Version: "test"})
			if err != nil {
				t.Fatal(err)
			}
			w := &m.Posts[0]
			if got := outcomes(w); got != "not decided, within: not decided" || !strings.Contains(strings.Join(w.Days[0].Reasons, "; "), why) {
				t.Errorf("%s, put right %s: %s: %v", why, name, got, w.Days[0].Reasons)
			}
		}
	}
}

// TestTheNewestEventsAreListed, and the report says how many came before them.
func TestTheNewestEventsAreListed(t *testing.T) {
	s, dir := recorded(t, post(), nil)
	for i := range mostListed + 50 {
		s.Record(acquire.Event{At: dusk().Add(time.Duration(i) * time.Second), Post: "hatch", Kind: acquire.KindZero, Text: fmt.Sprint("zero ", i)})
	}
	m := read(t, s, dir)
	w := &m.Posts[0]
	if n := len(w.Events); n != mostListed || w.Events[0].Text != "zero 50" || w.Events[n-1].Text != fmt.Sprint("zero ", mostListed+49) || w.EventsMore != 50 {
		t.Errorf("%d events are listed, from %q to %q, and %d are not", n, w.Events[0].Text, w.Events[n-1].Text, w.EventsMore)
	}
	var b bytes.Buffer
	if err := m.Document().CSV(&b); err != nil || !strings.Contains(b.String(), "50 events, not listed") {
		t.Errorf("%v, the report does not say that there are more", err)
	}
}

// TestDaysAreCountedByEachLimit: a day that exceeds one limit is within another.
func TestDaysAreCountedByEachLimit(t *testing.T) {
	p := post()
	p.More = []limit.Limit{{ID: "stricter", Value: 40, Distance: 0.05, Basis: limit.EmissionInUse, Source: "an invented standard"}}
	s, dir := recorded(t, p, saying(late+400, late+401, 4300)) // W/m2, in its hundredths
	m := read(t, s, dir)
	var got []string
	for _, j := range m.Posts[0].Judged {
		got = append(got, fmt.Sprintf("%s: %s, %+v", j.Limit.ID, j.Outcome, j.Days))
	}
	if want := []string{"in-use: within, {Within:2 Exceeds:0 Open:0}", "stricter: exceeds, {Within:1 Exceeds:1 Open:0}"}; !slices.Equal(got, want) {
		t.Errorf("%q, want %q", got, want)
	}
	var b bytes.Buffer
	if err := m.Document().CSV(&b); err != nil || !strings.Contains(b.String(), "2 / 0 / 0") || !strings.Contains(b.String(), "1 / 1 / 0") {
		t.Errorf("%v, the days of each limit are not told", err)
	}
}

// TestAMeanHoldsOnePlaceOnly: where the post came nearer, no mean is within by what was
// seen from farther off; that it got another limit changes no mean.
func TestAMeanHoldsOnePlaceOnly(t *testing.T) {
	means := limit.Limit{ID: "people", Value: 10, Basis: limit.ExposurePublic, Averaging: 5 * time.Minute, Source: "an invented standard"}
	for name, c := range map[string]struct {
		change func(n int, p *acquire.Post)
		want   string // of the second day, in whose tenth minute it is
		reason string
	}{
		"its distance": {func(n int, p *acquire.Post) { p.Distance = quantity.Length(3 - float64(n)/2) }, "not decided", "a mean over 5 min lies between"},
		"its limit":    {func(n int, p *acquire.Post) { p.Distance, p.Limit.Value = 2.5, quantity.PowerDensity(10+n) }, "within", "the upper bound of each mean over 5 min"},
	} {
		low := func(n int) int64 { return min(field(n), 60) } // 6 W/m2
		s := saysInTurn(t, low, late+late/2, func(n int, p *acquire.Post) {
			p.Limit = means
			c.change(n, p)
		})
		m, err := Monitoring(t.Context(), s.Reader, Query{From: dusk().Add(late * time.Second), To: dusk().Add(length * time.Second), Version: "test"})
		if err != nil {
			t.Fatal(err)
		}
		w := &m.Posts[0]
		if got := string(w.Days[0].Outcome); got != c.want || !strings.Contains(strings.Join(w.Days[0].Reasons, "; "), c.reason) {
			t.Errorf("%s changed: %s: %q", name, got, w.Days[0].Reasons)
		}
	}
}

// TestARunIsOneWhateverChanged: a version of the post that begins in the middle of a run
// makes no second run of it, and a run of before the time is none of the time.
func TestARunIsOneWhateverChanged(t *testing.T) {
	pulses := func(n int) int64 { // as at part power: 10 s of each 20 s
		if n%20 >= 10 {
			return int64(20 + n%3)
		}
		return field(n)
	}
	times := [][2]int{{0, length}, {0, 410}, {410, length}, {490, late}, {600, length}} // in seconds
	for _, c := range []struct {
		changes string
		field   func(n int) int64
		how     func(n int, p *acquire.Post)
		want    string // runs in each of these times
	}{
		{"nothing", pulses, func(int, *acquire.Post) {}, "[2 1 2 0 1]"},
		{"its limit", pulses, func(n int, p *acquire.Post) { p.Limit.Value += quantity.PowerDensity(n) }, "[2 1 2 0 1]"},
		{"its limit", field, func(n int, p *acquire.Post) { p.Limit.Value += quantity.PowerDensity(n) }, "[2 1 2 0 1]"},
		{"its floor", pulses, func(n int, p *acquire.Post) { p.Probe.Floor += quantity.PowerDensity(n) / 100 }, "[2 1 2 0 1]"},
		{"its probe", pulses, func(n int, p *acquire.Post) { p.Probe.ID = fmt.Sprint("probe-", n) }, "[2 1 2 0 1]"},
		{"its distance", pulses, func(n int, p *acquire.Post) { p.Distance += quantity.Length(n) / 1000 }, "[2 1 2 0 1]"},
		{"its oven", pulses, func(n int, p *acquire.Post) { p.Oven = fmt.Sprint("oven ", n) }, "[4 1 3 0 2]"},
	} {
		s := saysInTurn(t, c.field, 400, c.how) // so each run parts in two
		var got []int
		for _, x := range times {
			m, err := Monitoring(t.Context(), s.Reader, Query{From: dusk().Add(time.Duration(x[0]) * time.Second), To: dusk().Add(time.Duration(x[1]) * time.Second), Version: "test"})
			if err != nil {
				t.Fatal(err)
			}
			w, days := &m.Posts[0], 0
			for _, d := range w.Days {
				days += d.Runs
			}
			if got = append(got, w.Runs); days != w.Runs {
				t.Errorf("%s changes, seconds %v: %d runs, by day %d", c.changes, x, w.Runs, days)
			}
		}
		if fmt.Sprint(got) != c.want {
			t.Errorf("%s changes: %v runs in %v, want %s", c.changes, got, times, c.want)
		}
	}
}

// TestARunIsOneHoweverOftenThePostChanged: within one run, also in its pauses; and runs that rest
// parts, of which no version saw enough, are two.
func TestARunIsOneHoweverOftenThePostChanged(t *testing.T) {
	pulses := func(n int) int64 { // as at part power: 10 s of each 20 s
		if n%20 >= 10 {
			return int64(20 + n%3)
		}
		return field(n)
	}
	again := func(at int) func(int) int64 { // and a run more, of a minute
		return func(n int) int64 {
			if m := n % 1200; m >= at && m < at+60 {
				return int64(250 + n%7)
			}
			return field(n)
		}
	}
	for _, c := range []struct {
		field func(n int) int64
		at    []int // at which seconds of each twenty minutes it changed
		want  int
	}{
		{pulses, []int{400, 405}, 2},
		{pulses, []int{410, 415}, 2},
		{pulses, []int{405, 410, 415, 420, 435}, 2},
		{again(505), []int{490, 500}, 2},
		{again(525), []int{500}, 4},
		{again(540), []int{495, 520}, 4},
		{again(540), []int{455, 495, 500, 505, 510, 515, 520, 525, 530}, 4},
	} {
		moved := 0
		s := saysInTurn(t, c.field, 5, func(n int, p *acquire.Post) {
			if slices.Contains(c.at, n*5%1200) {
				moved++
			}
			p.Distance += quantity.Length(moved) / 1000
		})
		m, err := Monitoring(t.Context(), s.Reader, Query{From: dusk(), To: dusk().Add(length * time.Second), Version: "test"})
		if err != nil {
			t.Fatal(err)
		}
		if got := m.Posts[0].Runs; got != c.want || len(m.Posts[0].Changes) != 2*len(c.at) {
			t.Errorf("changed at %v: %d runs, want %d; %d changes", c.at, got, c.want, len(m.Posts[0].Changes))
		}
	}
}
