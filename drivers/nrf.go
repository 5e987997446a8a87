package drivers

import "math"

// ParseNRf reads a number in any of the forms of IEEE 488.2: NR1 (whole), NR2
// (with a point) and NR3 (with an exponent). The digits of the mantissa are kept
// as they were said, so "1.20E-03" is {120, -5}. A number that a Decimal cannot
// hold exactly is refused, as are blanks, and words such as INF and NAN.
func ParseNRf(b []byte) (Decimal, error) {
	mantissa, exponent := b, []byte(nil)
	for i, c := range b {
		if c == 'E' || c == 'e' {
			mantissa, exponent = b[:i], b[i+1:]
			if len(exponent) == 0 {
				return Decimal{}, errNotDecimal
			}
			break
		}
	}
	d, err := ParseDecimal(mantissa, '.')
	if err != nil || len(exponent) == 0 {
		return d, err
	}
	e, ok := parseExponent(exponent)
	if !ok || int(d.Exp)+e > math.MaxInt8 || int(d.Exp)+e < math.MinInt8 {
		return Decimal{}, errNotDecimal
	}
	d.Exp = int8(int(d.Exp) + e)
	return d, nil
}

// parseExponent reads an optionally signed whole number within ±9999.
func parseExponent(b []byte) (int, bool) {
	neg := b[0] == '-'
	if neg || b[0] == '+' {
		b = b[1:]
	}
	if len(b) == 0 {
		return 0, false
	}
	e := 0
	for _, c := range b {
		if c < '0' || c > '9' {
			return 0, false
		}
		if e = e*10 + int(c-'0'); e > 9999 {
			return 0, false
		}
	}
	if neg {
		e = -e
	}
	return e, true
}
