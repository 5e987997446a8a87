package config

import (
	"math"
	"slices"
	"testing"
	"time"

	"ovenward/acquire/calib"
	"ovenward/acquire/field"
)

// TestCertificates holds what comes out of the example against what its text
// says, in SI units.
func TestCertificates(t *testing.T) {
	f, err := Load("../testdata/certificates.good.toml")
	if err != nil {
		t.Fatal(err)
	}
	p, post := f.Probes[0], f.Posts[0]
	if len(p.Certificates) != 2 || p.Certificate != p.Certificates[0] || p.Certificate.Number != "LH-2" || p.Certificates[1].Number != "LH-1" {
		t.Fatalf("certificates %+v, want LH-2 and LH-1, the newest first", p.Certificates)
	}
	day := func(y int, m time.Month, d int) time.Time { return time.Date(y, m, d, 0, 0, 0, 0, time.UTC) }
	want := calib.Certificate{Number: "LH-2", Laboratory: "bench", Date: day(2025, 2, 3), Due: day(2026, 2, 3), Factor: 1, U: 0.15, K: 2.1,
		DF: 30, AsFound: 1.2, FoundBound: 0.12, PerKelvin: -0.002, Reference: 23,
		ByFrequency: []calib.FrequencyPoint{{Frequency: 915e6, Factor: 1.1}, {Frequency: 2.4e9, Factor: 1}, {Frequency: 2.5e9, Factor: 1.1}},
		ByLevel:     []calib.LevelPoint{{Level: 1, Factor: 1.05}, {Level: 10, Factor: 1}}}
	if got := p.Certificate.Calib(); !got.Equal(want) || len(got.Flaws()) > 0 {
		t.Errorf("got %+v\nwant %+v\nflaws %+v", got, want, got.Flaws())
	}
	doubt := calib.Doubt{Linearity: 0.03, FrequencyResponse: 0.04, Facing: 0.06, PerKelvin: 0.001, Ambient: 5, Zero: 0.1, Resolution: 0.02,
		Noise: 0.03, NoiseReadings: 21}
	if p.Doubt != doubt {
		t.Errorf("uncertainty %+v, want %+v", p.Doubt, doubt)
	}
	if p.Impedance != field.Standard377 || float64(*p.SensingCentre) != 0.012 || p.Textline.FixedUnit != "V/m" {
		t.Errorf("impedance %v, sensing centre %v, unit %q", p.Impedance, *p.SensingCentre, p.Textline.FixedUnit)
	}
	// 38 mm to the housing and 12 mm behind its front are 50 mm.
	if math.Abs(float64(post.Distance)-0.05) > 1e-12 || !post.ToHousing || float64(post.DistanceOff) != 0.001 || post.Falloff != 1.5 || !post.MovedOn.Equal(day(2026, 3, 2)) {
		t.Errorf("post %+v", post)
	}
}

// With an impedance the line may say field strengths in any of their spellings,
// without one it may not.
func TestFieldStrengthsNeedAnImpedance(t *testing.T) {
	if units := allUnits(field.Impedance(0)); slices.Contains(units, "V/m") || !slices.Contains(units, "mW/cm2") {
		t.Errorf("without an impedance: %q", units)
	}
	if units := allUnits(field.CODATA2022); !slices.Contains(units, "V/m") || !slices.Contains(units, "A/m") || !slices.Contains(units, "mW/cm2") {
		t.Errorf("with one: %q", units)
	}
}
