package config

import (
	"slices"
	"strings"
	"testing"
	"time"
)

func TestTrial(t *testing.T) {
	tr := Trial{Driver: "textline", Port: "/dev/ttyUSB0", Set: []string{
		"baud=115200", `query=READ?\r\n`, "value=1", "unit=mW/cm2", `poll="200 ms"`, "textline.terminator=\\r\\n", "settle=2 s"}}
	p, block, err := tr.Read()
	if err != nil {
		t.Fatal(err)
	}
	x := p.Textline
	if p.Serial.Baud != 115200 || p.Poll != 200*time.Millisecond || p.Serial.Settle != 2*time.Second ||
		x.Query != "READ?\r\n" || x.Terminator != "\r\n" || x.Value != 1 || x.FixedUnit != "mW/cm2" {
		t.Errorf("probe %+v, textline %+v", p, x)
	}
	// What is suggested is a file's part that does the same.
	again, err := Parse("suggested.toml", []byte(`
[site]
name = "s"
[[limit]]
id = "l"
value = "5 mW/cm2"
distance = "50 mm"
basis = "emission in use"
source = "21 CFR 1030.10(c)(1)"
[[oven]]
id = "o"
place = "p"
frequency = "2450 MHz"
limit = "l"
`+block+`
[[post]]
id = "p"
oven = "o"
probe = "trial"
distance = "50 mm"
`))
	if err != nil {
		t.Fatalf("%v\n%s", err, block)
	}
	if got := again.Probes[0]; *got.Textline.query() != *x.query() || got.Serial.Baud != 115200 {
		t.Errorf("the block comes to %+v", got)
	}
	// And the settings kept of it do the same again.
	third, _, err := Trial{Driver: p.Driver, Port: p.Port, Set: p.Set}.Read()
	if err != nil || *third.Textline.query() != *x.query() || !slices.Equal(third.Set, p.Set) {
		t.Errorf("%q come to %+v, %v", p.Set, third, err)
	}
}

// query is what of a textline can be compared.
func (x *Textline) query() *[4]string {
	return &[4]string{x.Query, x.Terminator, x.Separator, x.FixedUnit}
}

func TestTrialRefuses(t *testing.T) {
	for _, c := range []struct {
		tr   Trial
		says []string
	}{
		{Trial{"textline", "/dev/ttyUSB0", []string{"value=1", "unit=mW/cm2", "querry=R"}},
			[]string{`--set querry: unknown key "querry"; did you mean "query"?`}},
		{Trial{"textline", "/dev/ttyUSB0", []string{"value=1", "unit=furlong", "query=R", "baud=fast"}},
			[]string{`--set baud: "fast" is text`, `--set unit: "furlong" is no unit known here`}},
		{Trial{"textlin", "/dev/ttyUSB0", nil}, []string{`--driver=textlin is not known: use textline, `}},
		{Trial{"textline", "usb:12", nil}, []string{`--port: "12" is no USB identity`, "--driver=textline: value is missing"}},
		{Trial{"textline", "/dev/ttyUSB0", []string{"value"}}, []string{"--set value: write --set key=value"}},
		{Trial{"textline", "/dev/ttyUSB0", []string{"value=1", "value=2", "unit=mW/cm2", "query=R"}}, []string{"--set value: not valid TOML"}},
		{Trial{"textline", "/dev/ttyUSB0", []string{"poll=1", "value=1", "unit=mW/cm2", "query=R"}}, []string{"--set poll: 1 is a bare number"}},
	} {
		_, _, err := c.tr.Read()
		for _, says := range c.says {
			if err == nil || !strings.Contains(err.Error(), says) {
				t.Errorf("%+v: %v\nwant %q in it", c.tr, err, says)
			}
		}
	}
}

func TestTOMLValue(t *testing.T) {
	for in, want := range map[string]string{
		"1": "1", "true": "true", `"a"`: `"a"`, `["OK", ""]`: `["OK", ""]`, "mW/cm2": `"mW/cm2"`, `READ?\r\n`: `"READ?\r\n"`,
		`a\b\c`: `"a\\b\\c"`, `a\q`: `"a\\q"`, // neither \c nor \q is an escape
		`say "x"`: `"say \"x\""`, "": `""`, "1 # one": `"1 # one"`, "1\ny = 2": `"1\ny = 2"`,
	} {
		if got := tomlValue(in); got != want {
			t.Errorf("tomlValue(%q) = %s, want %s", in, got, want)
		}
	}
}

func FuzzTrial(f *testing.F) {
	f.Add("textline", "/dev/ttyUSB0", "value=1", `query=R\n`)
	f.Add("hid", "hidraw:/dev/hidraw0", "scale=0.1", "report=3")
	f.Fuzz(func(t *testing.T, driver, port, a, b string) {
		p, block, err := Trial{driver, port, []string{a, b}}.Read()
		if err == nil && (p.Port != port || !strings.Contains(block, "[[probe]]")) {
			t.Fatalf("%+v from %q", p, block)
		}
	})
}
