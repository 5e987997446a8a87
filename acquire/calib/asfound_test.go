package calib

import (
	"math"
	"testing"

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
