package main

import (
	"path/filepath"
	"strings"
	"testing"

	"ovenward/config"
	"ovenward/drivers"
	"ovenward/drivers/driverstest"
)

// TestEveryGoodExampleBuilds holds that what the file format takes, the drivers
// take too.
func TestEveryGoodExampleBuilds(t *testing.T) {
	paths, err := filepath.Glob("../../testdata/*.good.toml")
	if err != nil || len(paths) == 0 {
		t.Fatal(paths, err)
	}
	seen := map[string]bool{}
	for _, path := range paths {
		f, err := config.Load(path)
		if err != nil {
			t.Fatal(err)
		}
		for _, p := range f.Probes {
			seen[p.Driver] = true
			if _, err := protocols()[p.Driver](p); err != nil {
				t.Errorf("%s: probe %s: %v", path, p.ID, err)
			}
		}
	}
	for _, name := range config.Drivers() {
		if !seen[name] || protocols()[name] == nil {
			t.Errorf("driver %s: in an example: %t, in the table: %t", name, seen[name], protocols()[name] != nil)
		}
	}
	if len(protocols()) != len(config.Drivers()) {
		t.Errorf("%d drivers, and the file format names %v", len(protocols()), config.Drivers())
	}
}

// TestLanguagesOfTheExample holds what the second example's probes are asked,
// and what is read of an answer made by hand to the example's comments.
func TestLanguagesOfTheExample(t *testing.T) {
	f, err := config.Load("../../testdata/languages.good.toml")
	if err != nil {
		t.Fatal(err)
	}
	// 12 registers: 4.123 mW/cm² with its registers exchanged, three axes, 22.5 °C,
	// a low battery, 3.5 V as a float64 with its registers exchanged.
	registers := "\x10\x1b\x00\x00" + "\x05\xdc\x05\x1e\x7f\xff" + "\x02\x71" + "\x00\x0c" + "\x00\x00" + "\x00\x00\x00\x00\x00\x00\x40\x0c"
	for i, want := range []struct{ request, frame, value, battery string }{
		{"READ?\n", "4.12E-01", "0.412 mW/cm2", ""},
		{"MEAS:ALL?\r\n", "4.12,1.5,1.31,1.31,22.5,87", "4.12 W/m2", "87 %"},
		{"\x11\x03\x00\x00\x00\x0c\x47\x5f", "\x11\x03\x18" + registers + "\x90\x8a", "4.123 mW/cm2", "3.5 V"},
	} {
		p, err := protocols()[f.Probes[i].Driver](f.Probes[i])
		if err != nil {
			t.Fatal(err)
		}
		if got := string(p.Request()); got != want.request {
			t.Errorf("%s asks %q, want %q", f.Probes[i].ID, got, want.request)
		}
		r, err := driverstest.Parse(p, []byte(want.frame))
		if err != nil {
			t.Errorf("%s: %v", f.Probes[i].ID, err)
			continue
		}
		battery := strings.TrimSpace(r.Battery.String() + " " + r.BatteryUnit)
		if r.BatteryUnit == "" {
			battery = ""
		}
		if got := r.Value.String() + " " + r.Unit; got != want.value || battery != want.battery {
			t.Errorf("%s reads %s, battery %q, want %s, %q", f.Probes[i].ID, got, battery, want.value, want.battery)
		}
		if i == 2 && (r.Status != drivers.BatteryLow|drivers.OverRange || r.HasAxes || r.Temperature.String() != "22.5") {
			t.Errorf("the third reads %+v, want over-range by its z axis, a low battery, 22.5 °C", r)
		}
	}
}
