package notify

import (
	"encoding/json"
	"math"
	"regexp"
	"strings"
	"testing"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/alarm"
	"ovenward/cmd/internal/advice"
)

const oven7 = "Larkfield House, main kitchen, oven oven-7, post post-7: "

// textOf makes the text of an event at post 7 that is in the record.
func textOf(e acquire.Event, set func(m *subjectMatter)) string {
	m := subjectMatter{Post: &larkfield()[7], Site: "Larkfield House", Recorded: true}
	if set != nil {
		set(&m)
	}
	return newMessage(e, m).Text
}

func TestTextOfExceedance(t *testing.T) {
	now := at(5)
	by := func(to alarm.State, r alarm.Reason, text string) acquire.Event {
		e := change(7, alarm.Exceeds, to, r, now)
		e.Who, e.Text, e.Alarm.Verdict = "M. Ito", text, nil
		return e
	}
	overRange := raised(7, alarm.Exceeds, now)
	overRange.Alarm.Verdict.Value, overRange.Alarm.Verdict.Uncertainty = nil, nil
	overRange.Alarm.Verdict.Reasons = []string{"over the probe's range", "no calibration certificate in force"}
	unsure := raised(7, alarm.Exceeds, now)
	unsure.Alarm.Verdict.Uncertainty = nil
	below := change(7, alarm.Exceeds, alarm.LatchedUnacknowledged, alarm.ReturnedLatched, now)
	below.Alarm.Verdict.Value = new(2.5)
	reset := by(alarm.Normal, alarm.WasReset, "reset by M. Ito: door seal replaced, survey 118")
	reset.Alarm.Verdict = below.Alarm.Verdict
	for _, tt := range []struct {
		name string
		e    acquire.Event
		set  func(m *subjectMatter)
		want string
	}{
		{"raised", raised(7, alarm.Exceeds, now), nil,
			oven7 + "the field exceeds the limit. Measured at this moment: 7.2 mW/cm² (72 W/m²), 1.44 times the limit of 5 mW/cm² (50 W/m²) (leak-in-use: invented for this test); expanded uncertainty 1.1 mW/cm² (11 W/m²). Grounds: above the limit for 3 s in the window. Since 2026-11-25 09:00:02 UTC. " + advice.StopOven},
		{"raised again, uncertainty not known", func() acquire.Event { unsure.Alarm.Reason = alarm.RaisedAgain; return unsure }(), nil,
			oven7 + "the field exceeds the limit, again. Measured at this moment: 7.2 mW/cm² (72 W/m²), 1.44 times the limit of 5 mW/cm² (50 W/m²) (leak-in-use: invented for this test); uncertainty not known. Grounds: above the limit for 3 s in the window. Again since 2026-11-25 09:00:05; first raised at 2026-11-25 09:00:02 UTC. " + advice.StopOven},
		{"over range", overRange, nil,
			oven7 + "the field exceeds the limit. There is no number: the probe shows up to 20 mW/cm² (200 W/m²). It is judged against the limit of 5 mW/cm² (50 W/m²) (leak-in-use: invented for this test). Grounds: over the probe's range; no calibration certificate in force. Since 2026-11-25 09:00:02 UTC. " + advice.StopOven},
		{"below", below, nil,
			oven7 + "below the limit now; the cause is not known to be mended. Measured at this moment: 0.25 mW/cm² (2.5 W/m²), 0.05 times the limit of 5 mW/cm² (50 W/m²) (leak-in-use: invented for this test); expanded uncertainty 1.1 mW/cm² (11 W/m²). Grounds: above the limit for 3 s in the window. First raised at 2026-11-25 09:00:02; not seen any more at 2026-11-25 09:00:05 UTC. Keep this oven out of use until licensed service has mended the cause or a survey was made; only a reset that names it ends this alarm."},
		{"acknowledged", by(alarm.Acknowledged, alarm.WasAcknowledged, "acknowledged by M. Ito"), nil,
			oven7 + "the field exceeds the limit; this was acknowledged by M. Ito. First raised at 2026-11-25 09:00:02 UTC. " + advice.StopOven},
		{"acknowledged, latched", by(alarm.LatchedAcknowledged, alarm.WasAcknowledged, "acknowledged by M. Ito"), nil,
			oven7 + "acknowledged by M. Ito; the field was above the limit, and the cause is not known to be mended. First raised at 2026-11-25 09:00:02 UTC. Keep this oven out of use until licensed service has mended the cause or a survey was made; only a reset that names it ends this alarm."},
		{"reset", by(alarm.Normal, alarm.WasReset, "reset by M. Ito: door seal replaced, survey 118"), nil,
			oven7 + "the exceedance was reset by M. Ito. The record says: “reset by M. Ito: door seal replaced, survey 118”. First raised at 2026-11-25 09:00:02 UTC. The reset states that the cause is mended; the next run of the oven will show it."},
		{"reset, with what was measured then", reset, nil,
			oven7 + "the exceedance was reset by M. Ito. Measured at this moment: 0.25 mW/cm² (2.5 W/m²), 0.05 times the limit of 5 mW/cm² (50 W/m²) (leak-in-use: invented for this test); expanded uncertainty 1.1 mW/cm² (11 W/m²). The record says: “reset by M. Ito: door seal replaced, survey 118”. First raised at 2026-11-25 09:00:02 UTC. The reset states that the cause is mended; the next run of the oven will show it."},
		{"simulated, not recorded, coalesced", by(alarm.Acknowledged, alarm.WasAcknowledged, ""),
			func(m *subjectMatter) { m.Simulated, m.Recorded, m.More = true, false, 12 },
			"SIMULATED, no real oven is meant. " + oven7 + "the field exceeds the limit; this was acknowledged by M. Ito. First raised at 2026-11-25 09:00:02 UTC. " + advice.StopOven + " 12 earlier changes of this alarm were not sent; this message stands in for them. This was not yet seen in the record."},
	} {
		if got := textOf(tt.e, tt.set); got != tt.want {
			t.Errorf("%s:\n got  %s\n want %s", tt.name, got, tt.want)
		}
	}
}

func TestTextOfBlindness(t *testing.T) {
	now := at(5)
	const since = " Since 2026-11-25 09:00:02 UTC. The field at this post is not known. "
	const until = " Until the probe is seen again, nobody knows whether this oven leaks."
	said := " The record says: “as the record says”."
	station := func(to alarm.State, r alarm.Reason) acquire.Event {
		e := change(7, alarm.Record, to, r, now)
		e.Post, e.Alarm.Post = "", ""
		return e
	}
	byIto := change(7, alarm.Silent, alarm.Normal, alarm.WasAcknowledged, now)
	byIto.Who = "M. Ito"
	for _, tt := range []struct {
		name string
		e    acquire.Event
		set  func(m *subjectMatter)
		want string
	}{
		{"silent", raised(7, alarm.Silent, now), nil,
			oven7 + "the field at this post is not known: the probe does not answer." + said + since + "Look at the power of probe p7, its cable and its port /dev/ttyUSB0." + until},
		{"stale", raised(7, alarm.Stale, now), nil,
			oven7 + "the field at this post is not known: the probe answers, but gives no valid reading." + said + since + "Look at the display and the settings of probe p7." + until},
		{"stuck", raised(7, alarm.Stuck, now), nil,
			oven7 + "the field at this post is not known: the reading stands still for longer than its noise allows." + said + since + "Look at probe p7: compare it with one known to be good." + until},
		{"fault", raised(7, alarm.Fault, now), nil,
			oven7 + "the field at this post is not known: the probe declares itself unfit." + said + since + "Read what probe p7 itself shows, and have it serviced." + until},
		{"battery", raised(7, alarm.Battery, now), nil,
			oven7 + "the probe's battery is low." + said + " Since 2026-11-25 09:00:02 UTC. The probe still reads. Change its battery soon; without it nobody knows whether this oven leaks."},
		{"temperature", raised(7, alarm.Temperature, now), nil,
			oven7 + "the probe is warmer or colder than it is meant for." + said + " Since 2026-11-25 09:00:02 UTC. The probe still reads, but its readings may be off. Shield it from heat or cold, or move it."},
		{"seen again", change(7, alarm.Silent, alarm.ReturnedUnacknowledged, alarm.Returned, now), nil,
			oven7 + "the probe is seen again." + said + " First raised at 2026-11-25 09:00:02; ended at 2026-11-25 09:00:05 UTC. What the field was in between is not known."},
		{"acknowledged after it ended", byIto, nil,
			oven7 + "acknowledged by M. Ito; the probe is seen again." + said + " First raised at 2026-11-25 09:00:02 UTC. What the field was in between is not known."},
		{"post no longer configured", raised(7, alarm.Silent, now), func(m *subjectMatter) { m.Post = nil; m.More = 1 },
			"Larkfield House, post post-7: the field at this post is not known: the probe does not answer." + said + since + "Look at the power of the probe, its cable and its port." + until + " One earlier change of this alarm was not sent; this message stands in for it."},
		{"record", station(alarm.Unacknowledged, alarm.Raised), func(m *subjectMatter) { m.Post = nil; m.Recorded = false },
			"Larkfield House, the station itself: the record cannot be written." + said + " Since 2026-11-25 09:00:02 UTC. Readings may be lost until it can. Look at the disk of this station: space, permissions, whether it is mounted. This was not yet seen in the record."},
		{"record again", station(alarm.ReturnedUnacknowledged, alarm.Returned), func(m *subjectMatter) { m.Post = nil },
			"Larkfield House, the station itself: the record is written again." + said + " First raised at 2026-11-25 09:00:02; ended at 2026-11-25 09:00:05 UTC."},
	} {
		if got := textOf(tt.e, tt.set); got != tt.want {
			t.Errorf("%s:\n got  %s\n want %s", tt.name, got, tt.want)
		}
	}
}

// every calls f with the message of each rule in each state for each reason.
func every(f func(m Message)) {
	for _, rule := range append(alarm.Rules(), "a rule to come") {
		for _, state := range []alarm.State{alarm.Normal, alarm.Unacknowledged, alarm.Acknowledged,
			alarm.ReturnedUnacknowledged, alarm.LatchedUnacknowledged, alarm.LatchedAcknowledged} {
			for _, reason := range []alarm.Reason{alarm.Raised, alarm.RaisedAgain, alarm.WasAcknowledged, alarm.Returned, alarm.ReturnedLatched, alarm.WasReset,
				alarm.WasShelved, alarm.WasUnshelved, alarm.Commented, alarm.Dropped, alarm.Unread} {
				f(newMessage(change(7, rule, state, reason, at(5)), subjectMatter{Post: &larkfield()[7], Site: "Larkfield House"}))
			}
		}
	}
}

// No text soothes: the word is never said outside the caution, a standing
// exceedance always says what to do, and a blind post always that it is blind.
func TestNoTextSoothes(t *testing.T) {
	soothing := regexp.MustCompile(`(?i)safe|harmless|all is well|no danger|\bok\b`)
	every(func(m Message) {
		if soothing.MatchString(m.Text) {
			t.Errorf("%s, %s, %s: %s", m.Rule, m.State, m.Reason, m.Text)
		}
		switch {
		case m.Rule != "a rule to come" && m.State.Present() && m.Reason != alarm.Dropped && !strings.Contains(m.Text, advice.Now(m.Rule, m.State, advice.Probe{ID: "p7", Port: "/dev/ttyUSB0"})):
			t.Errorf("%s, %s, %s does not say what to do: %s", m.Rule, m.State, m.Reason, m.Text)
		case !m.State.Standing() && strings.Contains(m.Text, "goes on standing"), !m.State.Standing() && strings.Contains(m.Text, "still stands"):
			t.Errorf("%s, %s, %s is said to stand: %s", m.Rule, m.State, m.Reason, m.Text)
		case m.Rule == alarm.Exceeds && m.State.Present() && !strings.Contains(m.Text, advice.StopOven):
			t.Errorf("%s, %s, %s does not say to stop the oven: %s", m.Rule, m.State, m.Reason, m.Text)
		case m.Rule == alarm.Exceeds && m.State.Standing() && !m.State.Present() && !strings.Contains(m.Text, "out of use"):
			t.Errorf("%s, %s, %s does not keep the oven out of use: %s", m.Rule, m.State, m.Reason, m.Text)
		case m.Rule.Blinds() && m.State.Present() && !strings.Contains(m.Text, "The field at this post is not known."):
			t.Errorf("%s, %s, %s does not say that the field is not known: %s", m.Rule, m.State, m.Reason, m.Text)
		}
		if !strings.HasPrefix(m.Caution, "Ovenward advises.") {
			t.Error("the caution is missing")
		}
	})
}

// JSON holds no infinity and no NaN: what is no number is left out.
func TestMessageIsJSON(t *testing.T) {
	e := raised(7, alarm.Exceeds, time.Date(2026, 11, 25, 10, 0, 5, 123456789, time.FixedZone("", 3600)))
	e.Alarm.Verdict.Value, e.Alarm.Verdict.Uncertainty = new(math.Inf(1)), new(math.NaN())
	e.ID = 41
	b, err := json.Marshal(newMessage(e, subjectMatter{Site: "Küche / 1\n"}))
	if err != nil {
		t.Fatal(err)
	}
	var got map[string]any
	if err := json.Unmarshal(b, &got); err != nil {
		t.Fatal(err)
	}
	for field, want := range map[string]any{
		"version": 1.0, "event_id": 41.0, "message_id": "K%C3%BCche%20%2F%201%0A/post-7.exceeds.1/41",
		"at": "2026-11-25T09:00:05.123456789Z", "since": "2026-11-25T09:00:02.123456789Z",
		"recorded": false, "simulated": false, "and_n_more": 0.0, "limit_w_per_m2": 50.0, "limit": "5 mW/cm² (50 W/m²)",
		"value": nil, "value_w_per_m2": nil, "ratio": nil, "expanded_uncertainty_w_per_m2": nil, "oven": nil, "link": nil,
		"priority": "high", "state": "unacknowledged", "from": "normal", "reason": "raised",
	} {
		if got[field] != want {
			t.Errorf("%s is %v, want %v", field, got[field], want)
		}
	}
	if n := got["site"]; n != "Küche / 1\n" {
		t.Errorf("site %q", n)
	}
}

// Two changes never share an id, even if the record numbers them alike.
func TestMessageIDs(t *testing.T) {
	seen := map[string]bool{}
	for _, e := range []acquire.Event{
		numbered(1, raised(0, alarm.Silent, at(0))), numbered(2, raised(0, alarm.Silent, at(0))),
		numbered(1, raised(1, alarm.Silent, at(0))), numbered(1, raised(0, alarm.Stale, at(0))),
	} {
		id := newMessage(e, subjectMatter{Site: "Larkfield House"}).MessageID
		if seen[id] {
			t.Errorf("%s twice", id)
		}
		seen[id] = true
	}
}
