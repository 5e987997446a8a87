package drivers_test

import (
	"math"
	"math/big"
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"ovenward/drivers"
)

func TestParseDecimal(t *testing.T) {
	for _, c := range []struct {
		in     string
		mark   byte
		want   drivers.Decimal
		prints string
	}{
		{"0", '.', drivers.Decimal{}, "0"},
		{"1.20", '.', drivers.Decimal{Digits: 120, Exp: -2}, "1.20"},
		{"-0,03", ',', drivers.Decimal{Digits: -3, Exp: -2}, "-0.03"},
		{"+12.5", '.', drivers.Decimal{Digits: 125, Exp: -1}, "12.5"},
		{".5", '.', drivers.Decimal{Digits: 5, Exp: -1}, "0.5"},
		{"5.", '.', drivers.Decimal{Digits: 5}, "5"},
		{"007.50", '.', drivers.Decimal{Digits: 750, Exp: -2}, "7.50"},
		{"0.000", '.', drivers.Decimal{Exp: -3}, "0.000"},
		{"999999999999999999", '.', drivers.Decimal{Digits: 999999999999999999}, "999999999999999999"},
		{"0." + strings.Repeat("0", 127) + "1", '.', drivers.Decimal{Digits: 1, Exp: -128}, "0." + strings.Repeat("0", 127) + "1"},
	} {
		got, err := drivers.ParseDecimal([]byte(c.in), c.mark)
		if err != nil || got != c.want {
			t.Errorf("ParseDecimal(%q, %q) = %+v, %v, want %+v", c.in, c.mark, got, err, c.want)
		}
		if got.String() != c.prints {
			t.Errorf("%+v prints %q, want %q", got, got.String(), c.prints)
		}
	}
}

func TestParseDecimalRefuses(t *testing.T) {
	for _, in := range []string{
		"", "+", "-", ".", "-.", "--1", "+-1", "1-", "1+", " 1", "1 ", "1 2", "1..2", "1.2.3", ".1.", "1,2",
		"1e3", "1E3", "0x10", "1_000", "1'000", "nan", "NaN", "inf", "-Inf", "Infinity", "1\x00", "١",
		"1234567890123456789", "0.1234567890123456789", "0." + strings.Repeat("0", 128) + "1",
	} {
		if d, err := drivers.ParseDecimal([]byte(in), '.'); err == nil {
			t.Errorf("ParseDecimal(%q) = %+v, want an error", in, d)
		}
	}
	if d, err := drivers.ParseDecimal([]byte("1.2"), ','); err == nil {
		t.Errorf("ParseDecimal(1.2) with the mark ',' = %+v, want an error", d)
	}
}

// What stands behind a number does not change it, nor does a minus sign before it, though
// short numbers with something behind them are read another way than others.
func TestLeadingDecimalEndsWhereTheNumberDoes(t *testing.T) {
	const room = 8
	read := 0
	rapid.Check(t, func(t *rapid.T) {
		mark := rapid.SampledFrom([]byte(".,")).Draw(t, "mark")
		for _, number := range rapid.SliceOfN(rapid.StringMatching(`[-+]?([0-9]{1,4}[.,]?[0-9]{0,5}|[0-9.,]{0,10})`), 50, 50).Draw(t, "numbers") {
			said := append([]byte(number), rapid.SliceOfN(rapid.SampledFrom([]byte(" mW/cm2;:/.,-9\x00\x7f\x8a\xb0\xff")), 9, 12).Draw(t, "tail")...)
			got, n := drivers.LeadingDecimal(said, mark)
			want, end := drivers.LeadingDecimal(said[:room], mark)
			if end == room {
				continue // may go on behind it
			}
			if got != want || n != end {
				t.Fatalf("%q begins with %v, %d bytes; alone, with %v, %d bytes", said, got, n, want, end)
			}
			if n == 0 || said[0] == '-' || said[0] == '+' {
				continue
			}
			read++
			want.Digits = -want.Digits
			if got, n := drivers.LeadingDecimal(append([]byte("-"), said...), mark); got != want || n != end+1 {
				t.Fatalf("-%q begins with %v, %d bytes; want %v, %d bytes", said, got, n, want, end+1)
			}
		}
	})
	if read < 1000 {
		t.Errorf("%d numbers: the test looks at nothing", read)
	}
}

// TestFloatRoundsOnce compares with the exact rational over the exponents, also
// those that ParseDecimal never gives.
func TestFloatRoundsOnce(t *testing.T) {
	digits := []int64{0, 1, -1, 3, 7, 1<<53 - 1, 1 << 53, 1<<53 + 1, -(1<<53 + 1), 999999999999999999, math.MaxInt64, math.MinInt64}
	for exp := math.MinInt8; exp <= math.MaxInt8; exp++ {
		for _, n := range digits {
			d := drivers.Decimal{Digits: n, Exp: int8(exp)}
			if got, want := d.Float(), nearest(t, n, exp); got != want {
				t.Errorf("%de%d: Float = %v, want %v", n, exp, got, want)
			}
		}
	}
}

func nearest(t testing.TB, digits int64, exp int) float64 {
	t.Helper()
	r := new(big.Rat).SetInt64(digits)
	ten := new(big.Int).Exp(big.NewInt(10), big.NewInt(int64(max(exp, -exp))), nil)
	if exp < 0 {
		r.Quo(r, new(big.Rat).SetInt(ten))
	} else {
		r.Mul(r, new(big.Rat).SetInt(ten))
	}
	f, _ := r.Float64()
	return f
}

// FuzzParseDecimal holds that what is accepted is a plain number with the value
// that strconv gives, and that it prints as a number that reads the same.
func FuzzParseDecimal(f *testing.F) {
	for _, s := range []string{"1.20", "-0.03", ".5", "5.", "00012.000", "1e3", "nan", "--1", "999999999999999999", "1234567890123456789"} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, in []byte) {
		d, err := drivers.ParseDecimal(in, '.')
		plain := strings.Trim(string(in), "0123456789+-.") == "" && strings.LastIndexAny(string(in), "+-") <= 0
		want, perr := strconv.ParseFloat(string(in), 64)
		if err != nil {
			digits := strings.TrimLeft(strings.NewReplacer("+", "", "-", "", ".", "").Replace(string(in)), "0")
			if plain && perr == nil && len(digits) <= 18 && len(in) < 128 {
				t.Fatalf("ParseDecimal(%q): %v, want %v", in, err, want)
			}
			return
		}
		if !plain || perr != nil || d.Float() != want {
			t.Fatalf("ParseDecimal(%q) = %+v = %v, want %v, %v", in, d, d.Float(), want, perr)
		}
		again, err := drivers.ParseDecimal([]byte(d.String()), '.')
		if err != nil || again != d {
			t.Fatalf("%q prints as %q, which reads as %+v, %v, want %+v", in, d.String(), again, err, d)
		}
	})
}
