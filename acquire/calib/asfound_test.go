package calib

import (
	"math"
	"strings"
	"testing"
	"time"

	"ovenward/acquire/quantity"
)

// By hand: a probe whose readings should have been multiplied by 1.25 and were by 1
// gave 1/1.25 = 0.8 of the field, 20 % too low; one found at 0.8 gave 25 % too much.
func TestFoundAfter(t *testing.T) {
	before := &Certificate{Number: "A", Factor: 1, U: 0.2, K: 2}
	table := &Certificate{Number: "A", Factor: 1, U: 0.2, K: 2, ByFrequency: []FrequencyPoint{{915e6, 1.25}, {1.5e9, 1}}}
	for _, tc := range []struct {
		name    string
		before  *Certificate
		found   float64
		stated  float64
		oven    quantity.Frequency
		off     float64
		bound   float64
		bad, ok bool
	}{
		{"as it was left", before, 1, 0, 0, 0, 0.2, false, true},
		{"at the bound", before, 1.25, 0, 0, -0.2, 0.2, false, true},
		{"too low", before, 1.2501, 0, 0, -0.20006399, 0.2, true, true},
		{"too high", before, 0.8, 0, 0, 0.25, 0.2, true, true},
		{"a wider bound is stated", before, 0.8, 0.3, 0, 0.25, 0.3, false, true},
		{"a narrower bound is stated", before, 1.25, 0.1, 0, -0.2, 0.1, true, true},
		{"by the oven's frequency", table, 1.25, 0, 915e6, 0, 0.2, false, true},
		{"at another frequency", table, 1.26, 0, 1.5e9, -0.20634921, 0.2, true, true},
		{"not stated", before, 0, 0, 0, 0, 0, false, false},
		{"the first certificate", nil, 1.5, 0, 0, 0, 0, false, false},
	} {
		c := &Certificate{Number: "B", Factor: 1.1, U: 0.01, K: 2, AsFound: tc.found, FoundBound: tc.stated}
		f, ok := c.FoundAfter(tc.before, tc.oven)
		if ok != tc.ok || math.Abs(f.Off-tc.off) > 1e-8 || f.Bound != tc.bound || f.Bad() != tc.bad {
			t.Errorf("%s: %+v, bad %v, %v; want %v within %v, %v", tc.name, f, f.Bad(), ok, tc.off, tc.bound, tc.bad)
		}
	}
	if !(Found{Off: math.NaN(), Bound: 1}).Bad() {
		t.Error("what is no number is well")
	}
}

// The budget holds what was found against the certificate before, not against the
// factor that the adjustment has left.
func TestBudgetNotesWhatWasFound(t *testing.T) {
	n, cert := modelProbe()
	cert.Number, cert.Factor, cert.U, cert.Date = "B", 0.9, 0.16, time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)
	before := &Certificate{Number: "A", Factor: 1.1, U: 0.2, K: 2, Date: cert.Date.AddDate(-1, 0, 0)}
	oldest := &Certificate{Number: "0", Factor: 0.5, U: 0.2, K: 2, Date: cert.Date.AddDate(-2, 0, 0)}
	const note = "by certificate B values corrected by certificate A were +22.2 % off, more than the 10 % that were to be expected: what was measured before 2026-03-01 is in doubt"
	for _, tc := range []struct {
		found, bound float64
		all          []*Certificate
		want         string
	}{
		{1.1, 0.1, []*Certificate{cert, before, oldest}, ""}, // as the certificate before had left it
		{0.9, 0.1, []*Certificate{cert, before, oldest}, note},
		{0.9, 0.1, []*Certificate{oldest, before, cert}, note},
		{0.9, 0.25, []*Certificate{cert, before}, ""},
		{0.95, 0, []*Certificate{cert, before}, ""}, // 15.8 %, by the 20 % of the certificate before
		{0.9, 0.1, []*Certificate{cert}, ""},        // nothing to hold it against
		{0, 0, []*Certificate{cert, before}, ""},
	} {
		cert.AsFound, cert.FoundBound = tc.found, tc.bound
		if got := strings.Join(ProbeBudget(n, cert, Before(tc.all, cert)).Notes, "; "); got != tc.want {
			t.Errorf("found %v, bound %v, %d certificates: %q, want %q", tc.found, tc.bound, len(tc.all), got, tc.want)
		}
	}
	if Before([]*Certificate{cert}, nil) != nil {
		t.Error("no certificate has one before it")
	}
}
