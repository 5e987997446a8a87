package notify

import (
	"encoding/json"
	"strings"
	"testing"

	"ovenward/acquire/alarm"
	"ovenward/cmd/internal/advice"
)

// A further limit's alarm, on a mean: told as an exceedance, with the bound it
// rests on.
func TestTextOfAMean(t *testing.T) {
	e := raised(7, alarm.ExceedsOf("people"), at(5))
	e.Alarm.Verdict = &alarm.Grounds{Outcome: "exceeds", Value: new(2.0), Uncertainty: new(0.4), Limit: 10, LimitID: "people", Source: "an invented rule",
		Reasons: []string{"the mean over 6 min is above the limit: at least 1.2 mW/cm²"}, Averaging: 360, MeanLo: new(12.0), MeanHi: new(14.0),
		Cover: new(0.98), Rule: "guarded acceptance", Coverage: new(2.0), Distance: new(1.0), Certificate: "LH-0417", Notes: []string{"a note"}}
	m := newMessage(e, subjectMatter{Post: &larkfield()[7], Site: "Larkfield House", Recorded: true})
	want := oven7 + "the field exceeds the limit. The mean over 6 min is at least 1.2 mW/cm² (12 W/m²). It is judged against the limit of 1 mW/cm² (10 W/m²) (people: an invented rule). Grounds: the mean over 6 min is above the limit: at least 1.2 mW/cm². Since 2026-11-25 09:00:02 UTC. " + advice.StopOven
	if m.Text != want {
		t.Errorf("got  %s\nwant %s", m.Text, want)
	}
	if m.Priority != alarm.High || m.Rule != "exceeds:people" || strings.ContainsAny(m.MessageID, " \n") {
		t.Errorf("%+v", m)
	}
	body, err := json.Marshal(m)
	if err != nil {
		t.Fatal(err)
	}
	for _, w := range []string{`"averaging_s":360`, `"mean_lower_w_per_m2":12`, `"mean_upper_w_per_m2":14`, `"cover_ratio":0.98`, `"decision_rule":"guarded acceptance"`,
		`"coverage_factor":2`, `"distance_m":1`, `"certificate":"LH-0417"`, `"notes":["a note"]`} {
		if !strings.Contains(string(body), w) {
			t.Errorf("the message lacks %s: %s", w, body)
		}
	}
	plain := newMessage(raised(7, alarm.Exceeds, at(5)), subjectMatter{Site: "Larkfield House"})
	if body, _ = json.Marshal(plain); strings.Contains(string(body), "mean_") || strings.Contains(string(body), "averaging") {
		t.Errorf("a limit without a mean has one: %s", body)
	}
}
