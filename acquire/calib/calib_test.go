package calib

import (
	"encoding/json"
	"math"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"ovenward/acquire/quantity"
)

func certificate() *Certificate {
	return &Certificate{Number: "K-104", Laboratory: "bench", Date: time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC),
		Due: time.Date(2027, 3, 1, 0, 0, 0, 0, time.UTC), Factor: 1.25, U: 0.1, K: 2}
}

// Worked by hand: (12.5 - 0.5) × 1.25 = 15, and 10 % of it 1.5. The factor
// multiplies, as in the US field test procedure (HEW Publ. (FDA) 77-8037, App. I
//
func TestApply(t *testing.T) {
	for _, tc := range []struct{ zero, raw, factor, s, u float64 }{
		{0, 8, 1.25, 10, 1},
		{0.5, 12.5, 1.25, 15, 1.5},
		{-0.5, 11.5, 1.25, 15, 1.5},
		{0.5, 0.5, 1.25, 0, 0},
		{0.5, 0.1, 1.25, -0.5, 0.05}, // below zero stays below zero, and its uncertainty does not
		{2, 10, 0.5, 4, 0.4},
	} {
		cert := certificate()
		cert.Factor = tc.factor
		c := Correction{Zero: quantity.PowerDensity(tc.zero), Certificate: cert}
		s, u := c.Apply(quantity.PowerDensity(tc.raw))
		if math.Abs(float64(s)-tc.s) > 1e-15 || math.Abs(float64(u)-tc.u) > 1e-15 {
			t.Errorf("(%v - %v) × %v = %v ± %v, want %v ± %v", tc.raw, tc.zero, tc.factor, float64(s), float64(u), tc.s, tc.u)
		}
	}
	s, u := Correction{Zero: 0.5}.Apply(12.5)
	if s != 12 || !math.IsNaN(float64(u)) {
		t.Errorf("uncalibrated: %v ± %v, want 12 and an unknown uncertainty, not zero", float64(s), float64(u))
	}
	if s, u := (Correction{Certificate: certificate()}).Apply(quantity.PowerDensity(math.NaN())); !math.IsNaN(float64(s)) || !math.IsNaN(float64(u)) {
		t.Errorf("no value became %v ± %v", float64(s), float64(u))
	}
}

func TestZeroComesBeforeTheFactor(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := func(name string) float64 { return rapid.Float64Range(-100, 100).Draw(t, name) }
		zero, raw, factor := n("zero"), n("raw"), n("factor")
		cert := certificate()
		cert.Factor = factor
		s, u := Correction{Zero: quantity.PowerDensity(zero), Certificate: cert}.Apply(quantity.PowerDensity(raw))
		if want := (raw - zero) * factor; float64(s) != want || !(u >= 0) {
			t.Fatalf("%v ± %v, want %v", float64(s), float64(u), want)
		}
	})
}

func TestCalibrated(t *testing.T) {
	c := Correction{Certificate: certificate()}
	for _, tc := range []struct {
		at   string
		want bool
	}{
		{"2026-02-28T23:59:59.999999999Z", false},
		{"2026-03-01T00:00:00Z", true},
		{"2026-03-01T00:30:00+01:00", false}, // still February in UTC
		{"2027-02-28T23:59:59.999999999Z", true},
		{"2027-03-01T00:00:00Z", false}, // the day it is due it is overdue
		{"2027-02-28T23:30:00-01:00", false},
	} {
		at, err := time.Parse(time.RFC3339Nano, tc.at)
		if err != nil {
			t.Fatal(err)
		}
		if c.Calibrated(at) != tc.want {
			t.Errorf("%s: calibrated %v", tc.at, !tc.want)
		}
		if (Correction{}).Calibrated(at) {
			t.Errorf("%s: calibrated without a certificate", tc.at)
		}
	}
}

// A correction is kept, and must come back the same so that values can be
// derived again.
func TestCorrectionIsReadBack(t *testing.T) {
	for _, c := range []Correction{
		{}, {Zero: -0.0123456789012345678, ZeroAt: time.Date(2026, 7, 4, 12, 0, 0, 1, time.UTC), ZeroBy: "Ida"}, {Certificate: certificate()},
	} {
		text, err := json.Marshal(c)
		if err != nil {
			t.Fatal(err)
		}
		var back Correction
		if err := json.Unmarshal(text, &back); err != nil {
			t.Fatal(err)
		}
		cert := c.Certificate
		if cert != nil && (back.Certificate == nil || !back.Certificate.Equal(*cert)) {
			t.Errorf("certificate %+v came back as %+v", cert, back.Certificate)
		}
		c.Certificate, back.Certificate = nil, nil
		if c != back {
			t.Errorf("%+v came back as %+v", c, back)
		}
	}
}

// settled is a state in which a zero may be taken: mean 0.2 W/m², spread 0.2.
func settled() ZeroState {
	return ZeroState{Seeing: true, Recent: []quantity.PowerDensity{0.1, 0.3, 0.2, 0.15, 0.25}, Floor: 0.1}
}

func TestTakeZero(t *testing.T) {
	for _, tc := range []struct {
		name string
		set  func(*ZeroState)
		want float64
		err  string
	}{
		{name: "settled", set: func(*ZeroState) {}, want: 0.2},
		{name: "below zero", set: func(z *ZeroState) { z.Recent = []quantity.PowerDensity{-0.25, -0.25, -0.25, -0.25, -0.25} }, want: -0.25},
		{name: "at twice the floor", set: func(z *ZeroState) { z.Recent, z.Floor = []quantity.PowerDensity{0, 1, 0.5, 0.5, 0.5}, 0.5 }, want: 0.5},
		{name: "at the bound", set: func(z *ZeroState) { z.Recent, z.Bound = []quantity.PowerDensity{2, 2, 2, 2, 2}, 2 }, want: 2},
		{name: "at three times the floor", set: func(z *ZeroState) { z.Recent, z.Floor = []quantity.PowerDensity{1.5, 1.5, 1.5, 1.5, 1.5}, 0.5 }, want: 1.5},

		{name: "running", set: func(z *ZeroState) { z.Running = true }, err: "zero refused: the oven runs or ran within the last run gap; stop it, wait, and try again"},
		{name: "alarm", set: func(z *ZeroState) { z.Alarm = true }, err: "zero refused: an alarm stands at this post; end it first"},
		{name: "blind", set: func(z *ZeroState) { z.Seeing = false }, err: "zero refused: the probe gives no fresh good sample"},
		{name: "few readings", set: func(z *ZeroState) { z.Recent = z.Recent[:4] }, err: "zero refused: only 4 recent readings, 5 are needed; wait a few seconds"},
		{name: "no readings", set: func(z *ZeroState) { z.Recent = nil }, err: "zero refused: only 0 recent readings, 5 are needed; wait a few seconds"},
		{name: "unsettled", set: func(z *ZeroState) { z.Recent[2] = 0.3125 },
			err: "zero refused: the readings are unsettled, they spread over 0.2125 W/m² and the noise floor is 0.1 W/m²"},
		{name: "above the bound", set: func(z *ZeroState) { z.Recent, z.Bound = []quantity.PowerDensity{3, 3, 3, 3, 3}, 2 },
			err: "zero refused: 3 W/m² is beyond the bound of 2 W/m²; take the probe away from fields, state a larger zero_bound if its handbook allows one, or have it looked at"},
		{name: "below the bound", set: func(z *ZeroState) { z.Recent = []quantity.PowerDensity{-1.5, -1.5, -1.5, -1.5, -1.5} },
			err: "zero refused: -1.5 W/m² is beyond the bound of 0.3 W/m²; take the probe away from fields, state a larger"},
		{name: "no number", set: func(z *ZeroState) { z.Recent[3] = quantity.PowerDensity(math.NaN()) }, err: "unsettled, they spread over NaN W/m²"},
		{name: "infinite", set: func(z *ZeroState) { z.Recent[0] = quantity.PowerDensity(math.Inf(1)) }, err: "unsettled, they spread over +Inf W/m²"},
		{name: "unknown floor", set: func(z *ZeroState) { z.Floor = quantity.PowerDensity(math.NaN()) }, err: "unsettled"},
		{name: "unknown bound", set: func(z *ZeroState) { z.Bound = quantity.PowerDensity(math.NaN()) }, err: "beyond the bound of NaN W/m²"},
		{name: "all at once", set: func(z *ZeroState) { *z = ZeroState{Running: true, Alarm: true} }, err: "zero refused: the oven runs"},
	} {
		z := settled()
		tc.set(&z)
		got, err := TakeZero(z)
		if tc.err == "" {
			if err != nil || math.Abs(float64(got)-tc.want) > 1e-15 {
				t.Errorf("%s: %v, %v; want %v", tc.name, float64(got), err, tc.want)
			}
			continue
		}
		if err == nil || !strings.Contains(err.Error(), tc.err) || got != 0 {
			t.Errorf("%s: %v, %v; want 0 and %q", tc.name, float64(got), err, tc.err)
		}
	}
}

// What was taken as zero is taken away from the raw reading: the settled
// readings correct to nothing.
func TestTakenZeroCorrectsToNothing(t *testing.T) {
	zero, err := TakeZero(settled())
	if err != nil {
		t.Fatal(err)
	}
	c := Correction{Zero: zero, Certificate: certificate()}
	if s, _ := c.Apply(0.2); math.Abs(float64(s)) > 1e-15 {
		t.Errorf("corrected zero %v W/m²", float64(s))
	}
	if s, _ := c.Apply(8.2); math.Abs(float64(s)-10) > 1e-12 {
		t.Errorf("corrected (8.2 - 0.2) × 1.25 = %v W/m², want 10", float64(s))
	}
}
