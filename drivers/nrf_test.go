package drivers_test

import (
	"math"
	"strconv"
	"strings"
	"testing"

	"ovenward/drivers"
)

func TestParseNRf(t *testing.T) {
	for _, c := range []struct {
		in   string
		want drivers.Decimal
		ok   bool
	}{
		{"12", drivers.Decimal{Digits: 12}, true},
		{"+1.20", drivers.Decimal{Digits: 120, Exp: -2}, true},
		{"1.20E-03", drivers.Decimal{Digits: 120, Exp: -5}, true},
		{"-4.5e+2", drivers.Decimal{Digits: -45, Exp: 1}, true},
		{"0.000E+00", drivers.Decimal{Exp: -3}, true},
		{".5E0", drivers.Decimal{Digits: 5, Exp: -1}, true},
		{"5.E1", drivers.Decimal{Digits: 5, Exp: 1}, true},
		// What SCPI-99 says in place of a number that cannot be shown.
		{"9.9E37", drivers.Decimal{Digits: 99, Exp: 36}, true},
		{"9.91E37", drivers.Decimal{Digits: 991, Exp: 35}, true},
		{"-9.90000000E+37", drivers.Decimal{Digits: -990000000, Exp: 29}, true},
		// 22 characters, the longest NR3 of a counter's programming guide.
		{"+1.23456789012345E+012", drivers.Decimal{Digits: 123456789012345, Exp: -2}, true},
		{"1E127", drivers.Decimal{Digits: 1, Exp: 127}, true},
		{"1E-128", drivers.Decimal{Digits: 1, Exp: -128}, true},
		{"1E128", drivers.Decimal{}, false},
		{"1.0E-128", drivers.Decimal{}, false},
		{"1E99999999999999999999", drivers.Decimal{}, false},
		{"1234567890123456789E0", drivers.Decimal{}, false},
		{"", drivers.Decimal{}, false},
		{"E5", drivers.Decimal{}, false},
		{"1E", drivers.Decimal{}, false},
		{"1E+", drivers.Decimal{}, false},
		{"1E5.0", drivers.Decimal{}, false},
		{"1E5E5", drivers.Decimal{}, false},
		{"1 E5", drivers.Decimal{}, false},
		{"9,9E37", drivers.Decimal{}, false},
		{"INF", drivers.Decimal{}, false},
		{"NAN", drivers.Decimal{}, false},
		{"0x1p3", drivers.Decimal{}, false},
	} {
		got, err := drivers.ParseNRf([]byte(c.in))
		if (err == nil) != c.ok || got != c.want {
			t.Errorf("ParseNRf(%q) = %+v, %v, want %+v, %t", c.in, got, err, c.want, c.ok)
		}
	}
}

// FuzzParseNRf holds every accepted number against the standard library, and
// that what is printed of it is read as the same.
func FuzzParseNRf(f *testing.F) {
	for _, s := range []string{"1.20E-03", "9.91E37", "-.5e9", "1E-128", "1_0", "0x1p-3", "1E9999999"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		d, err := drivers.ParseNRf([]byte(s))
		if err != nil {
			return
		}
		if strings.Trim(s, "+-.0123456789eE") != "" {
			t.Fatalf("%q was read as %v", s, d)
		}
		want, err := strconv.ParseFloat(s, 64)
		if got := d.Float(); err != nil || got != want && math.Abs(got-want) > math.SmallestNonzeroFloat64 {
			t.Fatalf("%q was read as %v, want %v (%v)", s, got, want, err)
		}
		if again, err := drivers.ParseNRf([]byte(d.String())); err != nil || again != d {
			t.Fatalf("%q printed as %q, which is read as %+v (%v), want %+v", s, d.String(), again, err, d)
		}
	})
}
