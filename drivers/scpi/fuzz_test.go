package scpi_test

import (
	"math"
	"strconv"
	"strings"
	"testing"

	"ovenward/drivers"
	"ovenward/drivers/driverstest"
	"ovenward/drivers/scpi"
)

// FuzzSplitParse feeds rubbish to every instrument. Split must go on or ask for
// more within its bound, and a reading of a plain list must stand up to a second
// one that is made with the standard library.
func FuzzSplitParse(f *testing.F) {
	f.Add([]byte("READ?\r\nSCPI> 1.20E-03\r\n9.91E37\r\n#12\r\n\r\n"))
	f.Add([]byte("\"EAST, DOOR\",4.12E+00,1.5,1.31,9.9E37,22.5,87\r\n"))
	f.Add([]byte("#2121.23E+00,123\n#12AB\n#13AB\n-113,\"Undefined header;ABCD\"\n"))
	speaks := map[string]drivers.Protocol{}
	for name := range instruments() {
		speaks[name] = instrument(f, name)
	}
	f.Fuzz(func(t *testing.T, sent []byte) {
		for name, p := range speaks {
			out, err := driverstest.Read(p, sent)
			if err != nil {
				t.Fatalf("%s: %v", name, err)
			}
			for _, o := range out {
				if i, ok := p.(drivers.Identified); ok {
					_, _ = i.ParseIdentity([]byte(o.Frame))
				}
				if x, ok := p.(drivers.Troubled); ok {
					_, _ = x.ParseTrouble([]byte(o.Frame))
				}
				if o.Refused == "" {
					checkAgain(t, instruments()[name], o)
				}
			}
		}
	})
}

// checkAgain reads an accepted answer once more, if it is a plain list.
func checkAgain(t *testing.T, o scpi.Options, got driverstest.Outcome) {
	t.Helper()
	r := got.Reading
	if !r.HasValue && r.Status&(drivers.OverRange|drivers.Fault) == 0 {
		t.Fatalf("%+v: nothing says why there is no number", got)
	}
	if len(got.Frame) > 4096 || r.Unit != o.Unit {
		t.Fatalf("%+v was read", got)
	}
	if strings.ContainsAny(got.Frame, `"#`) {
		return // no plain list
	}
	fields := strings.Split(got.Frame, ",")
	if len(fields) != max(o.Columns, 1) {
		t.Fatalf("%+v was read, and has %d values", got, len(fields))
	}
	said := strings.Trim(fields[max(o.ValueColumn, 1)-1], " \t")
	want, err := strconv.ParseFloat(said, 64)
	if err != nil || strings.Trim(said, "+-.0123456789eE") != "" {
		t.Fatalf("%+v was read, and %q is no number", got, said)
	}
	if r.HasValue && r.Value.Float() != want && math.Abs(r.Value.Float()-want) > math.SmallestNonzeroFloat64 {
		t.Fatalf("%+v was read, and %q is %v", got, said, want)
	}
	if !r.HasValue && math.Abs(want) != 9.9e37 && want != 9.91e37 {
		t.Fatalf("%+v was read without a number, and it says %v", got, want)
	}
}
