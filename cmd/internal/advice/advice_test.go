package advice

import (
	"strings"
	"testing"

	"ovenward/acquire/alarm"
)

// Every rule says what to do now, with and without a probe's name, and none of it
// soothes.
func TestEveryRuleSaysWhatToDo(t *testing.T) {
	for _, r := range alarm.Rules() {
		for _, p := range []Probe{{}, {ID: "p7", Port: "/dev/ttyUSB0"}} {
			said := Now(r, alarm.Unacknowledged, p)
			if !strings.HasSuffix(said, ".") || strings.Contains(said, "  ") || strings.Contains(strings.ToLower(said), "safe") {
				t.Errorf("%s: %q", r, said)
			}
			if again := Now(r, alarm.Acknowledged, p); again != said {
				t.Errorf("%s: acknowledged, and it says %q", r, again)
			}
			if r.Blinds() && (!strings.Contains(said, "not known") || !strings.Contains(said, "nobody knows")) {
				t.Errorf("%s does not say that the field is not known: %q", r, said)
			}
			if r == alarm.OpenDoor && (said != LeaveOven || !strings.HasPrefix(said, "Keep everyone away; switch off at the wall or breaker.")) {
				t.Errorf("%s does not keep people away: %q", r, said)
			}
			if r.IsExceedance() && said != StopOven || r == alarm.Emission && !strings.Contains(said, StopOven) {
				t.Errorf("%s does not stop the oven: %q", r, said)
			}
		}
		latched := Now(r, alarm.LatchedAcknowledged, Probe{})
		if r.Latches() != strings.Contains(latched, "out of use") {
			t.Errorf("%s latched: %q", r, latched)
		}
		if r.Blinds() && !r.IsNotice() && !strings.Contains(Now(r, alarm.Normal, Probe{}), "in between is not known") {
			t.Errorf("%s ended: %q", r, Now(r, alarm.Normal, Probe{}))
		}
	}
	if said := Now("a rule to come", alarm.Unacknowledged, Probe{}); said != "" {
		t.Errorf("of a rule that nobody knows: %q", said)
	}
}
