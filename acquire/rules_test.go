package acquire

import (
	"errors"
	"slices"
	"strings"
	"testing"
	"time"

	"ovenward/acquire/alarm"
	"ovenward/acquire/limit"
)

// toldBy collects what a watch tells of each rule.
type toldBy map[alarm.Rule][]alarm.Reason

func ruledWatch(t *testing.T, change func(p *Post)) (*watch, toldBy) {
	t.Helper()
	p := aPost(&fakeProbe{})
	change(&p)
	told := toldBy{}
	w := newWatch(&p, 0, time.Date(2000, 1, 1, 12, 0, 0, 0, time.UTC), newMemory(), func(e Event) {
		if e.Alarm != nil {
			told[e.Alarm.Rule] = append(told[e.Alarm.Rule], e.Alarm.Reason)
		}
	})
	return w, told
}

// goOn reads mw mW/cm² ten times a second from an instant to another; the station
// looks at it four times a second.
func (w *watch) goOn(from, to time.Duration, mw float64) {
	n := 0
	for at := from; at < to; at += 100 * time.Millisecond {
		w.feed(at, dither(mw, at))
		if n++; n%3 == 0 {
			w.tick(w.epoch.Add(at))
		}
	}
}

func (b toldBy) want(t *testing.T, r alarm.Rule, want ...alarm.Reason) {
	t.Helper()
	if !slices.Equal(b[r], want) {
		t.Errorf("%s: told %q, want %q", r, b[r], want)
	}
}

func TestRulesOfTheConfiguration(t *testing.T) {
	half, mean, most := alarm.WarningOf("half"), alarm.WarningOf("mean"), alarm.ExceedsBy("most")
	w, told := ruledWatch(t, func(p *Post) {
		p.Rules = []Rule{
			{Rule: half, Level: 25, Share: 0.5, LimitID: "in-use", Deadband: 0.2, OnDelay: 2 * time.Second, OffDelay: 10 * time.Second, Priority: alarm.Medium},
			{Rule: mean, Level: 10, Window: time.Minute},
			{Rule: most, Level: 55, LimitID: "in-use"},
		}
	})
	const s = time.Second
	w.goOn(0, 5*s, 0.1)
	w.goOn(5*s, 6*s, 3) // 30 W/m², for less than the delay
	w.goOn(6*s, 10*s, 1)
	told.want(t, half)
	w.goOn(10*s, 13*s, 3)
	told.want(t, half, alarm.Raised)
	w.goOn(13*s, 40*s, 2.2) // below the level, and in its deadband
	told.want(t, half, alarm.Raised)
	told.want(t, mean, alarm.Raised)
	w.goOn(40*s, 49*s, 1)
	told.want(t, half, alarm.Raised)
	w.goOn(49*s, 52*s, 1)
	told.want(t, half, alarm.Raised, alarm.Returned)
	told.want(t, most)
	w.goOn(52*s, 52200*time.Millisecond, 6) // once is enough
	w.goOn(53*s, 80*s, 0.1)
	told.want(t, most, alarm.Raised, alarm.ReturnedLatched)
	told.want(t, alarm.Exceeds)
	st := w.stats(w.epoch.Add(80 * s))
	if sight := st.Sight(); sight.Regard != Exceeding {
		t.Errorf("an exceedance by a rule is latched, and the post counts as %s", sight.Words())
	}
	for _, a := range st.Alarms {
		if a.Rule == half && a.Urgency() != alarm.Medium {
			t.Errorf("priority %s of the rule, want that of the configuration", a.Urgency())
		}
	}
}

func TestDoseIsOfTheCivilDay(t *testing.T) {
	day := alarm.DoseOf("day")
	w, told := ruledWatch(t, func(p *Post) { p.Rules = []Rule{{Rule: day, Dose: 1000}} })
	w.zone = time.FixedZone("", -12*3600-60) // midnight there is one minute after the start
	const s = time.Second
	w.goOn(0, 50*s, 1) // 10 W/m² for 50 s
	told.want(t, day)
	w.goOn(50*s, 59*s, 6) // and 60 W/m² for 9 s: 1 040 J/m²
	told.want(t, day, alarm.Raised)
	w.goOn(59*s, 62*s, 0.1)
	told.want(t, day, alarm.Raised, alarm.Returned)
	if dose := w.ruled[0].dose; dose > 10 {
		t.Errorf("dose of the new day %v J/m²", float64(dose))
	}
}

func TestRisesOfARunAreCounted(t *testing.T) {
	three := alarm.CountOf("three")
	w, told := ruledWatch(t, func(p *Post) { p.Rules = []Rule{{Rule: three, Count: 3, LimitID: "in-use", Deadband: 0.1}} })
	const s = time.Second
	w.goOn(0, 3*s, 0)
	for i := range 3 {
		told.want(t, three)
		at := time.Duration(3+10*i) * s
		w.goOn(at, at+1*s, 6)
		w.goOn(at+1*s, at+2*s, 4.8) // in the deadband: not another rise
		w.goOn(at+2*s, at+3*s, 6)
		w.goOn(at+3*s, at+10*s, 2)
	}
	told.want(t, three, alarm.Raised)
	w.goOn(33*s, 130*s, 0)
	told.want(t, three, alarm.Raised, alarm.Returned)
}

func TestOverRangeIsExplainedByTheExceedance(t *testing.T) {
	w, told := ruledWatch(t, func(*Post) {})
	const s = time.Second
	for at := time.Duration(0); at < 6*s; at += s / 4 {
		w.feed(at, "OVER")
		w.tick(w.epoch.Add(at))
	}
	told.want(t, alarm.OverRange, alarm.WasSuppressed, alarm.Raised)
	w.goOn(6*s, 120*s, 0.1)
	a := &w.alarms[exceedsAt]
	if a.State != alarm.LatchedUnacknowledged {
		t.Fatalf("the exceedance is %s", a.State)
	}
	w.apply(exceedsAt, alarm.Act{What: alarm.Reset, At: w.epoch.Add(120 * s), Who: "M. Okafor", Why: "seal replaced"}, "", nil)
	w.tick(w.epoch.Add(121 * s))
	told.want(t, alarm.OverRange, alarm.WasSuppressed, alarm.Raised, alarm.Returned, alarm.WasUnsuppressed)
}

func TestInstrumentsCallForSomebody(t *testing.T) {
	const s, d = time.Second, 24 * time.Hour
	w, told := ruledWatch(t, func(p *Post) {
		p.Upkeep = Upkeep{UnderFloor: time.Minute, Certificate: 30 * d, Position: 100 * d, Zero: 2,
			CheckedOn: time.Date(1999, 9, 1, 0, 0, 0, 0, time.UTC)}
		p.Probe.Certificate.Due = time.Date(2000, 1, 20, 0, 0, 0, 0, time.UTC)
	})
	w.goOn(0, 2*s, 0.001)
	told.want(t, alarm.CertificateDue, alarm.Raised)
	told.want(t, alarm.Position, alarm.Raised)
	told.want(t, alarm.CertificateOverdue)
	w.goOn(2*s, 100*s, 0.001)
	told.want(t, alarm.UnderFloor) // nobody knows that the oven runs
	w.system.hinted, w.system.hint = true, 400*s
	w.goOn(100*s, 159*s, 0.001)
	told.want(t, alarm.UnderFloor)
	w.goOn(159*s, 165*s, 0.001)
	told.want(t, alarm.UnderFloor, alarm.Raised)
	w.goOn(165*s, 167*s, 0.2)
	told.want(t, alarm.UnderFloor, alarm.Raised, alarm.Returned)
	for at := 300 * s; at < 900*s; at += s { // a zero creeps to 2.5 W/m², and rests there
		w.goOn(at, at+s, 0.25*(at-300*s).Seconds()/600)
	}
	w.goOn(900*s, 1560*s, 0.25)
	told.want(t, alarm.ZeroDrift, alarm.Raised)
	w.system.checked = w.epoch.Add(1560 * s)
	w.goOn(1560*s, 1562*s, 0.001)
	told.want(t, alarm.Position, alarm.Raised, alarm.Returned)
	var texts []string
	report := w.report
	w.report = func(e Event) { texts = append(texts, e.Text); report(e) }
	w.tick(w.epoch.Add(30 * d))
	told.want(t, alarm.CertificateOverdue, alarm.Raised)
	told.want(t, alarm.CertificateDue, alarm.Raised, alarm.Returned)
	if !slices.Contains(texts, "returned: its day has passed: no calibration of the probe is in force") {
		t.Errorf("the record says %q", texts)
	}
}

func TestAwayIsBlindToldOnceAndEndsByItself(t *testing.T) {
	watching(t, func(d time.Duration) string { return dither(9, d) }, Past{}, func(t *testing.T, s *Station, m *memory) {
		at(time.Second)
		if err := s.Announce(0, alarm.Away, "J. Hale", "yearly survey", 20*time.Second); err != nil {
			t.Fatal(err)
		}
		at(19 * time.Second)
		st := s.Stats()[0]
		if st.Condition != AwayNow || st.Sight().Regard != IsAway || !strings.Contains(st.Detail, "J. Hale") {
			t.Errorf("away: %s, %s, %q", st.Condition, st.Sight().Words(), st.Detail)
		}
		if got := m.changes(alarm.Exceeds); len(got) != 0 {
			t.Errorf("what a probe reads elsewhere is told as its post's: %v", got)
		}
		if err := s.Announce(0, alarm.UnderTest, "J. Hale", "", time.Minute); err == nil {
			t.Error("announced twice")
		}
		at(28 * time.Second)
		if got := m.changes(alarm.Away); !slices.Equal(got, []alarm.Reason{alarm.Announced, alarm.TimeUp}) {
			t.Errorf("told %v", got)
		}
		if got := m.changes(alarm.Exceeds); !slices.Equal(got, []alarm.Reason{alarm.Raised}) {
			t.Errorf("back in a leaking field: %v", got)
		}
		if err := s.Announce(0, alarm.UnderTest, "J. Hale", "", time.Minute); err != nil {
			t.Fatal(err)
		}
		if st := s.Stats()[0]; st.Condition != TestNow || !st.Condition.Blind() {
			t.Errorf("under test: %s", st.Condition)
		}
		if err := s.Conclude(0, "J. Hale"); err != nil {
			t.Error(err)
		}
	})
}

func TestAWithdrawnOvenThatEmits(t *testing.T) {
	watching(t, func(d time.Duration) string {
		if d > 10*time.Second && d < 20*time.Second {
			return dither(0.4, d)
		}
		return dither(0.001, d)
	}, Past{}, func(t *testing.T, s *Station, m *memory) {
		at(time.Second)
		if err := s.Withdraw("oven", "J. Hale", "door does not close"); err != nil {
			t.Fatal(err)
		}
		if err := s.Withdraw("none", "J. Hale", "x"); !errors.Is(err, ErrNoPost) {
			t.Errorf("an oven that nobody watches: %v", err)
		}
		if st := s.Stats()[0]; st.Withdrawn == nil || st.Withdrawn.By != "J. Hale" || st.Sight().Regard != IsOut {
			t.Errorf("withdrawn: %+v", st.Withdrawn)
		}
		at(12 * time.Second) // it has begun, and may be a single value
		if got := m.changes(alarm.Emission); len(got) != 0 {
			t.Errorf("emission told %v at once", got)
		}
		at(15 * time.Second)
		if got := m.changes(alarm.Emission); !slices.Equal(got, []alarm.Reason{alarm.Raised}) {
			t.Errorf("emission told %v", got)
		}
		if g := m.grounds(alarm.Emission); g == nil || g.Value == nil || *g.Value < 3 || *g.Value > 5 || g.Limit != 50 {
			t.Errorf("emission does not say how much: %+v", g)
		}
		st := s.Stats()[0]
		if st.Sight().Regard != Emits || alarm.Emission.Priority() != alarm.High {
			t.Errorf("emits: %s", st.Sight().Words())
		}
		at(6 * time.Minute) // the run ended after 110 s, and for five minutes it must be seen at rest
		if got := m.changes(alarm.Emission); len(got) != 1 {
			t.Errorf("emission told %v", got)
		}
		at(7 * time.Minute)
		if got := m.changes(alarm.Emission); !slices.Equal(got, []alarm.Reason{alarm.Raised, alarm.Returned}) {
			t.Errorf("emission told %v", got)
		}
		if err := s.ReturnOven("oven", "J. Hale", "hinge replaced"); err != nil {
			t.Error(err)
		}
		if got := m.changes(alarm.Emission); !slices.Equal(got, []alarm.Reason{alarm.Raised, alarm.Returned}) {
			t.Errorf("emission told %v", got)
		}
		if got := m.changes(alarm.WithdrawnOf("oven")); !slices.Equal(got, []alarm.Reason{alarm.Announced, alarm.Concluded}) || s.Stats()[0].Withdrawn != nil {
			t.Errorf("withdrawal told %v", got)
		}
	})
}

func TestShelvedWithWhoAndWhyAndBackByItself(t *testing.T) {
	watching(t, func(d time.Duration) string { return dither(9, d) }, Past{}, func(t *testing.T, s *Station, m *memory) {
		at(5 * time.Second)
		id := s.Stats()[0].Alarms[exceedsAt].ID
		for _, bad := range []error{
			s.Act(id, alarm.Act{What: alarm.Shelve, Who: "J. Hale", Why: "x"}, 9*time.Hour),
			s.Act(id, alarm.Act{What: alarm.Shelve, Who: "J. Hale"}, time.Hour),
			s.Act(id, alarm.Act{What: alarm.Shelve, Why: "x"}, time.Hour),
			s.Act(id, alarm.Act{What: alarm.TakeOut, Who: "J. Hale", Why: "x"}, 0),
			s.Act(id, alarm.Act{What: alarm.Disappears, Who: "J. Hale", Why: "x"}, 0),
		} {
			if bad == nil {
				t.Error("what must be refused was done")
			}
		}
		if err := s.Act(id, alarm.Act{What: alarm.Shelve, Who: "J. Hale", Why: "service is on its way"}, time.Minute); err != nil {
			t.Fatal(err)
		}
		st := s.Stats()[0]
		if a := st.Alarms[exceedsAt]; a.Aside != alarm.Shelved || !a.State.Present() || st.Sight().Regard != Exceeding || !slices.Contains(st.Sight().All, IsShelved) {
			t.Errorf("shelved: %+v, %s", a, st.Sight().Words())
		}
		if err := s.Act("door.battery", alarm.Act{What: alarm.TakeOut, Who: "J. Hale", Why: "sensor is broken"}, 0); err != nil {
			t.Errorf("by post and rule: %v", err)
		}
		at(70 * time.Second)
		if got := m.changes(alarm.Exceeds); !slices.Equal(got, []alarm.Reason{alarm.Raised, alarm.WasShelved, alarm.ShelfEnded}) {
			t.Errorf("told %v", got)
		}
		m.mu.Lock()
		defer m.mu.Unlock()
		for _, e := range m.events {
			if e.Alarm != nil && e.Alarm.Reason == alarm.WasShelved && (e.Who != "J. Hale" || e.Alarm.Remark != "service is on its way" || e.Alarm.Until.IsZero()) {
				t.Errorf("the record says %+v", e)
			}
			if e.Alarm != nil && e.Alarm.Rule == alarm.Exceeds && (e.Alarm.Verdict == nil || e.Alarm.Verdict.Outcome != string(limit.Exceeds)) {
				t.Errorf("the verdict behind it is missing, or another: %+v", e.Alarm)
			}
		}
	})
}

func TestTheStationsOwnAlarms(t *testing.T) {
	m := newMemory()
	now := time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC)
	free, text, synchronised := uint64(50), "", false
	s, err := New(Options{Recorder: m, Log: discard(), Now: func() time.Time { return now },
		Disk: func() (uint64, uint64, error) { return free << 20, 100 << 20, nil }, DiskFloor: 0.1,
		Troubles: func() []Trouble { return []Trouble{{Rule: alarm.CourierOf("desk"), Text: text}} },
		Clock:    func() (ClockState, error) { return ClockState{Synchronised: synchronised}, nil }})
	if err != nil {
		t.Fatal(err)
	}
	run := func(d time.Duration) {
		for range d / time.Second {
			now = now.Add(time.Second)
			s.checkClock(now)
			s.look(now)
		}
	}
	run(9 * time.Minute)
	free, text = 9, "nobody answers"
	run(time.Minute)
	if got := m.changes(alarm.Disk); !slices.Equal(got, []alarm.Reason{alarm.Raised}) {
		t.Errorf("disk told %v", got)
	}
	if got := m.changes(alarm.CourierOf("desk")); len(got) != 0 {
		t.Errorf("courier told %v within a minute", got)
	}
	run(2 * time.Minute)
	if got := m.changes(alarm.Clock); !slices.Equal(got, []alarm.Reason{alarm.Raised}) {
		t.Errorf("clock told %v", got)
	}
	free, text, synchronised = 10, "", true // in the deadband of the disk
	run(2 * time.Minute)
	for rule, want := range map[alarm.Rule]int{alarm.Disk: 1, alarm.Clock: 2, alarm.CourierOf("desk"): 2} {
		if got := m.changes(rule); len(got) != want {
			t.Errorf("%s told %v", rule, got)
		}
	}
	free = 12
	run(time.Minute)
	if got := m.changes(alarm.Disk); len(got) != 2 {
		t.Errorf("disk told %v", got)
	}
	text = "nobody answers"
	run(3 * time.Minute)
	s.troubles = func() []Trouble { return nil } // the courier is not in the configuration any more
	run(2 * time.Second)
	if got := m.changes(alarm.CourierOf("desk")); len(got) != 4 || got[3] != alarm.Dropped {
		t.Errorf("a courier that is gone told %v", got)
	}
	for _, text := range m.texts(KindAlarm) {
		if strings.Contains(text, "make room") == strings.HasPrefix(text, "returned") && strings.Contains(text, "disk") {
			t.Errorf("of the disk: %q", text)
		}
	}
}

func TestRulesGoneFromTheConfigurationEnd(t *testing.T) {
	w, told := ruledWatch(t, func(*Post) {})
	if err := w.restore(Past{Alarms: []alarm.Alarm{
		{Post: "door", Rule: alarm.WarningOf("old"), State: alarm.Unacknowledged, ID: "x"},
		{Post: "door", Rule: alarm.ExceedsBy("old"), State: alarm.Unacknowledged, ID: "y"}}}); err != nil {
		t.Fatal(err)
	}
	told.want(t, alarm.WarningOf("old"), alarm.Dropped)
	told.want(t, alarm.ExceedsBy("old"), alarm.Dropped)
	st := w.stats(w.epoch.Add(time.Second))
	if got := st.Sight(); got.Regard != Exceeding {
		t.Errorf("an exceedance whose rule is gone: %s", got.Words())
	}
}
