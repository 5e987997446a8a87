package main

import (
	"bytes"
	"encoding/json"
	"log/slog"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"ovenward/config"
)

func budget(t *testing.T, args ...string) (stdout, stderr string, code int) {
	t.Helper()
	var out, errs bytes.Buffer
	code = budgetCommand(args, &out, &errs)
	return out.String(), errs.String(), code
}

// The model kitchen's probe, by hand: 15 %/2, and half-widths over √3 of 5 %, 10 %,
// 12 %, 10 K at 0.2 %/K, 2·2 mm/50 mm, and in mW/cm² 0.06, 0.001, and 0.02/3 as a
// standard deviation; k for 95 % is 1.960.
func TestBudgetOfTheModelKitchen(t *testing.T) {
	out, errs, code := budget(t, "--post=counter-door")
	if code != 0 || errs != "" {
		t.Fatalf("code %d: %s", code, errs)
	}
	for _, want := range []string{
		"uncertainty budget of post counter-door: probe probe-1, oven counter, 50 mm from it",
		"certificate SIMULATED-1 of ", "at a corrected value of 5 mW/cm²",
		"calibration         15 %            normal        2        1            0.375 mW/cm²",
		"isotropy            ±12 %           rectangular   1.732    1            0.346 mW/cm²          unlimited           28.4 %      assumed: half a decibel",
		"distance            ±2 mm           rectangular   1.732    4 %/mm       0.231 mW/cm²",
		"effective degrees of freedom   unlimited", "k = 1.960", "U = 1.27 mW/cm² (25.5 % of the value)", "nobody stated: it is common practice",
	} {
		if !strings.Contains(out, want) {
			t.Errorf("no %q in\n%s", want, out)
		}
	}

	out, _, _ = budget(t, "--post=counter-door", "--format=json", "--level=0.1 mW/cm2")
	var j struct {
		Level    float64 `json:"level_w_per_m2"`
		Combined float64 `json:"combined_standard_uncertainty_w_per_m2"`
		K, U     float64
		Expanded float64  `json:"expanded_uncertainty_w_per_m2"`
		DF       *float64 `json:"effective_degrees_of_freedom"`
		Terms    []struct {
			Name    string
			Assumed bool
		}
		Warnings []string
	}
	if err := json.Unmarshal([]byte(out), &j); err != nil {
		t.Fatal(err)
	}
	rel := math.Sqrt(0.075*0.075 + (0.05*0.05+0.1*0.1+0.12*0.12+0.02*0.02+0.08*0.08)/3)
	want := math.Sqrt(rel*rel + (0.6*0.6+0.01*0.01)/3 + 0.2*0.2/9) // at 1 W/m²
	if j.Level != 1 || math.Abs(j.Combined-want) > 1e-9 || math.Abs(j.Expanded-1.959964*want) > 1e-6 || j.DF != nil || len(j.Terms) != 9 {
		t.Errorf("%+v; by hand %v", j, want)
	}
	if len(j.Warnings) != 1 || !strings.Contains(j.Warnings[0], "zero is rectangular and rules the sum") {
		t.Errorf("warnings %q: near the floor the zero rules", j.Warnings)
	}
}

func TestBudgetWithoutACertificate(t *testing.T) {
	out, _, code := budget(t, "--config.file=../../testdata/larkfield-house.good.toml", "--post=pantry-corridor")
	if code != 0 || !strings.Contains(out, "its uncertainty is not known") || strings.Contains(out, "U =") {
		t.Errorf("code %d: %s", code, out)
	}
	out, _, _ = budget(t, "--config.file=../../testdata/larkfield-house.good.toml", "--post=pantry-corridor", "--format=json")
	if !strings.Contains(out, `"expanded_uncertainty_w_per_m2": null`) {
		t.Errorf("what is not known is not null: %s", out)
	}
}

func TestBudgetIsRefused(t *testing.T) {
	for want, args := range map[string][]string{
		`say of which post, with --post: counter-door, pantry-door, staff-room-door`:                 nil,
		`there is no post "hatch": name one with --post: counter-door, pantry-door, staff-room-door`: {"--post=hatch"},
		"write for example":                             {"--post=counter-door", "--level=5"},
		"is below zero, and no field is":                {"--post=counter-door", "--level=-3 mW/cm2"},
		"--format=xml is not known: use text or json":   {"--post=counter-door", "--format=xml"},
		"see ovenward budget --help":                    {"--poste=counter-door"},
		"certificates.bad.toml:49: probe \"nonsense\"":  {"--config.file=../../testdata/certificates.bad.toml", "--post=door"},
		"name an existing TOML file that this user may": {"--config.file=nowhere.toml", "--post=door"},
	} {
		if out, errs, code := budget(t, args...); code != 1 || out != "" || !strings.Contains(errs, want) {
			t.Errorf("%q: code %d, %q, %q; want %q", args, code, out, errs, want)
		}
	}
	if out, _, code := budget(t, "--help"); code != 0 || !strings.Contains(out, "usage: ovenward budget") {
		t.Errorf("--help: code %d, %q", code, out)
	}
}

// A probe that was turned for the maximum does not stay so when its post moves.
func TestMovedPostIsNoLongerTurned(t *testing.T) {
	text := strings.Replace(string(kitchenTOML), `id = "staff-room-door"
oven = "staff-room"
probe = "probe-3"
distance = "50 mm"
`, `id = "staff-room-door"
oven = "staff-room"
probe = "probe-3"
distance = "DISTANCE"
facing = "turned for maximum"
turned_by = "P. Marlow"
turned_on = 2026-01-02
MOVED
`, 1)
	record, folder := t.TempDir(), t.TempDir()
	start := func(distance, moved string) error {
		t.Helper()
		file := filepath.Join(folder, "kitchen.toml")
		text := strings.NewReplacer("DISTANCE", distance, "MOVED", moved).Replace(text)
		if _, err := config.Parse("kitchen.toml", []byte(text)); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		d, err := newDaemon(settings{configFile: file, storagePath: record, listen: "127.0.0.1:0"}, slog.New(slog.DiscardHandler),
			func() time.Time { return time.Date(2026, 2, 3, 12, 0, 0, 0, time.UTC) })
		if err == nil {
			err = d.Close()
		}
		return err
	}
	if err := start("50 mm", ""); err != nil {
		t.Fatalf("where it was first entered: %v", err)
	}
	err := start("40 mm", "")
	if err == nil || !strings.Contains(err.Error(), `post "staff-room-door" was turned for the maximum on 2026-01-02, and moved on 2026-02-03`) {
		t.Fatalf("moved: %v", err)
	}
	if err := start("40 mm", "moved_on = 2026-01-02"); err == nil {
		t.Error("it is said to have been moved before the place it came from was entered, and the turning counts")
	}
	text = strings.Replace(text, "2026-01-02", "2026-02-03", 1)
	if err := start("40 mm", ""); err != nil {
		t.Errorf("turned again on the day it was moved: %v", err)
	}
}
