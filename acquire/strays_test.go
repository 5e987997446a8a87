package acquire

import (
	"slices"
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
	if err := s.Reset(gone.ID, "R. Ahmed", "oven scrapped, survey 12"); err != nil {
		t.Error(err)
	}
	if got := m.changes(alarm.Exceeds); !slices.Equal(got, []alarm.Reason{alarm.WasReset}) {
		t.Errorf("changes %v, want the reset", got)
	}
}
