package main

import (
	"testing"
	"time"

	"ovenward/config"
)

// TestQuietOfModbusRTU: frames need the silence of 3.5 characters between them
// (MODBUS over Serial Line V1.02, 2.5.1.1), unless the configuration says more.
func TestQuietOfModbusRTU(t *testing.T) {
	rtu, tcp := &config.Modbus{Framing: "rtu"}, &config.Modbus{Framing: "tcp"}
	for _, tc := range []struct {
		probe config.Probe
		want  time.Duration
	}{
		{config.Probe{Modbus: rtu, Serial: config.Serial{Baud: 115200}}, 1750 * time.Microsecond},
		{config.Probe{Modbus: rtu, Serial: config.Serial{Baud: 115200}, Quiet: 4 * time.Millisecond}, 4 * time.Millisecond},
		{config.Probe{Modbus: tcp}, 0},
		{config.Probe{}, 0},
	} {
		if got := quietOf(tc.probe); got != tc.want {
			t.Errorf("%+v: %v, want %v", tc.probe, got, tc.want)
		}
	}
}
