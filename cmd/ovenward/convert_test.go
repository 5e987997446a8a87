package main

import (
	"bytes"
	"errors"
	"strings"
	"testing"
)

func runConvert(args ...string) (code int, stdout, stderr string) {
	var out, errs bytes.Buffer
	code = convertCommand(args, &out, &errs)
	return code, out.String(), errs.String()
}

// E–S pairs and levels are arithmetic with the impedance named; 61.3784 V/m and
// 155.760 dBµV/m belong to 1 mW/cm² with Z0 of CODATA 2022.
func TestConvertFirstLine(t *testing.T) {
	for _, c := range []struct {
		args []string
		want string
	}{
		{[]string{"1 mW/cm2", "V/m"}, "61.3784 V/m"},
		{[]string{"1 mW/cm2", "V/m", "--impedance=377"}, "61.4003 V/m"},
		{[]string{"--impedance", "377", "50 W/m²", "V/m"}, "137.295 V/m"},
		{[]string{"50 W/m2", "V/m", "--impedance=codata"}, "137.246 V/m"},
		{[]string{"1 mW/cm2", "dBuV/m"}, "155.7603 dBµV/m"},
		{[]string{"61.4 V/m", "W/m2"}, "10.0071 W/m²"},
		{[]string{"61.4 V/m", "A/m", "--impedance=377"}, "0.162865 A/m"},
		{[]string{"0.163 A/m", "mW/cm2"}, "1.00093 mW/cm²"},
		{[]string{"5 mW/cm2", "W/m2"}, "50 W/m²"},
		{[]string{"0.07 mW/cm2", "W/m2"}, "0.7 W/m²"},
		{[]string{"0.123456789012 mW/cm2", "uW/cm2"}, "123.456789012 µW/cm²"},
		{[]string{"5 mW/cm2", "dBm/m2"}, "46.9897 dBm/m²"},
		{[]string{"-20 dBm/cm2", "W/m2"}, "0.1 W/m²"},
		{[]string{"0 dBm/cm2", "dBm/m^2"}, "40 dBm/m²"},
		{[]string{"--", "-0.5 W/m2", "mW/cm2"}, "-0.05 mW/cm²"},
		{[]string{"0 W/m2", "V/m"}, "0 V/m"},
	} {
		code, out, errs := runConvert(c.args...)
		first, rest, _ := strings.Cut(out, "\n")
		if code != 0 || first != c.want || errs != "" {
			t.Errorf("convert %q: exit %d, first line %q, stderr %q, want %q", c.args, code, first, errs, c.want)
		}
		if !strings.HasPrefix(rest, "assumes ") {
			t.Errorf("convert %q does not say below what it assumed: %q", c.args, rest)
		}
	}
}

func TestConvertSaysWhatItAssumed(t *testing.T) {
	_, out, _ := runConvert("1 mW/cm2", "V/m", "--impedance=377")
	for _, want := range []string{"plane wave in the far field", "Z0 = 377 Ω (21 CFR 1030.10(b)(8))",
		"with Z0 = 376.730313412 Ω (CODATA 2022) it would be 61.3784 V/m", "19.4749 mm at 2450 MHz", "not a mean of power"} {
		if !strings.Contains(out, want) {
			t.Errorf("the result does not say %q:\n%s", want, out)
		}
	}
	_, out, _ = runConvert("1 mW/cm2", "W/m2")
	if strings.Contains(out, "Z0") || strings.Contains(out, "mean") || !strings.Contains(out, "no impedance enters") {
		t.Errorf("a plain change of unit speaks of what does not enter:\n%s", out)
	}
}

func TestConvertRefuses(t *testing.T) {
	for _, c := range []struct {
		args []string
		want string
	}{
		{nil, "a value and a unit are wanted"},
		{[]string{"1 mW/cm2"}, "a value and a unit are wanted, each in quotes: two words, not 1"},
		{[]string{"1", "mW/cm2", "V/m"}, "each in quotes"},
		{[]string{"5", "V/m"}, `"5" has no unit`},
		{[]string{"nan mW/cm2", "V/m"}, "not a finite number"},
		{[]string{"1 mW/cm2", "V"}, `"V" is no unit of power density or field strength: use one of mW/cm2`},
		{[]string{"50 mm", "V/m"}, `"mm" is no unit`},
		{[]string{"-1 mW/cm2", "V/m"}, "below zero"},
		{[]string{"0 mW/cm2", "dBm/m2"}, "no level in dBm/m²: convert it to W/m²"},
		{[]string{"0 mW/cm2", "dBuV/m"}, "no level in dBµV/m"},
		{[]string{"1e300 V/m", "W/m2"}, "too large or too small"},
		{[]string{"1e-300 V/m", "W/m2"}, "too large or too small"},
		{[]string{"1 mW/cm2", "V/m", "--impedance=120pi"}, `write "377"`},
		{[]string{"1 mW/cm2", "V/m", "--impedance"}, "needs a name"},
		{[]string{"1 mW/cm2", "V/m", "--round=3"}, "unknown flag --round"},
	} {
		code, out, errs := runConvert(c.args...)
		if code != 1 || out != "" || !strings.Contains(errs, c.want) || strings.Count(errs, "\n") != 1 {
			t.Errorf("convert %q: exit %d, stdout %q, stderr %q, want exit 1 and %q", c.args, code, out, errs, c.want)
		}
	}
}

func TestConvertHelp(t *testing.T) {
	for _, flag := range []string{"--help", "-h"} {
		code, out, errs := runConvert("1 mW/cm2", flag)
		if code != 0 || errs != "" || !strings.HasPrefix(out, "usage: ovenward convert") || !strings.Contains(out, "dBuV/m") {
			t.Errorf("%s: exit %d, stdout %q, stderr %q", flag, code, out, errs)
		}
	}
}

type brokenWriter struct{}

func (brokenWriter) Write([]byte) (int, error) { return 0, errors.New("no room") }

func TestConvertTellsWhenItCannotPrint(t *testing.T) {
	var errs bytes.Buffer
	if code := convertCommand([]string{"1 mW/cm2", "V/m"}, brokenWriter{}, &errs); code != 1 || !strings.Contains(errs.String(), "no room") {
		t.Errorf("exit %d, stderr %q", code, errs.String())
	}
}
