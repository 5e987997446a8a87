package quantity

import (
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"
)

// split cuts "1.5e3 mW/cm2" into its decimal number and what follows. A text
// that does not start with a plain decimal number is refused: signs, digits, one
// point and an exponent count; infinities, not-a-number, hexadecimal digits,
// commas and digit grouping do not. example is a text that would be right.
func split(s, example string) (number, unit string, err error) {
	text := strings.Replace(strings.TrimSpace(s), "−", "-", 1)
	n := numberLen(text)
	if n == 0 {
		if isNotFinite(text) {
			return "", "", fmt.Errorf("%s is not a finite number: write for example %q", quote(s), example)
		}
		return "", "", fmt.Errorf("%s does not start with a number: write for example %q", quote(s), example)
	}
	number, unit = text[:n], strings.TrimSpace(text[n:])
	switch {
	case unit == "":
		return "", "", fmt.Errorf("%s has no unit: write for example %q", quote(s), withNumber(number, example))
	case unit[0] == ',':
		return "", "", fmt.Errorf("%s holds a comma: write the decimal mark as a point and group no digits, for example %q",
			quote(s), example)
	}
	return number, unit, nil
}

// numberLen returns the length of the decimal number s starts with, or 0.
func numberLen(s string) int {
	i := 0
	digits := func() int {
		from := i
		for i < len(s) && '0' <= s[i] && s[i] <= '9' {
			i++
		}
		return i - from
	}
	if i < len(s) && (s[i] == '+' || s[i] == '-') {
		i++
	}
	n := digits()
	if i < len(s) && s[i] == '.' {
		i++
		n += digits()
	}
	if n == 0 {
		return 0
	}
	end := i
	if i < len(s) && (s[i] == 'e' || s[i] == 'E') {
		i++
		if i < len(s) && (s[i] == '+' || s[i] == '-') {
			i++
		}
		if digits() > 0 {
			end = i
		}
	}
	return end
}

// isNotFinite reports whether s starts with a word for infinity or not-a-number.
func isNotFinite(s string) bool {
	s = strings.ToLower(strings.TrimLeft(s, "+-"))
	return strings.HasPrefix(s, "inf") || strings.HasPrefix(s, "nan") || strings.HasPrefix(s, "∞")
}

var (
	errTooLarge = errors.New("is too large for any quantity here")
	errTooSmall = errors.New("is too small to tell from zero")
)

// decimal returns the float64 nearest to number·10^exp, rounded once. The
// exponent is shifted in the text, so a change of unit costs no digit.
func decimal(number string, exp int) (float64, error) {
	mantissa, tail, found := strings.Cut(strings.ToLower(number), "e")
	if found {
		e, err := strconv.Atoi(tail)
		switch {
		case err != nil && tail[0] == '-', e < -1e6:
			e = -1e6 // beyond anything a float64 holds, and short of overflow below
		case err != nil, e > 1e6:
			e = 1e6
		}
		exp += e
	}
	x, err := strconv.ParseFloat(mantissa+"e"+strconv.Itoa(exp), 64)
	switch {
	case err != nil:
		return 0, errTooLarge
	case x == 0 && strings.ContainsAny(mantissa, "123456789"):
		return 0, errTooSmall
	}
	return x, nil
}

// quote prints what was written, cut to a length that leaves a message readable.
func quote(s string) string {
	const most = 60
	if r := []rune(s); len(r) > most {
		s = string(r[:most]) + "…"
	}
	return strconv.Quote(s)
}

// withNumber puts number in place of the number in example.
func withNumber(number, example string) string {
	if len(number) > 20 {
		return example
	}
	return number + example[numberLen(example):]
}

// render prints x·10^shift to sig significant digits, or, when sig is 0, to as
// many as tell x from every other float64. The digits are those of x, so the
// shift costs none. Trailing zeros are dropped.
func render(x float64, sig, shift int) string {
	switch {
	case math.IsNaN(x):
		return noValue
	case math.IsInf(x, 1):
		return "∞"
	case math.IsInf(x, -1):
		return "-∞"
	case x == 0:
		return "0"
	}
	mantissa, tail, _ := strings.Cut(strconv.FormatFloat(math.Abs(x), 'e', sig-1, 64), "e")
	exp, _ := strconv.Atoi(tail)
	digits := strings.TrimRight(strings.Replace(mantissa, ".", "", 1), "0")
	s := place(digits, exp+shift)
	if x < 0 {
		return "-" + s
	}
	return s
}

// place writes the decimal d.ddd·10^exp, plainly where that stays readable.
func place(digits string, exp int) string {
	const lowest, highest = -7, 14
	switch {
	case exp < lowest || exp > highest:
		s := digits[:1]
		if len(digits) > 1 {
			s += "." + digits[1:]
		}
		return s + "e" + strconv.Itoa(exp)
	case exp < 0:
		return "0." + strings.Repeat("0", -exp-1) + digits
	case exp+1 >= len(digits):
		return digits + strings.Repeat("0", exp+1-len(digits))
	}
	return digits[:exp+1] + "." + digits[exp+1:]
}

// fixed prints x with at most the given decimals, trailing zeros dropped.
func fixed(x float64, decimals int) string {
	s := strconv.FormatFloat(x, 'f', decimals, 64)
	if strings.Contains(s, ".") {
		s = strings.TrimRight(strings.TrimRight(s, "0"), ".")
	}
	if s == "-0" {
		return "0"
	}
	return s
}

// Signed prints x with a sign and so many decimals. What rounds to zero has no sign.
func Signed(x float64, decimals int) string {
	s := fmt.Sprintf("%+.*f", decimals, x)
	if strings.Trim(s, "+-0.") == "" {
		return s[1:]
	}
	return s
}
