package limit

import (
	"strings"
	"testing"

	"ovenward/acquire/quantity"
)

// TestNearerThanTheLimitIsTold: a probe at 2 mm reads another field than the one
// at the 50 mm that the limit is for, and the verdict says so without changing.
func TestNearerThanTheLimitIsTold(t *testing.T) {
	l := Limit{ID: "in-use", Value: 50, Distance: 0.05, Basis: EmissionInUse}
	for distance, told := range map[float64]bool{0.002: true, 0.05: false, 0.06: false} {
		c := Circumstances{HasValue: true, Value: 60, U: 6, K: 2, Running: true, Peak: 60, PeakU: 6, Calibrated: true, Axes: 3,
			Distance: quantity.Length(distance), Response: maxResponse}
		v := Judge(l, c)
		if v.Outcome != Exceeds {
			t.Errorf("at %v m: %s", distance, v.Outcome)
		}
		if got := strings.Contains(strings.Join(v.Notes, " "), "nearer than"); got != told {
			t.Errorf("at %v m: told %v, want %v: %q", distance, got, told, v.Notes)
		}
	}
}
