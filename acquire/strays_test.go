package acquire

import (
	"slices"
	"strings"
	"testing"
	"time"

	"ovenward/acquire/alarm"
)

// TestAlarmOfAPostThatIsGone: taking a post out of the configuration ends no
// exceedance.
func TestAlarmOfAPostThatIsGone(t *testing.T) {
	m := newMemory()
	p := aPost(&fakeProbe{})
	gone := alarm.Alarm{Post: "cellar", Rule: alarm.Exceeds, State: alarm.LatchedAcknowledged, ID: "cellar.exceeds.1"}
	s, err := New(Options{Posts: []Post{p}, Recorder: m, Log: discard(), Now: time.Now,
		Standing: []alarm.Alarm{gone, {Post: "attic", Rule: alarm.Silent, State: alarm.Normal}},
		Past:     func(int) (Past, error) { return Past{}, nil }})
	if err != nil {
		t.Fatal(err)
	}
	if !slices.Contains(s.Alarms(), gone) {
		t.Errorf("%v, want the alarm of the post that is gone", s.Alarms())
	}
	if err := s.Act("attic.silent", alarm.Act{What: alarm.Comment, Who: "R. Ahmed", Why: "x"}, 0); err == nil {
		t.Error("an alarm that was normal at a post that is gone is kept")
	}
	if err := s.Reset(gone.ID, "R. Ahmed", "oven scrapped, survey 12"); err != nil {
		t.Error(err)
	}
	if got := m.changes(alarm.Exceeds); !slices.Equal(got, []alarm.Reason{alarm.WasReset}) {
		t.Errorf("changes %v, want the reset", got)
	}
}

// TestABlindPostThatIsGone: nobody will see it again, and nobody has. Its alarms
// end by what is so, and what was above its limit waits for its reset.
func TestABlindPostThatIsGone(t *testing.T) {
	m := newMemory()
	at := func(r alarm.Rule, s alarm.State) alarm.Alarm {
		return alarm.Alarm{Post: "cellar", Rule: r, State: s, ID: "cellar." + string(r) + ".1", Since: time.Date(1999, 1, 1, 0, 0, 0, 0, time.UTC)}
	}
	shelved := at(alarm.Stale, alarm.Unacknowledged)
	shelved.Aside, shelved.By, shelved.Why, shelved.AsideSince, shelved.Until = alarm.Shelved, "J. Hale", "x", shelved.Since, shelved.Since.Add(time.Hour)
	s, err := New(Options{Posts: []Post{aPost(&fakeProbe{})}, Recorder: m, Log: discard(), Now: time.Now,
		Standing: []alarm.Alarm{at(alarm.Silent, alarm.Unacknowledged), at(alarm.Fault, alarm.Acknowledged), shelved,
			at(alarm.Away, alarm.Acknowledged), at(alarm.Emission, alarm.Unacknowledged), at(alarm.Battery, alarm.ReturnedUnacknowledged),
			at(alarm.Exceeds, alarm.Unacknowledged)},
		Past: func(int) (Past, error) { return Past{}, nil }})
	if err != nil {
		t.Fatal(err)
	}
	want := map[alarm.Rule]alarm.State{alarm.Silent: alarm.Normal, alarm.Fault: alarm.Normal, alarm.Stale: alarm.Normal, alarm.Away: alarm.Normal,
		alarm.Emission: alarm.Normal, alarm.Battery: alarm.ReturnedUnacknowledged, alarm.Exceeds: alarm.LatchedUnacknowledged}
	for _, a := range s.Alarms() {
		if a.Post == "cellar" && (a.State != want[a.Rule] || a.Aside != alarm.NotAside) {
			t.Errorf("%s is %s %s, want %s", a.Rule, a.State, a.Aside, want[a.Rule])
		}
	}
	for r := range want {
		got := m.changes(r)
		if r == alarm.Battery && len(got) != 0 || r != alarm.Battery && !slices.Equal(got, []alarm.Reason{alarm.Dropped}) {
			t.Errorf("%s: told %q", r, got)
		}
	}
	for _, text := range m.texts(KindAlarm) {
		if !strings.Contains(text, "no longer watched: post cellar was removed from the configuration") || strings.Contains(text, "seen again") {
			t.Errorf("the record says %q", text)
		}
	}
	if err := s.Reset("cellar.exceeds.1", "R. Ahmed", "oven scrapped"); err != nil {
		t.Error(err)
	}
	if err := s.Acknowledge("cellar.battery.1", "R. Ahmed"); err != nil {
		t.Error(err)
	}
}
