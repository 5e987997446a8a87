package acquire

import (
	"context"
	"log/slog"
	"math"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"ovenward/acquire/alarm"
	"ovenward/acquire/limit"
	"ovenward/acquire/quantity"
	"ovenward/drivers"
)

// onPeople is an exposure limit over a mean. Values: 47 CFR 1.1310(e)(1).
func onPeople(id string, w quantity.PowerDensity, over time.Duration) limit.Limit {
	return limit.Limit{ID: id, Value: w, Basis: limit.ExposurePublic, Averaging: over, Source: "47 CFR 1.1310(e)(1)"}
}

// peopleWatch stands 1 m from an oven and has an emission limit beside.
func peopleWatch(r Recorder, report func(Event), limits ...limit.Limit) *watch {
	p := aPost(&fakeProbe{})
	p.Distance = 1
	p.Limit, p.More = limits[0], limits[1:]
	return newWatch(&p, 0, time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC), r, report)
}

// run feeds a value each 100 ms, with some dither, from one time to another.
func (w *watch) runAt(from, to time.Duration, mw float64) {
	for at := from; at < to; at += 100 * time.Millisecond {
		w.feed(at, dither(mw, at))
		w.tick(w.epoch.Add(at))
	}
}

func TestAMeanRaisesItsOwnAlarm(t *testing.T) {
	var events []Event
	public := onPeople("public", 10, 6*time.Minute)
	w := peopleWatch(newMemory(), func(e Event) { events = append(events, e) }, public, aPost(&fakeProbe{}).Limit)
	// 1 mW/cm² is the mean over 6 min once 3 mW/cm² were seen for 2 min: long
	// above the value of the limit, and only then above as a mean.
	w.runAt(0, 10*time.Second, 0)
	w.runAt(10*time.Second, 128*time.Second, 3)
	if a := w.alarms[0]; a.State != alarm.Normal {
		t.Fatalf("raised after %s, before the mean is above", a.Since.Sub(w.epoch))
	}
	w.runAt(128*time.Second, 140*time.Second, 3)
	a := w.alarms[0]
	if at := a.Since.Sub(w.epoch); a.State != alarm.Unacknowledged || at < 129*time.Second || at > 132*time.Second {
		t.Fatalf("%s at %s, want raised at about 130 s", a.State, at)
	}
	if w.alarms[len(rules())].Rule != alarm.ExceedsOf("in-use") || w.alarms[len(rules())].State != alarm.Normal {
		t.Errorf("the emission limit's alarm is %+v", w.alarms[len(rules())])
	}
	g := events[len(events)-1].Alarm.Verdict
	if g.LimitID != "public" || g.Averaging != 360 || g.MeanLo == nil || *g.MeanLo <= 10 || g.MeanHi == nil || g.Rule != "guarded acceptance" ||
		g.Certificate != "K-1" || g.Distance == nil || *g.Distance != 1 || g.Coverage == nil || *g.Coverage < 1.9 || *g.Coverage > 3 || g.Cover == nil || g.Wrong == nil {
		t.Errorf("grounds %+v", g)
	}
	if text := events[len(events)-1].Text; !strings.Contains(text, "mean over 6 min between") {
		t.Errorf("told %q", text)
	}
	// It falls: the mean must be known to be below for the clear delay.
	w.runAt(140*time.Second, 3*time.Minute+140*time.Second, 0.1)
	if s := w.alarms[0].State; s != alarm.Unacknowledged {
		t.Fatalf("%s while the mean is above", s)
	}
	w.runAt(320*time.Second, 9*time.Minute, 0.1)
	if s := w.alarms[0].State; s != alarm.LatchedUnacknowledged {
		t.Errorf("%s after the mean fell, want latched", s)
	}
	for _, v := range w.verdicts(9 * time.Minute) {
		if v.Outcome == limit.Within {
			t.Errorf("%s is within with a latched exceedance or too far", v.Limit.ID)
		}
	}
}

func TestAMeanIsWithinWhenEarned(t *testing.T) {
	w := peopleWatch(newMemory(), func(Event) {}, onPeople("public", 10, 6*time.Minute))
	w.runAt(0, 10*time.Second, 0)
	w.runAt(10*time.Second, 40*time.Second, 5) // a short run, far above the limit's value
	w.runAt(40*time.Second, 5*time.Minute, 0.02)
	at := 5 * time.Minute
	if v := w.verdicts(at)[0]; v.Outcome != limit.NotDecided || v.Cover > 0.9 {
		t.Fatalf("%s with a cover of %v: a minute of the window was not seen", v.Outcome, v.Cover)
	}
	at = 6*time.Minute + 9*time.Second
	w.runAt(5*time.Minute, at, 0.02)
	if v := w.verdicts(at)[0]; v.Outcome != limit.Within || v.Cover < 0.999 || v.Limit.ID != "public" {
		t.Fatalf("%s, %q, cover %v", v.Outcome, v.Reasons, v.Cover)
	}
	// The run leaves the window: within is not earned any more.
	w.runAt(at, 10*time.Minute, 0.02)
	if v := w.verdicts(10 * time.Minute)[0]; v.Outcome != limit.NotDecided || !strings.Contains(strings.Join(v.Reasons, " "), "not known to have run") {
		t.Errorf("%s, %q after the run left the window", v.Outcome, v.Reasons)
	}
}

// A mean that rises above its limit with the last that is seen, so that the
// silence after it brings it down again before anybody looks: the clear delay
// begins there, and not with what was below before.
func TestTheClearDelayBeginsWhereTheMeanWasAbove(t *testing.T) {
	w := peopleWatch(newMemory(), func(Event) {}, onPeople("public", 10, time.Minute))
	w.runAt(0, 3*time.Minute, 0.5)
	end := 3 * time.Minute
	for w.held[0].mean.Read().Lo <= 9.95 {
		w.feed(end, dither(10, end))
		end += 100 * time.Millisecond
	}
	w.feed(end, dither(10, end))
	w.tick(w.epoch.Add(end + 64*time.Second)) // 5 s of it seen, a minute not
	if above, _ := w.held[0].mean.Against(10); above || !w.alarms[0].State.Present() {
		t.Fatalf("above %v, alarm %s: want one that was above on the way", above, w.alarms[0].State)
	}
	w.tick(w.epoch.Add(end + 65*time.Second))
	if !w.alarms[0].State.Present() {
		t.Errorf("%s a second later: nothing was seen below", w.alarms[0].State)
	}
}

// Silence widens a mean while it lasts, and by the clock alone.
func TestSilenceWidensAMean(t *testing.T) {
	w := peopleWatch(newMemory(), func(Event) {}, onPeople("public", 10, time.Minute))
	w.runAt(0, 70*time.Second, 0.5)
	before := w.held[0].mean.Read()
	for at := 70 * time.Second; at <= 106*time.Second; at += 250 * time.Millisecond {
		w.tick(w.epoch.Add(at))
	}
	after := w.held[0].mean.Read()
	// 70 s, 5 s that the last sample holds, then nothing.
	if want := 106 * time.Second; after.To != want {
		t.Errorf("the mean goes to %s, want %s", after.To, want)
	}
	unseen := (after.To - 74900*time.Millisecond).Seconds() / (after.To - after.From).Seconds()
	if math.Abs(after.Cover()-(1-unseen)) > 1e-9 || after.Lo >= before.Lo || float64(after.Hi) < 200*unseen {
		t.Errorf("%+v after 30 s of silence, before %+v", after, before)
	}
	w.feed(107*time.Second, "0.500")
	if now := w.held[0].mean.Read(); now.Seen >= after.Seen+time.Second {
		t.Errorf("a late sample made silence seen: %+v", now)
	}
}

func TestMeansAreFilledFromTheRecord(t *testing.T) {
	w := peopleWatch(newMemory(), func(Event) {}, onPeople("public", 10, 6*time.Minute))
	const n = 3500 // ends 10 s before the start
	past := Past{LastSeq: n, Recent: func(yield func(Sample, error) bool) {
		for i := range n {
			s := Sample{Seq: int64(i + 1), At: w.epoch.Add(-360*time.Second + time.Duration(i)*100*time.Millisecond), S: 5, U: 0.5,
				Reading: drivers.Reading{HasValue: true, Value: drivers.Decimal{Digits: int64(500 + i%3), Exp: -3}}}
			if !yield(s, nil) {
				return
			}
		}
	}}
	if err := w.restore(past); err != nil {
		t.Fatal(err)
	}
	a := w.held[0].mean.Read()
	// 350 s seen, 4.9 s more held, 5.1 s unseen.
	if a.To != 0 || math.Abs(a.Seen.Seconds()-354.9) > 1e-9 || math.Abs(float64(a.Lo)-5*354.9/360) > 1e-9 || math.Abs(float64(a.Hi-a.Lo)-200*5.1/360) > 1e-9 {
		t.Errorf("%+v", a)
	}
}

// TestMeansAreFilledByTheRangeOfThen: values, the unseen and what was over range are
// bounded by what the probe could show then, whatever it can now.
func TestMeansAreFilledByTheRangeOfThen(t *testing.T) {
	fill := func(top, least quantity.PowerDensity) limit.Average {
		w := peopleWatch(newMemory(), func(Event) {}, onPeople("public", 10, 6*time.Minute))
		said := func(at time.Duration, s Sample) Sample {
			s.Seq, s.At = int64(at/time.Second)+400, w.epoch.Add(at)
			s.Reading.HasValue, s.Reading.Value = true, drivers.Decimal{Digits: s.Seq}
			return s
		}
		var all []Sample
		for i := range 300 { // the last minute was not seen, but for 5 s
			all = append(all, said(time.Duration(i-360)*time.Second, Sample{S: 4000, U: 400}))
		}
		if least > 0 {
			all[0].Quality, all[0].S = OverRange, 0
		}
		if err := w.restore(Past{LastSeq: 1000, LastAt: all[299].At, Recent: yielding(all...), Top: top, TopU: quantity.PowerDensity(math.NaN()), Least: least}); err != nil {
			t.Fatal(err)
		}
		if _, _, now := w.post.top(); w.floorOfTop != now {
			t.Errorf("over range is from %v on now, want %v", w.floorOfTop, now)
		}
		return w.held[0].mean.Read()
	}
	near := func(a, b float64) bool { return math.Abs(a/b-1) < 1e-9 }
	if a := fill(5000, 0); !near(float64(a.Lo), 4000*304/360.) || !near(float64(a.Hi-a.Lo), 5000*56/360.) {
		t.Errorf("a wider range of before: %+v", a)
	}
	if a := fill(5000, 60); !near(float64(a.Lo), (4000*303+60)/360.) || !math.IsInf(float64(a.Hi), 1) {
		t.Errorf("over a narrower range of before: %+v", a)
	}
}

// TestAMeanBeginsAnewWhereThePostMoved: what was seen from the place before counts as
// unseen, whether the post moved at this start or at an earlier one.
func TestAMeanBeginsAnewWhereThePostMoved(t *testing.T) {
	for name, c := range map[string]struct {
		moved       time.Duration
		lo, hi, saw float64 // of 360 s
	}{
		"never":           {-3600 * time.Second, 40 * 300. / 360, (40*300 + 200*60) / 360., 300},
		"at this start":   {0, 0, 200, 0},
		"two minutes ago": {-120 * time.Second, 40 * 60. / 360, (200*240 + 40*60 + 200*60) / 360., 60},
	} {
		w := peopleWatch(newMemory(), func(Event) {}, onPeople("public", 10, 6*time.Minute))
		w.post.Stale = time.Second
		var all []Sample
		for i := range 300 { // the last minute was not seen
			all = append(all, Sample{Seq: int64(i + 1), At: w.epoch.Add(time.Duration(i-360) * time.Second), S: 40, U: 4,
				Reading: drivers.Reading{HasValue: true, Value: drivers.Decimal{Digits: int64(4000 + i%3), Exp: -3}}})
		}
		if err := w.restore(Past{LastSeq: 300, LastAt: all[299].At, Recent: yielding(all...), Moved: w.epoch.Add(c.moved)}); err != nil {
			t.Fatal(err)
		}
		a := w.held[0].mean.Read()
		near := func(got, want float64) bool { return math.Abs(got-want) < 0.3 }
		if !near(float64(a.Lo), c.lo) || !near(float64(a.Hi), c.hi) || !near(a.Seen.Seconds(), c.saw) {
			t.Errorf("moved %s: %+v, want %g to %g W/m2, %g s seen", name, a, c.lo, c.hi, c.saw)
		}
		if w.held[0].above != (name == "never") {
			t.Errorf("moved %s: it is above: %v", name, w.held[0].above)
		}
	}
}

// An exceedance of a limit that the post has no more stands until it is reset.
func TestAnExceedanceOutlivesItsLimit(t *testing.T) {
	gone := alarm.Alarm{Post: "door", Rule: alarm.ExceedsOf("old"), State: alarm.Acknowledged, ID: "door.exceeds:old.1"}
	over := alarm.Alarm{Post: "door", Rule: alarm.ExceedsOf("older"), State: alarm.Normal, ID: "door.exceeds:older.1"}
	s, err := New(Options{Posts: []Post{aPost(&fakeProbe{})}, Recorder: newMemory(), Log: slog.New(slog.DiscardHandler), Now: time.Now,
		Past: func(int) (Past, error) { return Past{Alarms: []alarm.Alarm{gone, over}}, nil }})
	if err != nil {
		t.Fatal(err)
	}
	w := s.watches[0]
	if len(w.alarms) != len(rules())+1 || w.alarms[len(rules())].State != alarm.LatchedAcknowledged {
		t.Fatalf("%+v", w.alarms)
	}
	w.feed(time.Second, "0.412")
	if err := s.Reset(gone.ID, "P. Marlow", "seal replaced"); err != nil || w.alarms[len(rules())].State != alarm.Normal {
		t.Errorf("%v: %+v", err, w.alarms[len(rules())])
	}
}

// Over range exceeds each limit at once, and one limit's alarm leaves the others
// alone.
func TestAlarmsOfSeveralLimits(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := &fakeProbe{born: time.Now(), took: 4 * time.Millisecond, say: func(at time.Duration) string {
			switch {
			case at < 5*time.Second:
				return dither(0.1, at)
			case at < 20*time.Second:
				return dither(2, at) // above the low limit, below the other
			}
			return "OVER"
		}}
		m := newMemory()
		post := aPost(f)
		low := post.Limit
		low.ID, low.Value = "low", 10
		post.More = []limit.Limit{low}
		s, err := New(Options{Posts: []Post{post}, Recorder: m, Log: slog.New(slog.DiscardHandler), Now: time.Now,
			Past: func(int) (Past, error) { return Past{}, nil }})
		if err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan error)
		go func() { done <- s.Run(ctx) }()
		at(15 * time.Second)
		if len(m.changes(alarm.Exceeds)) != 0 || len(m.changes(alarm.ExceedsOf("low"))) != 1 {
			t.Errorf("first %v, low %v; want the low one raised alone", m.changes(alarm.Exceeds), m.changes(alarm.ExceedsOf("low")))
		}
		st := s.Stats()[0]
		if len(st.Verdicts) != 2 || st.Verdict.Limit.ID != "in-use" || st.Binding().Limit.ID != "low" || st.Binding().Outcome != limit.Exceeds {
			t.Errorf("verdicts %+v", st.Verdicts)
		}
		at(21 * time.Second)
		if len(m.changes(alarm.Exceeds)) != 1 {
			t.Errorf("over range: %v", m.changes(alarm.Exceeds))
		}
		cancel()
		if err := <-done; err != nil {
			t.Error(err)
		}
	})
}
