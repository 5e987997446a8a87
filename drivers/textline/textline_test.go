package textline_test

import (
	"flag"
	"path/filepath"
	"strings"
	"testing"

	"ovenward/drivers"
	"ovenward/drivers/driverstest"
	"ovenward/drivers/textline"
)

var update = flag.Bool("update", false, "write the golden files from what the driver makes of the transcripts")

// languages are the options that go with each transcript.
func languages() map[string]textline.Options {
	return map[string]textline.Options{
		"polled": {
			Query: "MEAS?\r\n", ValueColumn: 1, UnitColumn: 2, StatusColumn: 3, Units: []string{"mW/cm2"},
			OK: []string{"OK"}, OverRange: []string{"OVER"}, BatteryLow: []string{"BATT"}, Fault: []string{"FAIL"},
		},
		"streaming": {
			DecimalMark: ',', Separator: ";", ValueColumn: 2, UnitColumn: 3, StatusColumn: 4, Units: []string{"W/m2"},
			OK: []string{""}, OverRange: []string{"O"}, BatteryLow: []string{"B"}, Fault: []string{"F", "ERR"},
		},
		"pattern": {
			Query: "R\r", Terminator: "\r",
			Pattern: `probe \d+: S = (?P<value>\S+)(?: (?P<unit>[^ (]+))? \(axis [XYZ]\), state=(?P<status>[a-z ]*)`,
			Unit:    "mW/cm2", Units: []string{"mW/cm2"},
			OK: []string{"normal"}, OverRange: []string{"above range", "+++"}, BatteryLow: []string{"change cells"},
			Fault: []string{"sensor open"},
		},
		"bare": {
			Query: "?", ValueColumn: 1, Unit: "W/m2", OverRange: []string{"OL"}, Fault: []string{"E01"},
		},
		"axes": {
			Query: "ALL?\r", Separator: ";", ValueColumn: 4, UnitColumn: 5, StatusColumn: 6, Units: []string{"mW/cm2"},
			OK: []string{"OK"}, OverRange: []string{"OVER"}, BatteryLow: []string{"BATT"}, Fault: []string{"FAIL"},
			More: textline.More{AxisColumns: [3]int{1, 2, 3}, TemperatureColumn: 7, BatteryColumn: 8, BatteryUnit: "V"},
		},
		"hex": {
			Separator: ",", Unit: "mW/cm2", OverRange: []string{"7FFF"},
			More: textline.More{AxisColumns: [3]int{1, 2, 3}, BatteryColumn: 4, BatteryUnit: "mV", Number: "signed hex", Scale: "0.01",
				Checksum: textline.Checksum{Name: "sum", Mark: "*", From: "$"}},
		},
		"crc": {
			Query:   "S?\r\n",
			Pattern: `S=(?P<value>\S+) (?P<unit>\S+)(?: T=(?P<temperature>[-0-9.]+)F)?(?: B=(?P<battery>\d+)%)?`,
			Units:   []string{"mW/cm2"}, OverRange: []string{"+++"},
			More: textline.More{TemperatureUnit: "°F", BatteryUnit: "%",
				Checksum: textline.Checksum{Name: "crc-16/modbus", Mark: " ", WithMark: true}},
		},
	}
}

func language(t testing.TB, name string) drivers.Protocol {
	t.Helper()
	p, err := textline.New(languages()[name])
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func TestTranscripts(t *testing.T) {
	paths, err := filepath.Glob("testdata/*.transcript")
	if err != nil || len(paths) != len(languages()) {
		t.Fatalf("transcripts %q, %v: want one for each of %d languages", paths, err, len(languages()))
	}
	for _, path := range paths {
		name := strings.TrimSuffix(filepath.Base(path), ".transcript")
		t.Run(name, func(t *testing.T) {
			p := language(t, name)
			driverstest.Conformance(t, p, driverstest.LoadCase(t, p, path, *update))
		})
	}
}

// parsed is what a line is read as.
type parsed struct {
	language, line string
	want           drivers.Reading
	refused        string // in the error; "" = a reading
}

func (c parsed) try(t *testing.T) {
	t.Run(c.language+" "+c.line[:min(len(c.line), 40)], func(t *testing.T) {
		got, err := driverstest.Parse(language(t, c.language), []byte(c.line))
		switch {
		case c.refused == "" && (err != nil || got != c.want):
			t.Errorf("Parse(%q) = %+v, %v, want %+v", c.line, got, err, c.want)
		case c.refused != "" && (err == nil || !strings.Contains(err.Error(), c.refused)):
			t.Errorf("Parse(%q) = %+v, %v, want an error with %q", c.line, got, err, c.refused)
		case c.refused != "" && len(err.Error()) > 300:
			t.Errorf("Parse(%q): an error of %d bytes, want it short", c.line, len(err.Error()))
		}
	})
}

func TestParse(t *testing.T) {
	is := func(digits int64, exp int8, unit string, s drivers.Status) drivers.Reading {
		return drivers.Reading{Value: drivers.Decimal{Digits: digits, Exp: exp}, HasValue: true, Unit: unit, Status: s}
	}
	no := func(unit string, s drivers.Status) drivers.Reading { return drivers.Reading{Unit: unit, Status: s} }
	for _, c := range []parsed{
		{"polled", "1.20 mW/cm2 OK", is(120, -2, "mW/cm2", 0), ""},
		{"polled", "\t-.5  mW/cm2\tOK ", is(-5, -1, "mW/cm2", 0), ""},
		{"polled", "20.00 mW/cm2 OVER", is(2000, -2, "mW/cm2", drivers.OverRange), ""},
		{"polled", "OVER mW/cm2 OK", no("mW/cm2", drivers.OverRange), ""},
		{"polled", "OVER mW/cm2 FAIL", no("mW/cm2", drivers.OverRange|drivers.Fault), ""},
		{"polled", "OVER", no("", drivers.OverRange), ""},
		{"polled", "FAIL mW/cm2 BATT", no("mW/cm2", drivers.Fault|drivers.BatteryLow), ""},
		{"polled", "OVER mW/cm2", drivers.Reading{Unit: "mW/cm2", Status: drivers.OverRange}, "2 columns, want 3"},
		{"polled", "1.20 mW/cm2 ok", no("", 0), `status "ok"`},
		{"polled", "1.20 mW/cm2 OK?", no("", 0), `status "OK?"`},
		{"polled", "BATT mW/cm2 BATT", no("", 0), `value "BATT"`},
		{"polled", "OK mW/cm2 OK", no("", 0), `value "OK"`},
		{"polled", "1.20 mw/cm2 OK", no("", 0), `unit "mw/cm2"`},
		{"polled", "OVER V/m OVER", no("", 0), `unit "V/m"`},
		{"polled", "1.20 mW/cm2 OK 1", no("", 0), "4 columns, want 3"},
		{"polled", "1.20", no("", 0), "1 columns, want 3"},
		{"polled", "", no("", 0), "columns"},
		{"polled", "Infinity mW/cm2 OK", no("", 0), `value "Infinity"`},
		{"polled", "1,20 mW/cm2 OK", no("", 0), `value "1,20"`},
		{"polled", "1.20 mW/cm\xb2 OK", no("", 0), "not UTF-8"},
		{"polled", "1.20 mW/cm2 OK\x00", no("", 0), `status "OK\x00"`},
		{"polled", "1.20 mW/cm2 OK" + strings.Repeat(" ", 500), no("", 0), "longer than 512 bytes"},
		{"polled", strings.Repeat("9", 100) + " mW/cm2 OK", no("", 0), "and 60 bytes more"},
		{"streaming", "1;12,40;W/m2;", is(1240, -2, "W/m2", 0), ""},
		{"streaming", " 1 ; 12,40 ; W/m2 ; B ", is(1240, -2, "W/m2", drivers.BatteryLow), ""},
		{"streaming", "1;;;O", no("", drivers.OverRange), ""},
		{"streaming", "1;;W/m2;B", no("", 0), "value is empty"},
		{"streaming", "1;12,40;;", no("", 0), `unit ""`},
		{"streaming", "1;12,40;W/m2", no("", 0), "3 columns, want 4"},
		{"streaming", "1;12,40;W/m2;;", no("", 0), "5 columns, want 4"},
		{"streaming", "1;12,40,1;W/m2;", no("", 0), `value "12,40,1"`},
		{"pattern", "probe 3: S = 5.3 (axis Y), state=normal", is(53, -1, "mW/cm2", 0), ""},
		{"pattern", "xprobe 3: S = 5.3 (axis Y), state=normal", no("", 0), "does not match the pattern"},
		{"pattern", "probe 3: S = 5.3 (axis Y), state=normal\n", no("", 0), "does not match the pattern"},
		{"bare", "OL", no("W/m2", drivers.OverRange), ""},
		{"bare", "E01", no("W/m2", drivers.Fault), ""},
		{"bare", "E02", no("", 0), `value "E02"`},
	} {
		c.try(t)
	}
}

// TestSplitTail holds that the end of an over-long run never passes for a line,
// wherever the run is cut.
func TestSplitTail(t *testing.T) {
	for _, name := range []string{"polled", "bare"} {
		p := language(t, name)
		line := map[string]string{"polled": "1.20 mW/cm2 OK\r\n", "bare": "1.20\r\n"}[name]
		for n := 500; n < 1700; n++ {
			for _, stuck := range []string{"U", " "} {
				out, err := driverstest.Read(p, []byte("U"+strings.Repeat(stuck, n)+line+line))
				if err != nil {
					t.Fatal(err)
				}
				last := out[len(out)-1]
				if !last.Reading.HasValue {
					t.Fatalf("%s, %d bytes of %q: the line after the run: %+v, want a reading", name, n, stuck, last)
				}
				for _, o := range out[:len(out)-1] {
					if o.Refused == "" {
						t.Fatalf("%s, %d bytes of %q: %+v was read from the run", name, n, stuck, o)
					}
				}
			}
		}
	}
}

func TestNewRefuses(t *testing.T) {
	good := textline.Options{ValueColumn: 1, Unit: "W/m2"}
	for name, c := range map[string]struct {
		change func(o *textline.Options)
		want   []string
	}{
		"nothing":             {func(o *textline.Options) { *o = textline.Options{} }, []string{"value:", "unit:"}},
		"terminator":          {func(o *textline.Options) { o.Terminator = "0" }, []string{`terminator "0"`}},
		"long terminator":     {func(o *textline.Options) { o.Terminator = "\r\n\r\n\r\n\r\n\r" }, []string{"terminator: 9 bytes"}},
		"query":               {func(o *textline.Options) { o.Query = strings.Repeat("?", 513) }, []string{"query: 513 bytes"}},
		"decimal":             {func(o *textline.Options) { o.DecimalMark = ';' }, []string{`decimal ";"`}},
		"separator, mark":     {func(o *textline.Options) { o.Separator, o.DecimalMark = ",", ',' }, []string{`separator ","`}},
		"separator, sign":     {func(o *textline.Options) { o.Separator = "-" }, []string{`separator "-"`}},
		"separator, end":      {func(o *textline.Options) { o.Separator = "\n" }, []string{`separator "\n"`}},
		"columns":             {func(o *textline.Options) { o.UnitColumn, o.Unit, o.Units = 1, "", []string{"W/m2"} }, []string{"unit: column 1 is the column of value"}},
		"far column":          {func(o *textline.Options) { o.ValueColumn = 65 }, []string{"value: column 65"}},
		"status below 1":      {func(o *textline.Options) { o.StatusColumn = -1 }, []string{"status: column -1"}},
		"status, no ok":       {func(o *textline.Options) { o.StatusColumn = 2 }, []string{"ok: list"}},
		"ok, no status":       {func(o *textline.Options) { o.OK = []string{"OK"} }, []string{"ok: the line says no status"}},
		"battery, no status":  {func(o *textline.Options) { o.BatteryLow = []string{"B"} }, []string{"battery_low: the line"}},
		"two units":           {func(o *textline.Options) { o.UnitColumn, o.Units = 2, []string{"W/m2"} }, []string{"unit: named and said"}},
		"no units":            {func(o *textline.Options) { o.UnitColumn, o.Unit = 2, "" }, []string{"units: list"}},
		"idle units":          {func(o *textline.Options) { o.Units = []string{"W/m2"} }, []string{"units: the line does not"}},
		"pattern":             {func(o *textline.Options) { o.ValueColumn, o.Pattern = 0, "(" }, []string{"pattern: ", "`(`"}},
		"pattern and columns": {func(o *textline.Options) { o.Pattern = "(?P<value>.*)" }, []string{"pattern: takes the place"}},
		"pattern, no value":   {func(o *textline.Options) { o.ValueColumn, o.Pattern = 0, "(.*)" }, []string{"pattern: no group is named value"}},
		"pattern, other name": {func(o *textline.Options) { o.ValueColumn, o.Pattern = 0, "(?P<value>.)(?P<stat>.)" }, []string{`pattern: group "stat"`}},
		"over_range twice":    {func(o *textline.Options) { o.OverRange = []string{"OL", "OL"} }, []string{`over_range: "OL" is listed twice`}},
		"fault too":           {func(o *textline.Options) { o.OverRange, o.Fault = []string{"OL"}, []string{"OL"} }, []string{`fault: "OL" is listed in over_range too`}},
		"fault, blanks":       {func(o *textline.Options) { o.Fault = []string{" F"} }, []string{"fault: \" F\" has blanks"}},
		"fault, two words":    {func(o *textline.Options) { o.Fault = []string{"NO PROBE"} }, []string{`fault: "NO PROBE" holds a blank`}},
		"fault, nothing":      {func(o *textline.Options) { o.Fault = []string{""} }, []string{`fault: ""`}},
		"all at once": {func(o *textline.Options) {
			*o = textline.Options{DecimalMark: '!', Separator: "7", OverRange: []string{""}}
		}, []string{"decimal", "separator", "value", "unit", "over_range"}},
	} {
		t.Run(name, func(t *testing.T) {
			o := good
			c.change(&o)
			_, err := textline.New(o)
			if err == nil {
				t.Fatalf("New(%+v) gave no error", o)
			}
			for _, want := range c.want {
				if !strings.Contains(err.Error(), want) {
					t.Errorf("error %q, want %q in it", err, want)
				}
			}
		})
	}
}

// TestOptionsAreCopied holds that a protocol does not change when the options
// it was made of do.
func TestOptionsAreCopied(t *testing.T) {
	o := languages()["polled"]
	p, err := textline.New(o)
	if err != nil {
		t.Fatal(err)
	}
	o.Units[0], o.OK[0] = "V/m", "NO"
	if _, err := driverstest.Parse(p, []byte("1.20 mW/cm2 OK")); err != nil {
		t.Error(err)
	}
}

func TestColumnsDoNotAllocate(t *testing.T) {
	for name, line := range map[string]string{
		"axes":   "1.20;0.31;-0.02;1.24;mW/cm2;OK;31.5;3.71\r\n",
		"polled": "1.20 mW/cm2 OK\r\n", "streaming": "1;12,40;W/m2;B\n", "bare": "+12.5\n",
	} {
		p, stream := language(t, name), []byte(line)
		var r drivers.Reading
		allocs := testing.AllocsPerRun(1000, func() {
			_, frame := p.Split(stream)
			if err := p.Parse(frame, &r); err != nil || !r.HasValue {
				t.Fatalf("Parse(%q) = %+v, %v", frame, r, err)
			}
		})
		if allocs != 0 {
			t.Errorf("%s: %v allocations a line, want none", name, allocs)
		}
	}
}
