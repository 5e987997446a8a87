package main

import (
	"bytes"
	"context"
	"encoding/json"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// The walks in these tests are invented: points of 20 W/m²·(50 mm/r)^1.5 + 0.05 W/m²,
// to 4 digits, and one over which the oven was off.
const inventedWalk = `limit,fcc-public
frequency,2450 MHz
floor,0.02 mW/cm2
distance (cm),value (mW/cm2),standard uncertainty (%)
5,2.005,4
10,0.7121,4
20,0.255,4
40,0.09339,4
80,0.03625,4
off,0.005,10
`

func standoffOf(t *testing.T, walk string, args ...string) (out, errs string, code int) {
	t.Helper()
	file := filepath.Join(t.TempDir(), "walk.csv")
	if err := os.WriteFile(file, []byte(walk), 0o600); err != nil {
		t.Fatal(err)
	}
	var stdout, stderr bytes.Buffer
	code = dispatch(context.Background(), append([]string{"standoff", file}, args...), &stdout, &stderr)
	return stdout.String(), stderr.String(), code
}

func TestStandoffAsText(t *testing.T) {
	out, errs, code := standoffOf(t, inventedWalk, `--level=0.1 mW/cm2`, `--level=0.004 mW/cm2`, "--level", "4 mW/cm2")
	if code != 0 || errs != "" {
		t.Fatalf("code %d, %s", code, errs)
	}
	for _, want := range []string{
		"fitted at 5 distances from 50 mm to 800 mm",
		"n                 1.5",
		"fcc-public, 1 mW/cm²        79.6 mm",
		"stated level, 0.1 mW/cm²    381 mm",
		"stated level, 0.004 mW/cm²  no distance: cannot be told from the background",
		"stated level, 4 mW/cm²      31.5 mm",
		"EXTRAPOLATED: nearer than any mark",
		"noise floor, 0.02 mW/cm²    1.3 m",
		"EXTRAPOLATED: farther than any mark",
		"standard deviations",
		"oven off  0.005 mW/cm²",
		"one on the mean over 30 min",
		"\nAlong this line, with this load and door, today; not a safety distance.\n",
		caution,
	} {
		if !strings.Contains(out, want) {
			t.Errorf("lacks %q:\n%s", want, out)
		}
	}
	if strings.Contains(out, "warning") || strings.Count(out, "x") < 6 {
		t.Errorf("a warning, or no plot:\n%s", out)
	}
}

func TestStandoffAsJSON(t *testing.T) {
	out, errs, code := standoffOf(t, inventedWalk, "--format=json")
	var got struct {
		N      struct{ Value, Lo, Hi float64 }
		Levels []struct {
			Name         string
			Extrapolated bool
			Distance     *struct{ Value, Lo, Hi float64 } `json:"distance_m"`
		}
		Marks []struct {
			Distance *float64 `json:"distance_m"`
			Off      bool     `json:"oven_off"`
			Residual *float64 `json:"residual_in_standard_deviations"`
		}
		Caution string
	}
	if err := json.Unmarshal([]byte(out), &got); err != nil || code != 0 || errs != "" {
		t.Fatal(err, code, errs)
	}
	if math.Abs(got.N.Value-1.5) > 0.01 || !(got.N.Lo < 1.5 && got.N.Hi > 1.5) || len(got.Levels) != 2 || got.Levels[0].Name != "fcc-public" {
		t.Errorf("%+v", got)
	}
	if d := got.Levels[0].Distance; d == nil || math.Abs(d.Value-0.0796) > 0.0002 || !got.Levels[1].Extrapolated || got.Levels[0].Extrapolated {
		t.Errorf("%+v", got.Levels)
	}
	if len(got.Marks) != 6 || !got.Marks[5].Off || got.Marks[5].Distance != nil || got.Marks[0].Residual == nil || got.Caution != lineCaution {
		t.Errorf("%+v", got)
	}
}

func TestStandoffRefuses(t *testing.T) {
	short := strings.Replace(inventedWalk, "20,0.255,4\n", "", 1)
	out, _, code := standoffOf(t, short, `--level=0.1 mW/cm2`)
	if code != 0 || !strings.Contains(out, "no exponent and no distance: 4 marks at different distances, and a fit needs 5") ||
		strings.Contains(out, "is reached") || strings.Contains(out, "S0") || !strings.Contains(out, lineCaution) {
		t.Errorf("code %d\n%s", code, out)
	}
	out, _, _ = standoffOf(t, short, "--format=json")
	if !strings.Contains(out, `"n": null`) || !strings.Contains(out, `"levels": []`) || !strings.Contains(out, `"fitted_w_per_m2": null`) {
		t.Errorf("%s", out)
	}
	bare := inventedWalk[strings.Index(inventedWalk, "distance"):]
	out, _, code = standoffOf(t, bare)
	if code != 0 || !strings.Contains(out, "note: no limit on people is asked for") || !strings.Contains(out, "note: the noise floor is not asked for") {
		t.Errorf("code %d\n%s", code, out)
	}
}

func TestStandoffErrors(t *testing.T) {
	for _, tc := range []struct {
		walk, want string
		args       []string
	}{
		{inventedWalk, "see ovenward standoff --help", []string{"--levle=1 mW/cm2"}},
		{inventedWalk, "is not expected here", []string{"another.csv"}},
		{inventedWalk, "has no unit", []string{"--level=1"}},
		{inventedWalk, "is not above zero: a level is", []string{"--level=0 mW/cm2"}},
		{inventedWalk, "--format=xml is not known", []string{"--format=xml"}},
		{inventedWalk, `there is no built-in limit "fcc"`, []string{"--limit=fcc"}},
		{inventedWalk, "is one on ovens, at 50 mm", []string{"--limit=us-emission-in-use"}},
		{inventedWalk, "--floor:", []string{"--floor=0 mW/cm2"}},
		{inventedWalk, "--frequency:", []string{"--frequency=2450"}},
		{strings.Replace(inventedWalk, "frequency,2450 MHz\n", "", 1), "state the oven's with --frequency=2450MHz", nil},
		{strings.Replace(inventedWalk, "10,0.7121", "10,over", 1), "walk.csv:6: \"over\" is no value", nil},
	} {
		if out, errs, code := standoffOf(t, tc.walk, tc.args...); code != 1 || out != "" || !strings.Contains(errs, tc.want) {
			t.Errorf("%q: code %d, %q, %q, want %q", tc.args, code, out, errs, tc.want)
		}
	}
	var out, errs bytes.Buffer
	if code := standoffCommand(nil, &out, &errs); code != 1 || !strings.Contains(errs.String(), "no file of marks is named") {
		t.Errorf("code %d, %q", code, errs.String())
	}
	if code := standoffCommand([]string{filepath.Join(t.TempDir(), "none.csv")}, &out, &errs); code != 1 || !strings.Contains(errs.String(), "none.csv") {
		t.Errorf("code %d, %q", code, errs.String())
	}
	if code := standoffCommand([]string{"--help"}, &out, &errs); code != 0 || strings.Count(out.String(), "\n") > 24 {
		t.Errorf("code %d, %d lines of help", code, strings.Count(out.String(), "\n"))
	}
}

func TestResidualBar(t *testing.T) {
	for x, want := range map[float64]string{0: "........x........ 0.0", -0.04: "........x........ 0.0", -4: "x.......|........ -4.0", 9: "........|.......> +9.0", -5: "<.......|........ -5.0", 1.1: "........|.x...... +1.1"} {
		if got := bar(x); got != want {
			t.Errorf("%g: %q, want %q", x, got, want)
		}
	}
}
