package config

import (
	"testing"
	"time"
)

func TestInstantsAndVitals(t *testing.T) {
	f, err := Load("../testdata/instants.good.toml")
	if err != nil {
		t.Fatal(err)
	}
	a, b := f.Probes[0], f.Probes[1]
	const ms = time.Millisecond
	for _, c := range []struct {
		what      string
		got, want any
	}{
		{"clock", f.Site.Clock, ClockTrusted},
		{"instant", a.Instant, Instant{Offset: -250 * ms, RequestDelay: 20 * ms, AnswerDelay: 5 * ms}},
		{"instant of the talking one", b.Instant, Instant{Offset: ms}},
		{"volts", *a.Vitals.BatteryVolts, 3.4},
		{"share", *b.Vitals.BatteryRatio, 0.2},
		{"below", *a.Vitals.TemperatureBelow, 0.0},
		{"above", *b.Vitals.TemperatureAbove, 40.0},
		{"no share", a.Vitals.BatteryRatio == nil && b.Vitals.BatteryVolts == nil && b.Vitals.TemperatureBelow == nil, true},
	} {
		if c.got != c.want {
			t.Errorf("%s: %v, want %v", c.what, c.got, c.want)
		}
	}
}
