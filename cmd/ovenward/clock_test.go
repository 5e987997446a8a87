package main

import (
	"testing"

	"ovenward/acquire"
	"ovenward/config"
)

func TestClockSource(t *testing.T) {
	asks := acquire.ClockSource(func() (acquire.ClockState, error) { return acquire.ClockState{}, nil })
	for _, c := range []struct {
		clock  config.Clock
		system acquire.ClockSource
		asked  bool
		fails  bool
	}{
		{config.ClockDefault, asks, true, false},
		{config.ClockDefault, nil, false, false},
		{config.ClockChecked, asks, true, false},
		{config.ClockChecked, nil, false, true},
		{config.ClockTrusted, asks, false, false},
		{config.ClockTrusted, nil, false, false},
	} {
		source, err := clockSource(config.Site{Clock: c.clock}, c.system)
		if (source != nil) != c.asked || (err != nil) != c.fails {
			t.Errorf("clock %q, system can be asked %v: asked %v, %v", c.clock, c.system != nil, source != nil, err)
		}
	}
}
