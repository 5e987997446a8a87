package acquire

import (
	"context"
	"errors"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"ovenward/acquire/alarm"
)

// TestWhatNothingJudgesEndsAsNoLongerWatched: what the configuration no longer has a
// source for would stand for ever, and an open door could never be reset.
func TestWhatNothingJudgesEndsAsNoLongerWatched(t *testing.T) {
	m := newMemory()
	since := time.Date(1999, 1, 1, 0, 0, 0, 0, time.UTC)
	stands := func(post string, r alarm.Rule) alarm.Alarm {
		return alarm.Alarm{Post: post, Rule: r, State: alarm.Unacknowledged, ID: post + "." + string(r) + ".1", Since: since, Changed: since}
	}
	here := []alarm.Rule{alarm.OpenDoor, alarm.UnderFloor, alarm.ZeroDrift, alarm.Position, alarm.CertificateDue, alarm.CertificateOverdue, alarm.Temperature}
	var past Past
	for _, r := range here {
		past.Alarms = append(past.Alarms, stands("door", r))
	}
	p := aPost(&fakeProbe{})
	p.Probe.Certificate = nil
	now := since.Add(time.Hour)
	s, err := New(Options{Posts: []Post{p}, Recorder: m, Log: discard(), Now: func() time.Time { return now },
		Standing: []alarm.Alarm{stands("", alarm.Clock), stands("", alarm.Disk)}, Past: func(int) (Past, error) { return past, nil }})
	if err != nil {
		t.Fatal(err)
	}
	for range 3 {
		now = now.Add(time.Second)
		s.watches[0].tick(now)
		s.look(now)
	}
	for _, r := range append(here, alarm.Clock, alarm.Disk) {
		if got := m.changes(r); !slices.Equal(got, []alarm.Reason{alarm.Dropped}) {
			t.Errorf("%s: told %q, want that it is no longer watched", r, got)
		}
	}
	if st := s.Stats()[0]; st.Sight().Regard == Sees || !slices.Contains(st.Sight().All, OpenEmits) {
		t.Errorf("a field beside an open door that nobody mended: %s", st.Sight().Words())
	}
	if err := s.Reset("door.open-door.1", "R. Ahmed", "interlock replaced, survey 12"); err != nil {
		t.Error(err)
	}
	if st := s.Stats()[0]; slices.Contains(st.Sight().All, OpenEmits) {
		t.Errorf("reset, and it is %s", st.Sight().Words())
	}
}

// TestAFieldBesideAnOpenDoorIsNeverWell: however the alarm is set aside.
func TestAFieldBesideAnOpenDoorIsNeverWell(t *testing.T) {
	for _, state := range []alarm.State{alarm.Unacknowledged, alarm.Acknowledged, alarm.LatchedUnacknowledged, alarm.LatchedAcknowledged, "a state to come"} {
		for _, aside := range []alarm.State{alarm.NotAside, alarm.Shelved} {
			st := Stats{Post: &Post{Oven: "oven"}, Condition: Seeing, Alarms: []alarm.Alarm{{Post: "door", Rule: alarm.OpenDoor, State: state, Aside: aside}}}
			if s := st.Sight(); s.Well() || s.Regard != OpenEmits {
				t.Errorf("%s %s: %s", state, aside, s.Words())
			}
		}
	}
}

// TestAStartMendsNoContact: an alarm about a contact stands until the contact was
// read, not until somebody begins to ask.
func TestAStartMendsNoContact(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		door, m := &contact{err: errors.New("the wire is cut")}, newMemory()
		rule := alarm.InputOf("latch")
		p := aPost(&fakeProbe{born: time.Now(), took: 4 * time.Millisecond, say: func(at time.Duration) string { return dither(0.01, at) }})
		s, err := New(Options{Posts: []Post{p}, Recorder: m, Past: func(int) (Past, error) { return Past{}, nil }, Log: discard(), Now: time.Now,
			Inputs:   []Input{{ID: "latch", Says: SaysDoor, On: true, Every: 100 * time.Millisecond, Source: door}},
			Standing: []alarm.Alarm{{Rule: rule, State: alarm.Acknowledged, ID: "x", Since: time.Now().Add(-time.Hour)}}})
		if err != nil {
			t.Fatal(err)
		}
		s.look(time.Now()) // before it is asked
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan error)
		go func() { done <- s.Run(ctx) }()
		time.Sleep(30 * time.Second) // the bubble's clock
		if got := m.changes(rule); len(got) != 0 {
			t.Errorf("told %q of a contact that cannot be read", got)
		}
		door.set(false, nil)
		time.Sleep(2 * time.Second) // the bubble's clock
		if got := m.changes(rule); !slices.Equal(got, []alarm.Reason{alarm.Returned}) {
			t.Errorf("told %q of a contact that is read again", got)
		}
		cancel()
		if err := <-done; err != nil {
			t.Fatal(err)
		}
		if texts := m.texts(KindAlarm); len(texts) != 1 || !strings.HasPrefix(texts[0], "returned") {
			t.Errorf("the record says %q", texts)
		}
	})
}

// TestWhatIsNotKnownMovesNoAlarm of what the station is told of.
func TestWhatIsNotKnownMovesNoAlarm(t *testing.T) {
	m, rule := newMemory(), alarm.AgeingOf("door")
	now := time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC)
	told := []Trouble{{Rule: rule, Unknown: true}}
	s, err := New(Options{Recorder: m, Log: discard(), Now: func() time.Time { return now }, Troubles: func() []Trouble { return told },
		Standing: []alarm.Alarm{{Rule: rule, State: alarm.Unacknowledged, ID: "x"}}})
	if err != nil {
		t.Fatal(err)
	}
	look := func() {
		for range 5 {
			now = now.Add(time.Second)
			s.look(now)
		}
	}
	look()
	if got := m.changes(rule); len(got) != 0 {
		t.Errorf("not known, and told %q", got)
	}
	told = []Trouble{{Rule: rule}}
	look()
	if got := m.changes(rule); !slices.Equal(got, []alarm.Reason{alarm.Returned}) {
		t.Errorf("nothing is amiss, and told %q", got)
	}
	told = []Trouble{{Rule: rule, Text: "it rises"}}
	look()
	told = []Trouble{{Rule: rule, Unknown: true, Anew: "another one took its place"}}
	look()
	if got := m.changes(rule); !slices.Equal(got, []alarm.Reason{alarm.Returned, alarm.RaisedAgain, alarm.Dropped}) {
		t.Errorf("another one took its place, and told %q", got)
	}
}
