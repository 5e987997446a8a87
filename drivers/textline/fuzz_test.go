package textline_test

import (
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"ovenward/drivers"
	"ovenward/drivers/driverstest"
	"ovenward/drivers/textline"
)

// FuzzSplitParse feeds rubbish to every language. Split must go on or ask for
// more within its bound, and what Parse accepts must stand up to a second
// reading that is made another way.
func FuzzSplitParse(f *testing.F) {
	f.Add([]byte("1.20 mW/cm2 OK\r\nOVER mW/cm2 OVER\r\n"))
	f.Add([]byte("1;12,40;W/m2;B\n2;;W/m2;O\n"))
	f.Add([]byte("probe 3: S = 0.8 mW/cm2 (axis X), state=normal\r"))
	f.Add([]byte("+12.5\nOL\nE01\n"))
	f.Add([]byte("1.20;0.31;-0.02;1.24;mW/cm2;OK;31.5;3.71\r\n;;;;;FAIL;;2.90\r\n"))
	f.Add([]byte("$0078,001F,FFFE,0E7E*2E\n"))
	f.Add([]byte("S=0.412 mW/cm2 T=88.7F B=74% 97FD\r\n"))
	speaks, patterns := map[string]drivers.Protocol{}, map[string]*regexp.Regexp{}
	for name, o := range languages() {
		speaks[name], patterns[name] = language(f, name), regexp.MustCompile("^"+o.Pattern+"$")
	}
	known := languages()
	f.Fuzz(func(t *testing.T, sent []byte) {
		for name, p := range speaks {
			o := known[name]
			out, err := driverstest.Read(p, sent)
			if err != nil {
				t.Fatalf("%s: %v", name, err)
			}
			for _, got := range out {
				if got.Refused != "" {
					continue
				}
				var err error
				switch {
				case o.More != textline.More{}:
					err = againMore(got, name)
				case o.Pattern != "":
					err = again(got, patterns[name].FindStringSubmatch(got.Frame), 1, 2, 3, o.DecimalMark)
				case o.Separator != "":
					err = again(got, strings.Split(got.Frame, o.Separator), o.ValueColumn-1, o.UnitColumn-1, o.StatusColumn-1, o.DecimalMark)
				default:
					blanks := func(r rune) bool { return r == ' ' || r == '\t' }
					err = again(got, strings.FieldsFunc(got.Frame, blanks), o.ValueColumn-1, o.UnitColumn-1, o.StatusColumn-1, o.DecimalMark)
				}
				if err != nil {
					t.Errorf("%s: %+v was read, but %v", name, got, err)
				}
			}
		}
	})
}

// again judges an accepted frame by its fields, found with the standard library.
func again(got driverstest.Outcome, fields []string, value, unit, status int, mark byte) error {
	field := func(n int) string {
		if n < 0 || n >= len(fields) {
			return ""
		}
		return strings.Trim(fields[n], " \t")
	}
	r, said := got.Reading, field(value)
	if len(got.Frame) > 512 {
		return fmt.Errorf("it has %d bytes", len(got.Frame))
	}
	if !r.HasValue {
		noNumber := []string{"OVER", "FAIL", "O", "F", "ERR", "above range", "+++", "sensor open", "OL", "E01"}
		if !slices.Contains(noNumber, said) && (said != "" || !slices.Contains(noNumber, field(status))) {
			return fmt.Errorf("nothing says why %q is no number", said)
		}
		if r.Status&(drivers.OverRange|drivers.Fault) == 0 {
			return fmt.Errorf("its status %d is neither over-range nor fault", r.Status)
		}
		return nil
	}
	if strings.Trim(said, "+-.,0123456789") != "" || strings.LastIndexAny(said, "+-") > 0 {
		return fmt.Errorf("%q is no plain number", said)
	}
	plain := said
	if mark == ',' {
		plain = strings.ReplaceAll(strings.ReplaceAll(said, ".", "!"), ",", ".")
	}
	want, err := strconv.ParseFloat(plain, 64)
	if err != nil || r.Value.Float() != want {
		return fmt.Errorf("%q is %v (%v), not %v", said, want, err, r.Value.Float())
	}
	if u := field(unit); u != "" && u != r.Unit {
		return fmt.Errorf("its unit is %q", u)
	}
	words := map[string]drivers.Status{"OVER": drivers.OverRange, "BATT": drivers.BatteryLow, "FAIL": drivers.Fault,
		"O": drivers.OverRange, "B": drivers.BatteryLow, "F": drivers.Fault, "ERR": drivers.Fault,
		"above range": drivers.OverRange, "+++": drivers.OverRange, "change cells": drivers.BatteryLow,
		"sensor open": drivers.Fault, "OK": 0, "normal": 0, "": 0}
	if s, known := words[field(status)]; !known || s != r.Status {
		return fmt.Errorf("its status field is %q", field(status))
	}
	return nil
}
