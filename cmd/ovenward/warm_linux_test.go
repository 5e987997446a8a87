package main

import (
	"encoding/json"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"ovenward/config"
)

// warmed is a configuration of a simulated probe that says its temperature, with
// a certificate of 5 %/K about 10 °C, a temperature that it never has.
func warmed(t *testing.T) string {
	t.Helper()
	text, err := os.ReadFile(configured(t, "simulate:probe-2", ""))
	if err != nil {
		t.Fatal(err)
	}
	before, rest, _ := strings.Cut(string(text), "  [probe.textline]")
	_, after, _ := strings.Cut(rest, "  [probe.certificate]")
	before = strings.Replace(before, "baud = 115200\n", "", 1)
	path := filepath.Join(t.TempDir(), "warm.toml")
	changed := strings.Replace(before, `driver = "textline"`, `driver = "scpi"`, 1) +
		"  [probe.scpi]\n  query = \"READ:ALL?\"\n  unit = \"mW/cm2\"\n  value = 1\n  temperature = 2\n  battery = 3\n  battery_unit = \"%\"\n" +
		"  [probe.certificate]\n  temperature_coefficient = \"5 %/K\"\n  reference_temperature = \"10 °C\"" + after
	if err := os.WriteFile(path, []byte(changed), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

// A certificate's temperature coefficient is applied to what the daemon shows
// and to what its record derives again, by the temperature that each reading
// carried.
func TestTemperatureCoefficientThroughTheDaemon(t *testing.T) {
	path, record := warmed(t), t.TempDir()
	d := startDaemon(t, settings{configFile: path, storagePath: record})
	type post struct {
		Value    *float64 `json:"value_w_per_m2"`
		At       string   `json:"value_at"`
		Quality  string   `json:"quality"`
		Expanded *float64 `json:"expanded_uncertainty_w_per_m2"`
	}
	shown := map[string]float64{} // by instant
	waitFor(t, 30*time.Second, "five values", func() bool {
		var j struct{ Posts []post }
		if err := json.Unmarshal([]byte(d.get(t, "/api/v1/posts")), &j); err != nil {
			t.Fatal(err)
		}
		if p := j.Posts[0]; p.Value != nil {
			shown[p.At] = *p.Value
			if strings.Contains(p.Quality, "uncalibrated") || p.Expanded == nil {
				t.Fatalf("%+v: a probe that says its temperature is not calibrated", p)
			}
		}
		return len(shown) >= 5
	})
	d.stop(t)
	made := map[time.Time]float64{} // by instant
	for _, s := range readSamples(t, record) {
		columns := strings.Split(strings.TrimSpace(string(s.Said)), ",")
		var said [2]float64
		for i := range said {
			var err error
			if said[i], err = strconv.ParseFloat(columns[i], 64); err != nil {
				t.Fatalf("%q: %v", s.Said, err)
			}
		}
		// Values in mW/cm²; the factor is 1.
		want := said[0] * 10 / (1 + 0.05*(said[1]-10))
		if math.Abs(float64(s.S)-want) > 1e-9*math.Abs(want) {
			t.Errorf("the record makes %v W/m² of %q, want %v", float64(s.S), s.Said, want)
		}
		if math.Abs(said[1]-10) < 1 {
			t.Fatalf("%q is at the reference temperature: nothing is seen of the coefficient", s.Said)
		}
		made[s.At] = want
	}
	compared := 0
	for at, v := range shown {
		when, err := time.Parse(time.RFC3339Nano, at)
		if err != nil {
			t.Fatal(err)
		}
		// The record keeps milliseconds, the page cuts to them; on a busy machine a late
		// sample and the next may lie so near to one another.
		var near []float64
		for at, want := range made {
			if when.Sub(at).Abs() <= time.Millisecond {
				near = append(near, want)
			}
		}
		if len(near) > 0 {
			compared++
		}
		if len(near) > 0 && !slices.ContainsFunc(near, func(want float64) bool { return math.Abs(v-want) <= 1e-6*math.Abs(want)+1e-9 }) {
			t.Errorf("the page's value at %s is %v W/m², want %v", at, v, near)
		}
	}
	if compared < 3 {
		t.Errorf("only %d of %d shown values were found in the record", compared, len(shown))
	}
}

// Which probes say their temperature, by their language's settings.
func TestWhoSaysItsTemperature(t *testing.T) {
	f, err := config.Load(warmed(t))
	if err != nil {
		t.Fatal(err)
	}
	k, err := newKitchen(f, time.Now)
	if err != nil {
		t.Fatal(err)
	}
	if all, err := posts(f, k, nil); err != nil || !all[0].Probe.SaysTemperature || !all[0].Nature().Setting.SaysTemperature {
		t.Errorf("%v: scpi with a temperature column says none", err)
	}
	for _, tc := range []struct {
		p    config.Probe
		says bool
	}{
		{config.Probe{Textline: &config.Textline{More: config.TextlineMore{Temperature: 3}}}, true},
		{config.Probe{Textline: &config.Textline{Pattern: `^(?P<value>\S+) (?P<temperature>\S+)$`}}, true},
		{config.Probe{Textline: &config.Textline{Pattern: `^(?P<value>\S+)$`}}, false},
		{config.Probe{SCPI: &config.SCPI{}}, false},
		{config.Probe{Modbus: &config.Modbus{Temperature: &config.ModbusNumber{}}}, true},
		{config.Probe{Modbus: &config.Modbus{}}, false},
		{config.Probe{HID: &config.HID{}}, false},
	} {
		if got := tc.p.SaysTemperature(); got != tc.says {
			t.Errorf("%+v: %v", tc.p, got)
		}
	}
}
