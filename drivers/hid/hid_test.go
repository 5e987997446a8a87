package hid

import (
	"encoding/hex"
	"strings"
	"testing"

	"ovenward/drivers"
	"ovenward/drivers/driverstest"
)

func unhex(t testing.TB, s string) []byte {
	t.Helper()
	b, err := hex.DecodeString(strings.ReplaceAll(s, " ", ""))
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func mustNew(t testing.TB, o Options) drivers.Protocol {
	t.Helper()
	p, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// numbered is an invented meter: report 3, a signed number of two bytes at byte 2,
// low byte first, in steps of 0.005 mW/cm².
func numbered() Options {
	return Options{Report: 3, Length: 6, Offset: 2, Width: 2, Signed: true, Scale: drivers.Decimal{Digits: 5, Exp: -3},
		Unit: "mW/cm2", OverRange: []int64{32767}, Fault: []int64{-32768}}
}

func TestParse(t *testing.T) {
	big := numbered()
	big.BigEndian = true
	bare := Options{Report: -1, Offset: 0, Width: 3, Scale: drivers.Decimal{Digits: 1, Exp: -2}, Unit: "W/m2"}
	wide := Options{Report: -1, Width: 8, Scale: drivers.Decimal{Digits: 1}, Unit: "W/m2"}
	signedWide := wide
	signedWide.Signed = true
	for _, c := range []struct {
		name   string
		o      Options
		report string
		want   string // "" is refused
		status drivers.Status
	}{
		{"low byte first", numbered(), "03 00 10 27 00 00", "50.000", 0},
		{"high byte first", big, "03 00 27 10 00 00", "50.000", 0},
		{"below zero", numbered(), "03 00 fe ff 00 00", "-0.010", 0},
		{"zero", numbered(), "03 00 00 00 00 00", "0.000", 0},
		{"over range", numbered(), "03 00 ff 7f 00 00", "-", drivers.OverRange},
		{"fault", numbered(), "03 00 00 80 00 00", "-", drivers.Fault},
		{"too short", numbered(), "03 00 10", "", 0},
		{"too long", numbered(), "03 00 10 27 00 00 00", "", 0},
		{"another report", numbered(), "04 00 10 27 00 00", "", 0},
		{"three bytes, not numbered", bare, "40 e2 01", "1234.56", 0},
		{"any length that reaches", bare, "40 e2 01 99 99", "1234.56", 0},
		{"does not reach", bare, "40 e2", "", 0},
		{"eight bytes", wide, "00 00 64 a7 b3 b6 e0 0d", "", 0}, // 10^18: one digit too many
		{"eight bytes that fit", wide, "ff ff 63 a7 b3 b6 e0 0d", "999999999999999999", 0},
		{"beyond a signed number", wide, "ff ff ff ff ff ff ff ff", "", 0},
		{"eight bytes, signed", signedWide, "ff ff ff ff ff ff ff ff", "-1", 0},
		{"the lowest, signed", signedWide, "00 00 00 00 00 00 00 80", "", 0},
	} {
		r, err := driverstest.Parse(mustNew(t, c.o), unhex(t, c.report))
		got := ""
		switch {
		case err != nil:
		case r.HasValue:
			got = r.Value.String()
		default:
			got = "-"
		}
		if got != c.want || err == nil && (r.Status != c.status || r.Unit != c.o.Unit) {
			t.Errorf("%s: %+v, %v, want %q, status %b", c.name, r, err, c.want, c.status)
		}
	}
}

func TestConformance(t *testing.T) {
	p := mustNew(t, numbered())
	var sent []byte
	for _, report := range []string{"03 00 10 27 00 00", "07 01 02", "03 00 ff 7f 00 00", "03 00", "03 00 01 00 00 00"} {
		sent = Envelope(sent, unhex(t, report))
	}
	want, err := driverstest.Read(p, sent)
	if err != nil {
		t.Fatal(err)
	}
	if len(want) != 4 || want[0].Reading.Value.String() != "50.000" || want[1].Reading.Status != drivers.OverRange ||
		want[2].Refused == "" || want[3].Reading.Value.String() != "0.005" {
		t.Fatalf("read %+v", want)
	}
	driverstest.Conformance(t, p, driverstest.Case{Name: "reports", Sent: sent, Want: want})
}

func TestNewRefuses(t *testing.T) {
	for says, change := range map[string]func(*Options){
		"report: 256": func(o *Options) { o.Report = 256 }, "length: -1": func(o *Options) { o.Length = -1 },
		"width: 9": func(o *Options) { o.Width = 9 }, "offset: 0 is the place": func(o *Options) { o.Offset = 0 },
		"ends after the report": func(o *Options) { o.Offset = 5 }, "scale: 0": func(o *Options) { o.Scale.Digits = 0 },
		"unit: name": func(o *Options) { o.Unit = "" }, "both hold": func(o *Options) { o.Fault = o.OverRange },
		"request: 5000": func(o *Options) { o.Request = make([]byte, 5000) },
	} {
		o := numbered()
		change(&o)
		if _, err := New(o); err == nil || !strings.Contains(err.Error(), says) {
			t.Errorf("New: %v, want %q in it", err, says)
		}
	}
}

func FuzzReports(f *testing.F) {
	p := mustNew(f, numbered())
	f.Add(Envelope(nil, []byte{3, 0, 16, 39, 0, 0}))
	f.Add(Envelope(Envelope(nil, []byte{7}), []byte{3, 0, 255, 127, 0, 0}))
	f.Fuzz(func(t *testing.T, sent []byte) {
		out, err := driverstest.Read(p, sent)
		if err != nil {
			t.Fatal(err)
		}
		for _, o := range out {
			if o.Refused == "" && (len(o.Frame) != 6 || o.Frame[0] != 3) {
				t.Fatalf("a reading from %x", o.Frame)
			}
		}
	})
}
