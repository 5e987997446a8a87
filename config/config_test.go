package config

import (
	"errors"
	"flag"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

var update = flag.Bool("update", false, "write the messages wanted of every *.bad.toml anew")

// examples returns the files in the shared testdata folder that end so.
func examples(t testing.TB, suffix string) []string {
	t.Helper()
	files, err := filepath.Glob("../testdata/*" + suffix)
	if err != nil || len(files) == 0 {
		t.Fatalf("no ../testdata/*%s: %v", suffix, err)
	}
	return files
}

func read(t testing.TB, path string) []byte {
	t.Helper()
	data, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return data
}

func TestEveryGoodExampleLoads(t *testing.T) {
	for _, path := range examples(t, ".good.toml") {
		if _, err := Load(path); err != nil {
			t.Errorf("%v", err)
		}
	}
}

func TestFaultEveryBadExampleIsToldAsWanted(t *testing.T) {
	for _, path := range examples(t, ".bad.toml") {
		t.Run(filepath.Base(path), func(t *testing.T) {
			f, err := Parse(filepath.Base(path), read(t, path))
			if err == nil || f != nil {
				t.Fatalf("a bad example gave %v and %v", f, err)
			}
			got := err.Error() + "\n"
			wanted := strings.TrimSuffix(path, ".toml") + ".txt"
			if *update {
				if err := os.WriteFile(wanted, []byte(got), 0o644); err != nil {
					t.Fatal(err)
				}
			}
			if want := strings.ReplaceAll(string(read(t, wanted)), "\r\n", "\n"); got != want {
				t.Errorf("got\n%s\nwant\n%s", got, want)
			}
		})
	}
}

// TestLarkfieldHouse holds what comes out of the documented example against
// what its text says, in SI units.
func TestLarkfieldHouse(t *testing.T) {
	f, err := Load("../testdata/larkfield-house.good.toml")
	if err != nil {
		t.Fatal(err)
	}
	day := func(y int, m time.Month, d int) time.Time { return time.Date(y, m, d, 0, 0, 0, 0, time.UTC) }
	hatch, shelf := f.Probes[0], f.Probes[1]
	for _, c := range []struct {
		what      string
		got, want any
	}{
		{"site", f.Site.Name, "Larkfield House"},
		{"zone", f.Site.Zone.String(), "Europe/London"},
		{"limit in W/m²", float64(f.Limits[0].Value), 50.0}, // 1 mW/cm² is 10 W/m² by definition
		{"limit distance in m", float64(f.Limits[0].Distance), 0.05},
		{"exposure distance", float64(f.Limits[1].Distance), 0.0},
		{"basis", f.Limits[0].Basis, "emission in use"},
		{"frequency in Hz", float64(f.Ovens[0].Frequency), 2.45e9},
		{"oven limit", f.Ovens[1].Limit, "door-in-use"},
		{"baud", hatch.Serial.Baud, 9600},
		{"parity", shelf.Serial.Parity, "none"},
		{"stop bits", shelf.Serial.StopBits, "1"},
		{"data bits", shelf.Serial.DataBits, 8},
		{"dtr", *hatch.Serial.DTR, true},
		{"rts", hatch.Serial.RTS == nil, true},
		{"settle", hatch.Serial.Settle, 2 * time.Second},
		{"poll", hatch.Poll, time.Second},
		{"timeout", hatch.Timeout, 800 * time.Millisecond},
		{"stream", shelf.Stream, true},
		{"stream poll", shelf.Poll, time.Duration(0)},
		{"stream timeout", shelf.Timeout, time.Second},
		{"range in W/m²", float64(hatch.Range), 200.0},
		{"floor in W/m²", float64(hatch.Floor), 0.1},
		{"axes", shelf.Axes, 1},
		{"query", hatch.Textline.Query, "READ?\r\n"},
		{"columns", [3]int{hatch.Textline.Value, hatch.Textline.Unit, hatch.Textline.Status}, [3]int{1, 2, 3}},
		{"pattern separator", shelf.Textline.Separator, ""},
		{"fixed unit", shelf.Textline.FixedUnit, "mW/cm2"},
		{"default terminator", shelf.Textline.Terminator, "\n"},
		{"certificate date", hatch.Certificate.Date, day(2026, 2, 10)},
		{"certificate due", hatch.Certificate.Due, day(2027, 2, 10)},
		{"factor", hatch.Certificate.Factor, 1.03},
		{"uncertainty as a ratio", hatch.Certificate.ExpandedUncertainty, 0.25},
		{"k", hatch.Certificate.K, 2.0},
		{"uncalibrated", shelf.Certificate == nil, true},
	} {
		if c.got != c.want {
			t.Errorf("%s: got %v, want %v", c.what, c.got, c.want)
		}
	}
}

func TestLarkfieldHousePosts(t *testing.T) {
	f, err := Load("../testdata/larkfield-house.good.toml")
	if err != nil {
		t.Fatal(err)
	}
	door, corridor := f.Posts[0], f.Posts[1]
	for _, c := range []struct {
		what      string
		got, want any
	}{
		{"height in m", float64(*door.Height), 1.15},
		{"no height", corridor.Height == nil, true},
		{"turned", *corridor.Turned, Turned{"P. Marlow", time.Date(2026, 3, 2, 0, 0, 0, 0, time.UTC)}},
		{"not turned", door.Turned == nil, true},
		{"zero bound in W/m²", float64(corridor.ZeroBound), 1.0},
		{"post limit", corridor.Limit, "corridor"},
		{"further limit", corridor.Limits[0], "public"},
		{"averaging", f.Limits[1].Averaging, 6 * time.Minute},
		{"built-in limit", f.Limits[2].Builtin, "fcc-public"},
		{"decision rule", f.Verdict.Rule, "guarded acceptance"},
		{"token file", f.Webhooks[0].Token.File, "/etc/ovenward/desk.token"},
	} {
		if c.got != c.want {
			t.Errorf("%s: got %v, want %v", c.what, c.got, c.want)
		}
	}
}

// TestExampleShowsTheDefaults holds the example to its word: the [alarm] it
// shows is what holds without one.
func TestExampleShowsTheDefaults(t *testing.T) {
	data := read(t, "../testdata/larkfield-house.good.toml")
	shown, err := Parse("shown", data)
	if err != nil {
		t.Fatal(err)
	}
	start := strings.Index(string(data), "\n[alarm]")
	end := strings.Index(string(data), "\n# ---- Messages")
	without, err := Parse("without", append(append([]byte{}, data[:start]...), data[end:]...))
	if err != nil {
		t.Fatal(err)
	}
	if without.Alarm.Line != 0 {
		t.Errorf("a file without [alarm] has it on line %d", without.Alarm.Line)
	}
	without.Alarm.Line = shown.Alarm.Line
	if shown.Alarm != without.Alarm {
		t.Errorf("the example shows %+v, the defaults are %+v", shown.Alarm, without.Alarm)
	}
}

func TestElementsKnowTheirLines(t *testing.T) {
	data := read(t, "../testdata/larkfield-house.good.toml")
	f, err := Parse("larkfield", data)
	if err != nil {
		t.Fatal(err)
	}
	lines := strings.Split(string(data), "\n")
	for _, c := range []struct {
		line int
		want string
	}{
		{f.Site.Line, "[site]"}, {f.Limits[1].Line, "[[limit]]"}, {f.Ovens[1].Line, "[[oven]]"},
		{f.Probes[1].Line, "[[probe]]"}, {f.Probes[0].Textline.Line, "[probe.textline]"},
		{f.Probes[0].Certificate.Line, "[probe.certificate]"}, {f.Posts[0].Line, "[[post]]"},
		{f.Alarm.Line, "[alarm]"}, {f.Webhooks[0].Line, "[[webhook]]"},
	} {
		if got := strings.TrimSpace(lines[c.line-1]); got != c.want {
			t.Errorf("line %d is %q, want %q", c.line, got, c.want)
		}
	}
}

func TestLoadTellsWhatCannotBeRead(t *testing.T) {
	folder := t.TempDir()
	for _, path := range []string{filepath.Join(folder, "absent.toml"), folder} {
		f, err := Load(path)
		if f != nil || err == nil || !strings.Contains(err.Error(), path) || !strings.Contains(err.Error(), "name ") {
			t.Errorf("Load(%q) gave %v, %v: want an error that names it and says what to do", path, f, err)
		}
		if _, is := errors.AsType[Problems](err); is {
			t.Errorf("Load(%q) gave Problems for what it could not read", path)
		}
	}
	if _, err := Load(filepath.Join(folder, "absent.toml")); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("an absent file gave %v", err)
	}
	large := filepath.Join(folder, "large.toml")
	if err := os.WriteFile(large, make([]byte, maxBytes+1), 0o644); err != nil {
		t.Fatal(err)
	}
	if _, err := Load(large); err == nil || !strings.Contains(err.Error(), "longer than") {
		t.Errorf("a file too large gave %v", err)
	}
}
