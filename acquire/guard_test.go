package acquire

import (
	"strings"
	"testing"
	"time"

	"ovenward/acquire/calib"
	"ovenward/acquire/limit"
	"ovenward/acquire/quantity"
)

// TestLacks: a highest value is within a limit only where certificate, distance, axes,
// response and uncertainty bear it.
func TestLacks(t *testing.T) {
	at := time.Date(2030, 3, 4, 8, 0, 0, 0, time.UTC)
	sound := func() Post {
		return Post{ID: "bench", Distance: 0.05, Probe: Probe{ID: "p", Range: 200, Floor: 0.1, Axes: 3, Response: time.Second,
			Certificate: &calib.Certificate{Number: "7", Date: at.AddDate(-1, 0, 0), Due: at.AddDate(1, 0, 0), Factor: 1, U: 0.1, K: 2}},
			Limit: limit.Limit{ID: "in use", Value: 50, Distance: 0.05, Basis: limit.EmissionInUse, Slowest: 3 * time.Second}}
	}
	for name, tc := range map[string]struct {
		spoil   func(*Post)
		highest float64
		want    string
	}{
		"nothing":        {func(*Post) {}, 10, ""},
		"near the limit": {func(*Post) {}, 49, "expanded uncertainty"},
		"above":          {func(*Post) {}, 51, "above the limit"},
		"no certificate": {func(p *Post) { p.Probe.Certificate = nil }, 10, "no calibration certificate"},
		"overdue":        {func(p *Post) { p.Probe.Certificate.Due = at.AddDate(0, 0, -1) }, 10, "certificate 7 was due"},
		"too far":        {func(p *Post) { p.Distance = 0.3 }, 10, "the limit is for"},
		"one axis":       {func(p *Post) { p.Probe.Axes = 1 }, 10, "not turned for the maximum"},
		"slow":           {func(p *Post) { p.Probe.Response = 10 * time.Second }, 10, "slower"},
		"by a mean":      {func(p *Post) { p.Limit.Basis, p.Limit.Averaging = limit.ExposurePublic, 6*time.Minute }, 10, "judged by its mean over 6 min"},
	} {
		p := sound()
		tc.spoil(&p)
		got := strings.Join(p.Lacks(p.Limit, at, quantity.PowerDensity(tc.highest)), "; ")
		if (tc.want == "") != (got == "") || !strings.Contains(got, tc.want) {
			t.Errorf("%s: %q, want %q", name, got, tc.want)
		}
	}
}
