package main

import (
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"
)

// TestSeveralValuesThroughTheDaemon has a probe in a process of its own say axes,
// temperature and battery beside its value: the axes go into the record, the others
// into metrics and alarms. The pantry's probe is at 18 to 26 °C, with 70 % of its
// battery left.
func TestSeveralValuesThroughTheDaemon(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	link, truthFile, record := filepath.Join(dir, "probe"), filepath.Join(dir, "truth.csv"), filepath.Join(dir, "record")
	simulated(t, link, truthFile, "--say=axes,temperature,battery")
	const section = `temperature_max = "10 °C"
battery_min = "75 %"
  [probe.textline]
  query = "READ?\n"
  value = 1
  unit = 2
  status = 3
  axes = [4, 5, 6]
  temperature = 7
  battery = 8
  battery_unit = "%"
  ok = ["OK"]
  over_range = ["OVER"]
  battery_low = ["LOBAT"]
  fault = ["FAULT"]
`
	d := program(t, "run", "--storage.path="+record, "--web.listen-address=127.0.0.1:0",
		"--config.file="+configuredFor(t, link, "textline", section, ""))
	addr := d.address(t)
	for _, rule := range []string{"temperature", "battery"} {
		waitFor(t, 20*time.Second, "the alarm "+rule, func() bool {
			return strings.Contains(d.metrics(t, addr), `ovenward_alarm_active{oven="pantry",post="pantry-door",probe="shelf",rule="`+rule+`",site="Larkfield House"} 1`)
		})
	}
	metrics := d.metrics(t, addr)
	for name, within := range map[string][2]float64{"ovenward_probe_temperature_celsius": {17.9, 26.1}, "ovenward_probe_battery_ratio": {0.695, 0.7005},
		"ovenward_power_density_watts_per_square_meter": {0, 50}, "ovenward_post_blind": {0, 0}} {
		m := regexp.MustCompile(`(?m)^` + name + `\{[^}]*\} (\S+)$`).FindStringSubmatch(metrics)
		if m == nil {
			t.Errorf("no metric %s", name)
			continue
		}
		if v, err := strconv.ParseFloat(m[1], 64); err != nil || v < within[0] || v > within[1] {
			t.Errorf("%s is %s, want %v", name, m[1], within)
		}
	}
	if strings.Contains(metrics, "\novenward_probe_battery_volts{") {
		t.Error("volts are exported, and none were said")
	}
	d.terminate(t)
	samples := readSamples(t, record)
	for _, s := range samples {
		r := s.Reading
		sum := r.Axes[0].Digits + r.Axes[1].Digits + r.Axes[2].Digits
		if !r.HasAxes || sum != r.Value.Digits || r.Axes[0].Exp != r.Value.Exp || !r.HasTemp || r.BatteryUnit != "%" {
			t.Fatalf("sample %d, %q: %+v", s.Seq, s.Said, r)
		}
	}
	if len(samples) == 0 {
		t.Error("no samples")
	}
}
