package scpi_test

import (
	"flag"
	"path/filepath"
	"strings"
	"testing"

	"ovenward/drivers"
	"ovenward/drivers/driverstest"
	"ovenward/drivers/scpi"
)

var update = flag.Bool("update", false, "write the golden files from what the driver makes of the transcripts")

// instruments are the options that go with each transcript.
func instruments() map[string]scpi.Options {
	return map[string]scpi.Options{
		"bench": {Unit: "mW/cm2"},
		"list": {Query: "MEAS:ALL?", Terminator: "\r\n", Columns: 7, ValueColumn: 2, AxisColumns: [3]int{3, 4, 5},
			TemperatureColumn: 6, BatteryColumn: 7, BatteryUnit: "%", Unit: "W/m2", InfinityIsFault: true},
		"block":  {Query: "FETC?", Terminator: "\n", Columns: 2, Unit: "mW/cm2", NotANumberFaults: true, NoErrors: true},
		"return": {Terminator: "\r", Unit: "W/m2", NoIdentity: true, NoErrors: true},
	}
}

func instrument(t testing.TB, name string) drivers.Protocol {
	t.Helper()
	p, err := scpi.New(instruments()[name])
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func TestTranscripts(t *testing.T) {
	paths, err := filepath.Glob("testdata/*.transcript")
	if err != nil || len(paths) != len(instruments()) {
		t.Fatalf("transcripts %q, %v: want one for each of %d instruments", paths, err, len(instruments()))
	}
	for _, path := range paths {
		name := strings.TrimSuffix(filepath.Base(path), ".transcript")
		t.Run(name, func(t *testing.T) {
			p := instrument(t, name)
			driverstest.Conformance(t, p, driverstest.LoadCase(t, p, path, *update))
		})
	}
}

// TestSplit holds the frames found. The blocks are those of a public SCPI
// parser's lexer tests (j123b567/scpi-parser): #12AB is two bytes of data, #13AB
// lacks one, and data may hold a line end.
func TestSplit(t *testing.T) {
	for _, c := range []struct {
		instrument, sent string
		want             []string
	}{
		{"bench", "1.2\n", []string{"1.2"}},
		{"bench", "1.2\r\n\r\n3\r\n", []string{"1.2", "3"}},
		{"bench", "1.2", nil},
		{"bench", "READ?\r\n1.2\r\n", []string{"1.2"}},
		{"bench", "READ? 1.2\n", []string{"1.2"}},
		{"bench", "READ?\r1.2\r\n", []string{"1.2"}},
		{"bench", "READ?1.2\n", []string{"READ?1.2"}},
		{"bench", "read?\n", []string{"read?"}},
		{"bench", "*IDN?\nSYST:ERR?\nREAD?\n", nil},
		{"bench", "> 1.2\n>\n> READ?\n=> 4\nSCPI> 5\nUUT1-> READ?\r6\n", []string{"1.2", "4", "5", "6"}},
		{"bench", "12> 3\n", []string{"12> 3"}},
		{"bench", "#12AB\n", []string{"#12AB"}},
		{"bench", "#13AB\n", nil},
		{"bench", "#13AB\n\n", []string{"#13AB\n"}},
		{"bench", "#12\r\n\r\n7\n", []string{"#12\r\n", "7"}},
		{"bench", "#12A \r\n", []string{"#12A "}},
		{"bench", "> #12\n>\n", []string{"#12\n>"[:5]}},
		{"bench", "1,#12\n\n,#15\n\n\n\n\n,2\n", []string{"1,#12\n\n,#15\n\n\n\n\n,2"}},
		{"bench", "\"#12\",#12\n\n\n", []string{"\"#12\",#12\n\n"}},
		{"bench", "x#19\n1\n", []string{"x#19", "1"}},
		{"bench", "#0AB\n1\n", []string{"#0AB", "1"}},
		{"bench", "#A\n1\n", []string{"#A", "1"}},
		{"bench", "#9999999999\n1\n", []string{"#9999999999", "1"}},
		{"bench", "#44097\n1\n", []string{"#44097", "1"}},
		{"return", "1.2\r\n3\r", []string{"1.2", "3"}},
		{"return", "READ?\r1\r", []string{"1"}},
	} {
		out, err := driverstest.Read(instrument(t, c.instrument), []byte(c.sent))
		if err != nil {
			t.Errorf("%s, %q: %v", c.instrument, c.sent, err)
		}
		var got []string
		for _, o := range out {
			got = append(got, o.Frame)
		}
		if strings.Join(got, "|") != strings.Join(c.want, "|") {
			t.Errorf("%s, %q: frames %q, want %q", c.instrument, c.sent, got, c.want)
		}
	}
}

// parsed is what a frame is read as.
type parsed struct {
	instrument, frame string
	want              drivers.Reading
	refused           string // in the error; "" = a reading
}

func (c parsed) try(t *testing.T) {
	t.Run(c.instrument+" "+c.frame[:min(len(c.frame), 40)], func(t *testing.T) {
		got, err := driverstest.Parse(instrument(t, c.instrument), []byte(c.frame))
		switch {
		case c.refused == "" && (err != nil || got != c.want):
			t.Errorf("Parse(%q) =\n%+v, %v, want\n%+v", c.frame, got, err, c.want)
		case c.refused != "" && (err == nil || !strings.Contains(err.Error(), c.refused)):
			t.Errorf("Parse(%q) = %+v, %v, want an error with %q", c.frame, got, err, c.refused)
		case c.refused != "" && len(err.Error()) > 300:
			t.Errorf("Parse(%q): an error of %d bytes, want it short", c.frame, len(err.Error()))
		}
	})
}

func TestParse(t *testing.T) {
	is := func(digits int64, exp int8, unit string) drivers.Reading {
		return drivers.Reading{Value: drivers.Decimal{Digits: digits, Exp: exp}, HasValue: true, Unit: unit}
	}
	no := func(unit string, s drivers.Status) drivers.Reading { return drivers.Reading{Unit: unit, Status: s} }
	full := drivers.Reading{Unit: "W/m2", HasValue: true, Value: drivers.Decimal{Digits: 1234, Exp: -2},
		Axes:    [3]drivers.Decimal{{Digits: 5, Exp: 0}, {Digits: 6, Exp: 0}, {Digits: 70, Exp: -1}},
		HasAxes: true, Temperature: drivers.Decimal{Digits: 225, Exp: -1}, HasTemp: true,
		Battery: drivers.Decimal{Digits: 87}, BatteryUnit: "%"}
	hot := full
	hot.Status, hot.HasAxes, hot.Axes = drivers.OverRange, false, [3]drivers.Decimal{}
	hot.HasTemp, hot.Temperature, hot.BatteryUnit, hot.Battery = false, drivers.Decimal{}, "", drivers.Decimal{}
	for _, c := range []parsed{
		{"bench", "12", is(12, 0, "mW/cm2"), ""},
		{"bench", "+1.20", is(120, -2, "mW/cm2"), ""},
		{"bench", " -1.20E-03 ", is(-120, -5, "mW/cm2"), ""},
		// SCPI-99 7.2.1.4 and 7.2.1.5 as bench instruments' programming guides
		// cite it: +9.9E37 infinity, -9.9E37 its negative, 9.91E37 not a number.
		{"bench", "9.9E37", no("mW/cm2", drivers.OverRange), ""},
		{"bench", "+9.900000E+37", no("mW/cm2", drivers.OverRange), ""},
		{"bench", "99E36", no("mW/cm2", drivers.OverRange), ""},
		{"bench", "9.91E37", no("mW/cm2", drivers.OverRange), ""},
		{"bench", "+9.91000E+37", no("mW/cm2", drivers.OverRange), ""},
		{"bench", "-9.9E37", no("mW/cm2", drivers.Fault), ""},
		{"bench", "9.90001E37", is(990001, 32, "mW/cm2"), ""},
		{"bench", "-9.91E37", is(-991, 35, "mW/cm2"), ""},
		{"bench", "9,9E37", no("", 0), "2 values, want 1"},
		{"bench", "1E128", no("", 0), "or too large"},
		{"bench", "INF", no("", 0), `value "INF"`},
		{"bench", "1.2 mW", no("", 0), `value "1.2 mW"`},
		{"bench", "", no("", 0), `value ""`},
		{"bench", "1.2\x00", no("", 0), `value "1.2\x00"`},
		{"bench", strings.Repeat("1", 4097), no("", 0), "longer than 4096"},
		{"bench", "#141.20", is(120, -2, "mW/cm2"), ""},
		{"bench", "#161.20\r\n", is(120, -2, "mW/cm2"), ""},
		{"bench", "#151.20", no("", 0), "the block is cut"},
		{"bench", "#131.20", no("", 0), "1 bytes follow the block"},
		{"bench", "#141.\x002", no("", 0), "binary data"},
		{"bench", "#01.20", no("", 0), "no block with a length"},
		{"list", `"CH1",12.34,5,6,7.0,22.5,87`, full, ""},
		{"list", `"a,b" , 12.34 , 5 , 6 , 7.0 , 22.5 , 87`, full, ""},
		{"list", "#13,,,,12.34,5,6,7.0,22.5,87", full, ""},
		{"list", `0,12.34,5,9.91E37,7.0,9.91E37,9.91E37`, hot, ""},
		{"list", `0,12.34,5,6,7.0,22.5`, no("", 0), "6 values, want 7"},
		{"list", `"CH1,12.34,5,6,7.0,22.5,87`, no("", 0), "the string does not end"},
		{"list", `0,#29,5,6,7.0,22.5,87`, no("", 0), "the block is cut, or has no length"},
		{"list", `0,9.9E37,5,6,7,22.5,87`, drivers.Reading{Unit: "W/m2", Status: drivers.Fault,
			Axes:    [3]drivers.Decimal{{Digits: 5}, {Digits: 6}, {Digits: 7}},
			HasAxes: true, Temperature: drivers.Decimal{Digits: 225, Exp: -1}, HasTemp: true,
			Battery: drivers.Decimal{Digits: 87}, BatteryUnit: "%"}, ""},
		{"block", "9.91E37,1", no("mW/cm2", drivers.Fault), ""},
		{"block", "#171.20,x\n", is(120, -2, "mW/cm2"), ""},
	} {
		c.try(t)
	}
}

func TestParseIdentity(t *testing.T) {
	p := instrument(t, "bench").(drivers.Identified)
	if got := string(p.IdentityRequest()); got != "*IDN?\n" {
		t.Errorf("asks %q", got)
	}
	for said, want := range map[string]drivers.Identity{
		"Larkfield,FM-2,LH0417,1.02":              {Maker: "Larkfield", Model: "FM-2", Serial: "LH0417", Firmware: "1.02"},
		" Larkfield , FM-2 ,0,0":                  {Maker: "Larkfield", Model: "FM-2", Serial: "0", Firmware: "0"},
		`"Larkfield","FM-2","LH0417","1.02"`:      {Maker: "Larkfield", Model: "FM-2", Serial: "LH0417", Firmware: "1.02"},
		"Larkfield,FM-2,LH0417,boot 1.0,main 2.1": {Maker: "Larkfield", Model: "FM-2", Serial: "LH0417", Firmware: "boot 1.0,main 2.1"},
	} {
		if got, err := p.ParseIdentity([]byte(said)); err != nil || got != want {
			t.Errorf("ParseIdentity(%q) = %+v, %v, want %+v", said, got, err, want)
		}
	}
	for said, want := range map[string]string{
		"1.20":                "has 1 fields",
		"Larkfield,FM-2,1":    "has 3 fields",
		"1.2E-3,4,5,6":        "names no maker",
		",,1,2":               "names no maker",
		"Lark\xfffield,a,b,c": "plain ASCII",
		"":                    "has 1 fields",
	} {
		if got, err := p.ParseIdentity([]byte(said)); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("ParseIdentity(%q) = %+v, %v, want an error with %q", said, got, err, want)
		}
	}
}

// TestParseTrouble reads entries of a public SCPI parser's tests (j123b567/
// scpi-parser): the empty list, an unknown header, and the list's overflow.
func TestParseTrouble(t *testing.T) {
	p := instrument(t, "bench").(drivers.Troubled)
	if got := string(p.TroubleRequest()); got != "SYST:ERR?\n" {
		t.Errorf("asks %q", got)
	}
	for said, want := range map[string]string{
		`0,"No error"`:                      "",
		`+0,"No error"`:                     "",
		`-113,"Undefined header;ABCD"`:      "-113, Undefined header;ABCD",
		`-350,"Queue overflow"`:             "-350, Queue overflow",
		`-222, "Data out of range"`:         "-222, Data out of range",
		`-310,"System error;code ""7"", x"`: `-310, System error;code "7", x`,
		"101,\"a\x00b\xff\"":                "101, a?b?",
	} {
		if got, err := p.ParseTrouble([]byte(said)); err != nil || got != want {
			t.Errorf("ParseTrouble(%q) = %q, %v, want %q", said, got, err, want)
		}
	}
	for said, want := range map[string]string{
		"1.20":         "no whole number",
		`1.0,"a"`:      "no whole number",
		"1,2":          "no string",
		`0,"No error`:  "no string",
		`0,"`:          "no string",
		"":             "no whole number",
		`x,"No error"`: "no whole number",
	} {
		if got, err := p.ParseTrouble([]byte(said)); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("ParseTrouble(%q) = %q, %v, want an error with %q", said, got, err, want)
		}
	}
}

// TestWhatIsNotAsked holds that an instrument is not asked what the options say
// it does not know.
func TestWhatIsNotAsked(t *testing.T) {
	for _, c := range []struct{ noIdentity, noErrors bool }{{false, false}, {false, true}, {true, false}, {true, true}} {
		p, err := scpi.New(scpi.Options{Unit: "W/m2", NoIdentity: c.noIdentity, NoErrors: c.noErrors})
		if err != nil {
			t.Fatal(err)
		}
		_, identified := p.(drivers.Identified)
		_, troubled := p.(drivers.Troubled)
		if identified == c.noIdentity || troubled == c.noErrors || string(p.Request()) != "READ?\n" {
			t.Errorf("%+v: identity %t, errors %t, asks %q", c, identified, troubled, p.Request())
		}
	}
}

func TestNewRefuses(t *testing.T) {
	good := scpi.Options{Unit: "W/m2"}
	for name, c := range map[string]struct {
		change func(o *scpi.Options)
		want   string
	}{
		"no unit":          {func(o *scpi.Options) { o.Unit = "" }, "unit: name"},
		"terminator":       {func(o *scpi.Options) { o.Terminator = ";" }, `terminator: ";"`},
		"query's end":      {func(o *scpi.Options) { o.Query = "READ?\r\n" }, "query: "},
		"query, command":   {func(o *scpi.Options) { o.Query = "INIT" }, "asks nothing"},
		"long query":       {func(o *scpi.Options) { o.Query = strings.Repeat("A", 256) + "?" }, "query: 257 bytes"},
		"two axes":         {func(o *scpi.Options) { o.AxisColumns = [3]int{2, 3, 0} }, "axes: 2 columns"},
		"axis is value":    {func(o *scpi.Options) { o.AxisColumns = [3]int{2, 3, 1} }, "axes: column 1 is the column of value"},
		"battery, no unit": {func(o *scpi.Options) { o.BatteryColumn = 2 }, "battery_unit"},
		"battery unit":     {func(o *scpi.Options) { o.BatteryColumn, o.BatteryUnit = 2, "mV" }, "battery_unit"},
		"few columns":      {func(o *scpi.Options) { o.Columns, o.TemperatureColumn = 2, 3 }, "temperature: column 3, but columns says that there are 2"},
		"far column":       {func(o *scpi.Options) { o.ValueColumn = 65 }, "value: column 65"},
		"below 1":          {func(o *scpi.Options) { o.TemperatureColumn = -1 }, "temperature: column -1"},
	} {
		o := good
		c.change(&o)
		if _, err := scpi.New(o); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v, want an error with %q", name, err, c.want)
		}
	}
}
