package acquire

import (
	"math"
	"testing"
	"time"

	"ovenward/acquire/alarm"
	"ovenward/acquire/quantity"
)

// again starts a watch of the same post anew, off after the newest sample by the
// clock, with what m holds; of the samples those for which keep says so.
func (w *watch) again(t *testing.T, m *memory, off time.Duration, keep func(Sample) bool) (*watch, toldBy) {
	t.Helper()
	told := toldBy{}
	var recent []Sample
	for _, s := range m.samples[0] {
		if keep == nil || keep(s) {
			recent = append(recent, s)
		}
	}
	last := m.samples[0][len(m.samples[0])-1]
	next := newWatch(w.post, 0, last.At.Add(off), newMemory(), func(e Event) {
		if e.Alarm != nil {
			told[e.Alarm.Rule] = append(told[e.Alarm.Rule], e.Alarm.Reason)
		}
	})
	next.zone = w.zone
	past := Past{LastSeq: last.Seq, LastAt: last.At, Recent: yielding(recent...)}
	for _, a := range w.alarms {
		if a.State != alarm.Normal {
			past.Alarms = append(past.Alarms, a)
		}
	}
	if err := next.restore(past); err != nil {
		t.Fatal(err)
	}
	next.tick(next.epoch)
	return next, told
}

func recordedWatch(t *testing.T, rules ...Rule) (*watch, *memory, toldBy) {
	t.Helper()
	m := newMemory()
	w, told := ruledWatch(t, func(p *Post) { p.Rules = rules })
	w.record = m
	return w, m, told
}

func TestTheDoseOfADayOutlivesAStart(t *testing.T) {
	day := alarm.DoseOf("day")
	const s = time.Second
	w, m, told := recordedWatch(t, Rule{Rule: day, Dose: 1000})
	w.goOn(0, 60*s, 1) // 600 J/m²
	told.want(t, day)
	for name, off := range map[string]time.Duration{"later": 20 * s, "clock set back": -40 * s} {
		next, told := w.again(t, m, off, nil)
		if dose := float64(next.ruled[0].dose); dose < 590 || dose > 660 {
			t.Errorf("%s: a dose of %v J/m² is left of about 600", name, dose)
		}
		next.goOn(s, 50*s, 1)
		told.want(t, day, alarm.Raised)
	}

	// It stands. What the record has lost meanwhile takes nothing back before the day ends.
	w.goOn(60*s, 110*s, 1)
	told.want(t, day, alarm.Raised)
	next, told := w.again(t, m, 20*s, func(x Sample) bool { return x.Mono > 100*s })
	next.goOn(s, 5*s, 0.1)
	told.want(t, day)
	next.epoch = next.epoch.Add(12 * time.Hour)
	next.tick(next.epoch.Add(5 * s))
	told.want(t, day, alarm.Returned)

	// Over midnight another day has begun, whatever the day before came to.
	next, told = w.again(t, m, 13*time.Hour, nil)
	next.goOn(s, 2*s, 0.1)
	told.want(t, day, alarm.Returned)
}

// What was seen of a day before the probe went away is not forgotten by a start while it is.
func TestTheDoseOfADayOutlivesAStartWhileTheProbeIsAway(t *testing.T) {
	day := alarm.DoseOf("day")
	const s = time.Second
	w, m, _ := recordedWatch(t, Rule{Rule: day, Dose: 1000})
	w.goOn(0, 60*s, 1) // 600 J/m²
	w.alarms[awayAt] = alarm.Alarm{Post: w.post.ID, Rule: alarm.Away, State: alarm.Acknowledged, ID: "a", Since: w.newest.At, Changed: w.newest.At}
	w.goOn(60*s, 80*s, 1)
	for i := range m.samples[0] {
		if x := &m.samples[0][i]; x.Mono >= 60*s {
			x.S = quantity.PowerDensity(math.NaN())
		}
	}
	next, told := w.again(t, m, 20*s, nil)
	if dose := float64(next.ruled[0].dose); dose < 590 || dose > 660 || !next.away() {
		t.Errorf("a dose of %v J/m² is left of about 600, away: %t", dose, next.away())
	}
	next.goOn(s, 50*s, 1)
	told.want(t, day)
	next.alarms[awayAt].State = alarm.Normal
	next.goOn(50*s, 100*s, 1)
	told.want(t, day, alarm.Raised)
}

// TestAStartTakesNoUnknownValueAsSeen: of readings whose correction the record has lost, the
// dose of the day is as if they had not been seen, and what is known of it counts.
func TestAStartTakesNoUnknownValueAsSeen(t *testing.T) {
	day := alarm.DoseOf("day")
	const s = time.Second
	w, m, _ := recordedWatch(t, Rule{Rule: day, Dose: 1000})
	w.goOn(0, 60*s, 1)
	for i := range m.samples[0] {
		if x := &m.samples[0][i]; x.Mono < 10*s || x.Mono > 55*s && x.Mono < 58*s {
			x.S, x.U = quantity.PowerDensity(math.NaN()), quantity.PowerDensity(math.NaN())
		}
	}
	for name, off := range map[string]time.Duration{"later": 20 * s, "clock set back": -40 * s} {
		next, told := w.again(t, m, off, nil)
		if dose := float64(next.ruled[0].dose); !(dose > 400 && dose < 550) {
			t.Errorf("%s: a dose of %v J/m² is left of about 500", name, dose)
		}
		next.goOn(s, 70*s, 1)
		told.want(t, day, alarm.Raised)
		if unseen := next.flaws.wasUnseen; off > 0 && !unseen {
			t.Errorf("%s: what nobody knows counts as seen", name)
		}
	}
}

func TestTheCountOfARunOutlivesAStart(t *testing.T) {
	three := alarm.CountOf("three")
	const s = time.Second
	rise := func(w *watch, at time.Duration) {
		w.goOn(at, at+s, 6)
		w.goOn(at+s, at+10*s, 2)
	}
	w, m, told := recordedWatch(t, Rule{Rule: three, Count: 3, LimitID: "in-use", Deadband: 0.1})
	w.goOn(0, 3*s, 0)
	rise(w, 3*s)
	rise(w, 13*s)
	next, again := w.again(t, m, 20*s, nil)
	next.goOn(s, 2*s, 2)
	again.want(t, three)
	rise(next, 2*s)
	again.want(t, three, alarm.Raised)

	rise(w, 23*s)
	told.want(t, three, alarm.Raised)
	// A start in the midst of the run, longer than its pauses may be: nobody saw it end.
	next, again = w.again(t, m, 10*time.Minute, nil)
	next.goOn(s, 60*s, 2)
	again.want(t, three)
	// Nor where most of a long run is not read back.
	next, again = w.again(t, m, 5*s, func(x Sample) bool { return x.Mono > 30*s })
	next.goOn(s, 60*s, 2)
	again.want(t, three)
	// It ends when the oven was seen at rest for as long as the pauses of a run.
	next.goOn(60*s, 145*s, 0)
	again.want(t, three)
	next.goOn(145*s, 160*s, 0)
	again.want(t, three, alarm.Returned)
	// And another run is counted from none.
	rise(next, 160*s)
	rise(next, 170*s)
	again.want(t, three, alarm.Returned)
	rise(next, 180*s)
	again.want(t, three, alarm.Returned, alarm.RaisedAgain)
}

// A level held by the post's own rule for staying above: long enough without a
// break, or long enough in all, and back after the clear delay.
func TestARuleForStayingAbove(t *testing.T) {
	stays, level := alarm.WarningOf("stays"), alarm.WarningOf("level")
	const s = time.Second
	w, _, told := recordedWatch(t, Rule{Rule: stays, Level: 25, Share: 0.5, LimitID: "in-use", Sustained: true}, Rule{Rule: level, Level: 25})
	var said []Event
	report := w.report
	w.report = func(e Event) { said = append(said, e); report(e) }
	w.goOn(0, 5*s, 0.1)
	w.goOn(5*s, 7*s, 3) // 30 W/m² for 2 s: each value counts, and it stays above for too short
	told.want(t, stays)
	told.want(t, level, alarm.Raised)
	w.goOn(7*s, 30*s, 0.1)
	told.want(t, stays)
	w.goOn(30*s, 34*s, 3) // 3 s without a break
	told.want(t, stays, alarm.Raised)
	w.goOn(34*s, 120*s, 0.1)
	told.want(t, stays, alarm.Raised)
	w.goOn(120*s, 126*s, 0.1) // 90 s below
	told.want(t, stays, alarm.Raised, alarm.Returned)
	for i := range 5 { // 2 s in each 9: 10 s in a minute
		told.want(t, stays, alarm.Raised, alarm.Returned)
		at := 130*s + time.Duration(i)*9*s
		w.goOn(at, at+2*s, 3)
		w.goOn(at+2*s, at+9*s, 0.1)
	}
	told.want(t, stays, alarm.Raised, alarm.Returned, alarm.RaisedAgain)
	for _, e := range said { // how much, against which limit, also where the level is of its own
		if g := e.Alarm.Verdict; e.Alarm.Reason == alarm.Raised && (g == nil || g.LimitID != "in-use" || g.Value == nil || *g.Value < 29 || *g.Value > 31) {
			t.Errorf("%s does not say how much: %+v", e.Alarm.Rule, g)
		}
	}
}
