package notify

import (
	"strings"
	"testing"
	"time"

	"ovenward/acquire/alarm"
)

// What ended is not said to be well, or over for a reason that is not known: the
// record has the reason.
func TestTextOfWhatEnded(t *testing.T) {
	for _, tt := range []struct {
		rule   alarm.Rule
		record string
		never  string
		want   string
	}{
		{alarm.CertificateDue, "returned: its day has passed: no calibration of the probe is in force", "no longer due",
			oven7 + "the reminder that the probe's calibration is due soon has ended. The record says: “returned: its day has passed: no calibration of the probe is in force”."},
		{alarm.Emission, "returned: the oven is back in use", "not seen to emit",
			oven7 + "it has ended that oven oven-7 emits though it is withdrawn. The record says: “returned: the oven is back in use”."},
		{alarm.Battery, "returned: the probe calls for no new battery, and nothing that it says of its battery is bounded", "no longer low",
			oven7 + "nothing tells any more that the probe's battery is low. The record says: “returned: the probe calls for no new battery, and nothing that it says of its battery is bounded”."},
	} {
		e := change(7, tt.rule, alarm.ReturnedUnacknowledged, alarm.Returned, at(5))
		e.Text = tt.record
		if got := textOf(e, nil); !strings.HasPrefix(got, tt.want) || strings.Contains(got, tt.never) {
			t.Errorf("got  %s\nwant %s", got, tt.want)
		}
	}
}

// An alarm that came and went says so, and gives no length that it did not have.
func TestTextOfWhatWasRaisedAgain(t *testing.T) {
	with := func(state alarm.State, reason alarm.Reason, changed time.Time) string {
		e := change(7, alarm.Silent, state, reason, at(50))
		e.Alarm.Since, e.Alarm.Changed = at(2), changed
		return textOf(e, nil)
	}
	for want, got := range map[string]string{
		" First raised at 2026-11-25 09:00:02; ended at 2026-11-25 09:00:50 UTC.":    with(alarm.ReturnedUnacknowledged, alarm.Returned, at(50)),
		" Again since 2026-11-25 09:00:50; first raised at 2026-11-25 09:00:02 UTC.": with(alarm.Unacknowledged, alarm.RaisedAgain, at(50)),
		" Again since 2026-11-25 09:00:40; first raised at 2026-11-25 09:00:02 UTC.": with(alarm.Unacknowledged, alarm.Escalated, at(40)),
		" Since 2026-11-25 09:00:02 UTC.":                                            with(alarm.Unacknowledged, alarm.Escalated, at(2)),
		" First raised at 2026-11-25 09:00:02 UTC.":                                  with(alarm.Acknowledged, alarm.WasAcknowledged, at(50)),
	} {
		if !strings.Contains(got, want) {
			t.Errorf("%s\nlacks %s", got, want)
		}
	}
}

// A rule on a mean that the configuration names: its message has the mean that
// raised it, where the verdict has only the value of the moment.
func TestTextOfANamedLevel(t *testing.T) {
	e := raised(7, alarm.ExceedsBy("half"), at(5))
	e.Text = "raised: mean over 6 min between 3.1 mW/cm² and 3.2 mW/cm²: above 50 % of limit leak-in-use, 2.5 mW/cm²"
	if got := textOf(e, nil); !strings.Contains(got, "The record says: “"+e.Text+"”.") {
		t.Errorf("the mean is lacking: %s", got)
	}
	if got := textOf(raised(7, alarm.Exceeds, at(5)), nil); strings.Contains(got, "The record says") {
		t.Errorf("of the limit itself the record is repeated: %s", got)
	}
}

// What is reset is named as what it is.
func TestTextOfAReset(t *testing.T) {
	for rule, want := range map[alarm.Rule]string{
		alarm.Exceeds:           ": the exceedance was reset by M. Ito.",
		alarm.OpenDoor:          ": the field beside the open door was reset by M. Ito.",
		alarm.SumOf("frontage"): ": the exceedance was reset by M. Ito.",
	} {
		e := change(7, rule, alarm.Normal, alarm.WasReset, at(5))
		e.Who = "M. Ito"
		if got := textOf(e, nil); !strings.Contains(got, want) {
			t.Errorf("%s: %s", rule, got)
		}
	}
}

// What people announce was raised by nobody.
func TestTextOfWhatWasAnnounced(t *testing.T) {
	back := change(7, alarm.Away, alarm.Normal, alarm.Concluded, at(5))
	if got := textOf(back, nil); !strings.Contains(got, " Announced at 2026-11-25 09:00:02 UTC.") || strings.Contains(got, "aised") {
		t.Errorf("alone: %s", got)
	}
	m := newMessage(back, subjectMatter{Post: &larkfield()[7]})
	if got := listed([]Message{m}); !strings.HasSuffix(got, ", announced at 2026-11-25 09:00:02 UTC") {
		t.Errorf("of several: %s", got)
	}
}
