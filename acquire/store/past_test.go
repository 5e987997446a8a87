package store

import (
	"testing"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/calib"
)

// TestZeroIsOfItsProbe: the zero of one instrument is not taken from another,
// nor from the first again once another stood there in between.
func TestZeroIsOfItsProbe(t *testing.T) {
	dir, now := t.TempDir(), noon()
	zero := func(probe string) calib.Correction {
		s := open(t, dir, Options{})
		p := post("fryer")
		p.Probe.ID = probe
		now = now.Add(time.Hour)
		if err := s.Register([]acquire.Post{p}, now); err != nil {
			t.Fatal(err)
		}
		past, err := s.Past(0, 0)
		if err != nil {
			t.Fatal(err)
		}
		if probe == "one" {
			s.Correction(0, calib.Correction{Zero: 0.1, ZeroAt: now.Add(time.Minute), ZeroBy: "R. Ahmed"})
		}
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
		return past.Zero
	}
	zero("one")
	if got := zero("one"); got.Zero != 0.1 {
		t.Errorf("the same probe starts with zero %v, want 0.1 W/m²", float64(got.Zero))
	}
	if got := zero("two"); got.Zero != 0 || !got.ZeroAt.IsZero() {
		t.Errorf("another probe starts with the zero of the first, %v W/m²", float64(got.Zero))
	}
	if got := zero("one"); got.Zero != 0 {
		t.Errorf("the first probe, put back, starts with its old zero %v W/m²", float64(got.Zero))
	}
}
