package main

import (
	"bytes"
	"context"
	"encoding/json"
	"strings"
	"testing"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/alarm"
	"ovenward/config"
)

func limitsAt(t *testing.T, args ...string) (out, errs string, code int) {
	t.Helper()
	var stdout, stderr bytes.Buffer
	code = dispatch(context.Background(), append([]string{"limits"}, args...), &stdout, &stderr)
	return stdout.String(), stderr.String(), code
}

// paragraph returns what is printed of one limit.
func paragraph(t *testing.T, out, id string) string {
	t.Helper()
	_, rest, ok := strings.Cut(out, "\n  "+id+": ")
	if !ok {
		t.Fatalf("%s is not printed in\n%s", id, out)
	}
	p, _, _ := strings.Cut(rest, "\n\n")
	return p
}

func TestLimitsAsText(t *testing.T) {
	out, errs, code := limitsAt(t, "--frequency=2450MHz")
	if code != 0 || errs != "" {
		t.Fatalf("code %d, %s", code, errs)
	}
	for id, want := range map[string][]string{
		"us-emission-in-use":      {"5 mW/cm² (50 W/m²)", "50 mm", "emission in use", "21 CFR 1030.10(c)(1)", "within 3 s"},
		"fcc-public":              {"1 mW/cm² (10 W/m²)", "30 min", "exposure public", "47 CFR 1.1310(e)(1)"},
		"icnirp-1998-public":      {"1 mW/cm² (10 W/m²); 61 V/m, 0.16 A/m (not confirmed)", "6 min, not confirmed"},
		"ca-sc6-uncontrolled":     {"0.5424 mW/cm² (5.424 W/m²), not confirmed", "6 min, not confirmed"},
		"iec-emission-commercial": {"5 mW/cm² (50 W/m²), not confirmed"},
		"eu-2013-35-occupational": {"which is 140 V/m as a plane wave"},
		"ru-public":               {"0.01 mW/cm² (0.1 W/m²)", "not in our table"},
	} {
		for _, w := range want {
			if p := paragraph(t, out, id); !strings.Contains(p, w) {
				t.Errorf("%s lacks %q:\n%s", id, w, p)
			}
		}
	}
	for _, id := range []string{"us-emission-in-use", "fcc-public", "icnirp-2020-public"} {
		if p := paragraph(t, out, id); strings.Contains(p, "not confirmed") {
			t.Errorf("%s is said not to be confirmed:\n%s", id, p)
		}
	}
	if strings.Contains(strings.ToLower(out), "safe ") || strings.Count(out, "On ovens,") != 1 || strings.Count(out, "On people") != 1 {
		t.Error("the list reassures, or its groups are torn apart")
	}
	out, _, code = limitsAt(t, "--frequency", "24.125GHz")
	if p := paragraph(t, out, "us-emission-in-use"); code != 0 || !strings.Contains(p, "none: 24.125 GHz is outside the bands of us-emission-in-use, which are 890 MHz to 6000 MHz") {
		t.Errorf("outside its band (code %d):\n%s", code, p)
	}
}

func TestLimitsAsJSON(t *testing.T) {
	out, errs, code := limitsAt(t, "--format=json", "--frequency=915MHz")
	var got struct {
		Frequency float64     `json:"frequency_hz"`
		Limits    []limitJSON `json:"limits"`
	}
	if err := json.Unmarshal([]byte(out), &got); err != nil || code != 0 || errs != "" || got.Frequency != 915e6 {
		t.Fatalf("code %d, %s, %v", code, errs, err)
	}
	seen := 0
	for _, l := range got.Limits {
		switch l.ID {
		case "fcc-public":
			if *l.Value < 6.0999 || *l.Value > 6.1001 || *l.Averaging != 1800 || l.Distance != nil || !l.Confirmed || l.Basis != "exposure public" {
				t.Errorf("%+v", l)
			}
		case "ca-emission":
			if *l.Value != 10 || *l.Distance != 0.05 || l.Averaging != nil || !l.Confirmed {
				t.Errorf("%+v", l)
			}
		case "icnirp-1998-public":
			if *l.Value != 4.575 || l.Confirmed || l.Unconfirmed != "the averaging time" {
				t.Errorf("%+v", l)
			}
		case "ca-sc6-controlled":
			if l.Confirmed || l.Status != "not confirmed" || l.Unconfirmed != "the value and the averaging time" {
				t.Errorf("%+v", l)
			}
		default:
			continue
		}
		seen++
	}
	if seen != 4 {
		t.Errorf("%d of 4 limits", seen)
	}
	out, _, _ = limitsAt(t, "--format=json", "--frequency=200GHz")
	if !strings.Contains(out, `"in_band": false`) || !strings.Contains(out, `"value_w_per_m2": null`) {
		t.Error("outside a band there is no value")
	}
}

func TestLimitsByBasisAndID(t *testing.T) {
	count := func(args ...string) (n int, bases map[string]bool) {
		out, errs, code := limitsAt(t, append(args, "--frequency=2450MHz", "--format=json")...)
		var got struct{ Limits []limitJSON }
		if err := json.Unmarshal([]byte(out), &got); err != nil || code != 0 {
			t.Fatalf("%q: code %d, %s, %v", args, code, errs, err)
		}
		bases = map[string]bool{}
		for _, l := range got.Limits {
			bases[l.Basis] = true
		}
		return len(got.Limits), bases
	}
	all, kinds := count()
	sum := 0
	for basis := range kinds {
		n, only := count("--basis", basis)
		if len(only) != 1 || !only[basis] {
			t.Errorf("%s: %v", basis, only)
		}
		sum += n
	}
	if sum != all || len(kinds) != 4 {
		t.Errorf("%d limits of %d kinds, and %d of all", sum, len(kinds), all)
	}
	out, _, code := limitsAt(t, "--frequency=2450MHz", "--id=fcc-public")
	if p := paragraph(t, out, "fcc-public"); code != 0 || !strings.Contains(p, "1 mW/cm²") || strings.Count(out, "    basis ") != 1 {
		t.Errorf("code %d:\n%s", code, out)
	}
	_, errs, code := limitsAt(t, "--frequency=2450MHz", "--id=fcc-public", "--basis=emission in use")
	if code != 1 || !strings.Contains(errs, `"fcc-public" of basis "emission in use"; use one of us-emission-in-use`) || strings.Contains(errs, "fcc-occ") {
		t.Errorf("code %d: %s", code, errs)
	}
}

func TestLimitsMistakes(t *testing.T) {
	for _, tc := range []struct{ args, want string }{
		{"", "say at which frequency: ovenward limits --frequency=2450MHz"},
		{"--frequency=2450", "unit"},
		{"--frequency=-1MHz", "not above zero"},
		{"--frequency", "needs a value"},
		{"--frequency=1GHz --format=xml", "there is no format"},
		{"2450MHz", "is not understood"},
		{"--freq=1GHz", "is not understood"},
		{"--frequency=1GHz --basis=exposure", `there is no basis "exposure"; use one of: emission new, emission in use, exposure public, exposure occupational`},
		{"--frequency=1GHz --id=fcc", "us-emission-in-use, "},
		{"--frequency=1GHz --id=fcc", "fcc-public"},
	} {
		out, errs, code := limitsAt(t, strings.Fields(tc.args)...)
		if code != 1 || out != "" || !strings.Contains(errs, tc.want) {
			t.Errorf("%q: code %d, %q, want %q", tc.args, code, errs, tc.want)
		}
	}
	if out, _, code := limitsAt(t, "--help"); code != 0 || !strings.Contains(out, "usage: ovenward limits") {
		t.Errorf("code %d, %q", code, out)
	}
}

// Built-in limits come at the oven's frequency, with the rule that holds, and the
// record is read back for as long as their longest window.
func TestPostsWithBuiltinLimits(t *testing.T) {
	f, err := config.Load("../../testdata/limits.good.toml")
	if err != nil {
		t.Fatal(err)
	}
	f.Posts[1].Limit = ""
	all, err := posts(f, nil, nil)
	if err != nil {
		t.Fatal(err)
	}
	if !all[0].OwnLimit || all[1].OwnLimit || all[1].Limit.ID != "door" {
		t.Errorf("whose the limits are: %t, %t", all[0].OwnLimit, all[1].OwnLimit)
	}
	p := all[0]
	l := p.Limits()
	if len(l) != 3 || l[0].ID != "public" || l[0].Builtin != "fcc-public" || l[0].Value < 6.0999 || l[0].Value > 6.1001 || l[0].Averaging != 30*time.Minute ||
		l[0].Rule != "simple acceptance" || l[1].ID != "house" || l[1].Value != 5 || l[1].Averaging != 6*time.Minute || l[1].Rule != "simple acceptance" ||
		l[2].ID != "door" || l[2].Value != 50 || l[2].Distance != 0.05 || l[2].Rule != "guarded acceptance" || l[2].CitedAbove != 1.25 {
		t.Errorf("%+v", l)
	}
	if r := recall(p); r < 30*time.Minute+2*time.Second || r > 31*time.Minute {
		t.Errorf("%s are read back, want the longest window and a little", r)
	}
	p.Limit, p.More = l[2], nil
	if r := recall(p); r != leastRecall {
		t.Errorf("%s are read back without a mean", r)
	}
	for name, rule := range map[string]acquire.Rule{"dose": {Rule: alarm.DoseOf("x"), Dose: 1}, "count": {Rule: alarm.CountOf("x"), Count: 2}} {
		q := p
		q.Rules = []acquire.Rule{rule}
		if r := recall(q); r != longestDay {
			t.Errorf("for a %s %s is recalled, want a whole day", name, r)
		}
	}
}
