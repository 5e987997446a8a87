package web

import (
	"encoding/json"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/limit"
	"ovenward/acquire/quantity"
)

// twoLimits is a post at 1 m with an emission limit first and one on people beside.
func twoLimits(mean limit.Average, now time.Time) acquire.Stats {
	p := aPost("hall", "grill", "hall")
	p.Distance = 1
	p.More = []limit.Limit{{ID: "people", Value: 10, Basis: limit.ExposurePublic, Averaging: 6 * time.Minute, Source: "an invented rule for people"}}
	st := seeing(0, p, 2, now)
	second := limit.Judge(p.More[0], limit.Circumstances{HasValue: true, Value: 2, U: 0.4, K: 2, Mean: mean, Running: true, Calibrated: true, Axes: 3,
		Response: time.Second, Distance: 1, Certificate: "LH-0417"})
	st.Verdicts = []limit.Verdict{st.Verdict, second}
	return st
}

func TestPostWithSeveralLimits(t *testing.T) {
	now := time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC)
	seen := limit.Average{To: 6 * time.Minute, Lo: 3, Hi: 4, U: 0.8, Seen: 354 * time.Second}
	v := plainVoice().viewOf(twoLimits(seen, now), now)
	// The emission limit cannot be kept at 1 m: it is the one that binds, and the
	// post is not shown as within.
	if v.Outcome != "Not decided" || !strings.HasPrefix(v.Judged, "limit in-use: judged on (0.200 ± 0.040) mW/cm²") || v.above || v.was {
		t.Errorf("%s, %q, above %v", v.Outcome, v.Judged, v.above)
	}
	want := "limit people (1 mW/cm², exposure limit for the public): within: upper bound of the mean over 6 min plus expanded uncertainty (k = 2) at or below the limit"
	if !slices.Contains(v.Notes, want) || v.Mean != "none: each value counts" || v.Rule != "guarded acceptance" || len(v.Further) != 1 {
		t.Errorf("notes %q, averaging %q, rule %q, further %q", v.Notes, v.Mean, v.Rule, v.Further)
	}
	above := limit.Average{To: 6 * time.Minute, Lo: 12, Hi: 14, U: 1, Seen: 354 * time.Second}
	v = plainVoice().viewOf(twoLimits(above, now), now)
	if v.Outcome != "Exceeds the limit" || !v.above || v.State != "above" ||
		!strings.HasPrefix(v.Judged, "limit people: judged on the mean over 6 min, between 1.2 mW/cm² and 1.4 mW/cm², ± 0.1 mW/cm²") || !strings.Contains(v.Judged, "98.3\u00a0% of the time seen") {
		t.Errorf("%s, %q, above %v", v.Outcome, v.Judged, v.above)
	}
	body, err := json.Marshal(postOf(twoLimits(seen, now)))
	if err != nil {
		t.Fatal(err)
	}
	for _, w := range []string{`"limit_id":"in-use"`, `"limit_id":"people"`, `"lower_w_per_m2":3`, `"upper_w_per_m2":4`, `"averaging_s":360`, `"certificate":"LH-0417"`,
		`"decision_rule":"guarded acceptance"`, `"judged_w_per_m2":4`, `"wrong_acceptance_probability":`, `"cover_ratio":0.98`} {
		if !strings.Contains(string(body), w) {
			t.Errorf("the API lacks %s in\n%s", w, body)
		}
	}
	// Who reads the one verdict of the API alone hears of what is exceeded.
	st := twoLimits(above, now)
	st.Verdict.Outcome, st.Verdicts[0].Outcome = limit.Within, limit.Within
	if p := postOf(st); p.Verdict.Outcome != string(limit.Exceeds) || p.Verdict.LimitID != "people" || p.Verdicts[0].Outcome != string(limit.Within) {
		t.Errorf("the API's verdict is %q of limit %s", p.Verdict.Outcome, p.Verdict.LimitID)
	}
}

// onMean is a post whose one limit is 1 mW/cm² as a mean over 30 min; it reads little.
func onMean(index int, id string, mean limit.Average, now time.Time) acquire.Stats {
	p := aPost(id, id, id)
	p.Distance = 1
	p.Limit = limit.Limit{ID: "people", Value: 10, Basis: limit.ExposurePublic, Averaging: 30 * time.Minute, Source: "an invented rule for people"}
	st := seeing(index, p, 0.04, now)
	mean.To, mean.U = 30*time.Minute, 0.1
	st.Verdict = limit.Judge(p.Limit, limit.Circumstances{HasValue: true, Value: 0.04, U: 0.01, K: 2, Mean: mean, Running: true, Calibrated: true, Axes: 3,
		Response: time.Second, Distance: 1, Certificate: "LH-0417"})
	return st
}

// What nobody saw of a mean is not shown as a field.
func TestRowTellsOnlyWhatIsKnownOfAMean(t *testing.T) {
	now := noon()
	inf := quantity.PowerDensity(math.Inf(1))
	for _, tc := range []struct {
		name, want string
		mean       limit.Average
	}{
		{"just started", "mean not known yet (1\u00a0% of the time seen)", limit.Average{Lo: 0.001, Hi: 197, Seen: 30 * time.Second}},
		{"nothing seen", "mean not known yet (0\u00a0% of the time seen)", limit.Average{Hi: 8}},
		{"within", "mean at most 40 % of the limit", limit.Average{Lo: 3, Hi: 4, Seen: 29 * time.Minute}},
		{"hardly anything", "mean under 1 % of the limit", limit.Average{Lo: 0.03, Hi: 0.05, Seen: 30 * time.Minute}},
		{"in the guard band", "mean at most just below the limit", limit.Average{Lo: 9, Hi: 9.96, Seen: 30 * time.Minute}},
		{"exceeds", "mean at least 1.20 × the limit", limit.Average{Lo: 12, Hi: 150, Seen: 5 * time.Minute}},
		{"over range a while ago", "mean may be above the limit", limit.Average{Lo: 2, Hi: inf, Seen: 20 * time.Minute}},
		{"about the limit", "mean may be above the limit", limit.Average{Lo: 9.9, Hi: 10.1, Seen: 30 * time.Minute}},
	} {
		st := onMean(0, "hall", tc.mean, now)
		if got := plainVoice().row(st, "hall", spark{}, now).Ratio(); got != tc.want {
			t.Errorf("%s: %q, want %q", tc.name, got, tc.want)
		}
	}
	st := twoLimits(limit.Average{To: 6 * time.Minute, Lo: 0.01, Hi: 90, Seen: 3 * time.Second}, now)
	if got, want := plainVoice().row(st, "hall", spark{}, now).Ratio(), "limit people: mean not known yet (0\u00a0% of the time seen)"; got != want {
		t.Errorf("of two limits: %q, want %q", got, want)
	}
	if got, want := plainVoice().row(overRanged(st), "hall", spark{}, now).Ratio(), "beyond the limit of 1 mW/cm²"; got != want {
		t.Errorf("over range: %q, want %q", got, want)
	}
	// Nor is it what puts one post before another.
	var rows []row
	for i, mean := range []limit.Average{{Lo: 12, Hi: 150, Seen: 5 * time.Minute}, {Lo: 30, Hi: 31, Seen: 29 * time.Minute}} {
		rows = append(rows, plainVoice().row(onMean(i, "hall", mean, now), "hall", spark{}, now))
	}
	if worstFirst(rows); rows[0].Index != 1 {
		t.Error("the post with the wider bounds comes before the one with more field")
	}
}

func TestASmallChanceIsNotNothing(t *testing.T) {
	for p, want := range map[float64]string{0: "below 0.01\u00a0%", 1e-20: "below 0.01\u00a0%", 0.00025: "of 0.025\u00a0%", 0.5: "of 50\u00a0%"} {
		if got := plainVoice().chance(p); got != want {
			t.Errorf("%v: %q, want %q", p, got, want)
		}
	}
}
