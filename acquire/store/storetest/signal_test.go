package storetest

import (
	"math"
	"testing"
	"time"
)

// The signal has about the order-0 entropy of the one that the figures in
// DEVELOPERS.md were first measured with (0.97 and 0.60 bytes a reading), and is
// the same for the same seed.
func TestEntropy(t *testing.T) {
	start := time.Unix(1_767_225_600, 0)
	for places, want := range map[int]float64{3: 0.97, 2: 0.60} {
		v, i := Entropy(New(1, places, start), 300_000)
		t.Logf("%d places: %.3f for values, %.3f for instants", places, v, i)
		if math.Abs(v+i-want) > 0.03 {
			t.Errorf("%d places: %.3f bytes a reading, want about %.2f", places, v+i, want)
		}
	}
	a, b := New(7, 3, start), New(7, 3, start)
	for range 1000 {
		at, digits := a.Next()
		if x, y := b.Next(); x != at || y != digits {
			t.Fatal("the same seed gives another signal")
		}
	}
	if got := string(New(1, 3, start).AppendSaid(nil, -12)); got != "-0.012 mW/cm2" {
		t.Errorf("said %q", got)
	}
}
