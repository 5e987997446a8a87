package drivers

import (
	"encoding/binary"
	"errors"
	"math"
	"math/bits"
	"strconv"
)

// Decimal is a number exactly as an instrument said it: Digits × 10^Exp, with
// trailing zeros kept, so that "1.20" is {120, -2} and prints as "1.20".
type Decimal struct {
	Digits int64
	Exp    int8
}

var errNotDecimal = errors.New("not a decimal number")

// tooLarge keeps Digits within 18 digits, and so within int64, and Float within one
// rounding.
const tooLarge = 1e18

// ParseDecimal reads an optionally signed decimal number with mark as its
// decimal mark ('.' or ','). Blanks, exponents, digit grouping, infinities and
// not-a-number are refused: a field that holds them is not a plain reading.
func ParseDecimal(b []byte, mark byte) (Decimal, error) {
	d, n := LeadingDecimal(b, mark)
	if n == 0 || n < len(b) {
		return Decimal{}, errNotDecimal
	}
	return d, nil
}

// LeadingDecimal reads the number, as ParseDecimal does, that b begins with, as far as it goes: n bytes;
// 0 where b begins with none.
func LeadingDecimal(b []byte, mark byte) (d Decimal, n int) {
	// Where the number ends within eight bytes, with no plus sign, all its digits are read at
	// once, and without a branch on what is a matter of chance.
	const ones, size = 0x0101010101010101, 8
	if len(b) <= size {
		return longDecimal(b, mark)
	}
	sign := int((uint32(b[0]^'-') - 1) >> 31)
	word := binary.LittleEndian.Uint64(b[sign:]) ^ '0'*ones // a digit is its value
	// Bytes that are none; what one behind the number carries on does not matter.
	others := (word + (0x7f-9)*ones | word) & (0x80 * ones)
	whole := bits.TrailingZeros64(others) / 8 // digits before the point
	if whole == 0 || whole == size {
		return longDecimal(b, mark)
	}
	n = whole
	digits := n
	if point := 8 * whole & 63; byte(word>>point) == mark^'0' {
		if n = bits.TrailingZeros64(others&(others-1)) / 8; n == size {
			return longDecimal(b, mark)
		}
		before := uint64(1)<<point - 1
		word, digits = word&before|word>>8&^before, n-1
	}
	word <<= 8 * (size - digits) & 63 // the last digit is the highest byte
	// Neighbours become one number: of two digits, of four, of eight.
	word = (word*10 + word>>8) & 0x00ff00ff00ff00ff
	word = (word*100 + word>>16) & 0x0000ffff0000ffff
	value := int64(uint32(word*10000 + word>>32))
	return Decimal{Digits: (value ^ -int64(sign)) + int64(sign), Exp: int8(whole - digits)}, n + sign
}

func longDecimal(b []byte, mark byte) (d Decimal, n int) {
	i := 0
	if len(b) > 0 && (b[0] == '+' || b[0] == '-') {
		i = 1
	}
	from, value, point := i, uint64(0), -1
	for ; i < len(b); i++ {
		if digit := b[i] - '0'; digit <= 9 {
			if value = value*10 + uint64(digit); value >= tooLarge {
				return Decimal{}, 0
			}
		} else if b[i] == mark && point < 0 {
			point = i
		} else {
			break
		}
	}
	digits, exp := i-from, 0
	if point >= 0 {
		digits, exp = digits-1, point+1-i
	}
	if digits == 0 || exp < math.MinInt8 {
		return Decimal{}, 0
	}
	d = Decimal{Digits: int64(value), Exp: int8(exp)}
	if b[0] == '-' {
		d.Digits = -d.Digits
	}
	return d, i
}

// Float returns the float64 nearest to d.
func (d Decimal) Float() float64 {
	if places := uint8(-d.Exp); places <= 22 && uint64(d.Digits+1<<53) <= 1<<54 {
		// Both operands are exact, so the one division rounds once.
		return float64(d.Digits) / powersOfTen[places]
	}
	return d.nearest()
}

func (d Decimal) nearest() float64 {
	f, err := strconv.ParseFloat(strconv.FormatInt(d.Digits, 10)+"e"+strconv.Itoa(int(d.Exp)), 64)
	if err != nil && !errors.Is(err, strconv.ErrRange) {
		return math.NaN()
	}
	return f
}

// String prints d with all the digits that were said.
func (d Decimal) String() string {
	if d.Exp > 0 {
		return strconv.FormatInt(d.Digits, 10) + "e" + strconv.Itoa(int(d.Exp))
	}
	neg, u := d.Digits < 0, uint64(d.Digits)
	if neg {
		u = -u
	}
	s := strconv.FormatUint(u, 10)
	if places := -int(d.Exp); places > 0 {
		for len(s) <= places {
			s = "0" + s
		}
		s = s[:len(s)-places] + "." + s[len(s)-places:]
	}
	if neg {
		s = "-" + s
	}
	return s
}

var powersOfTen = [...]float64{1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12,
	1e13, 1e14, 1e15, 1e16, 1e17, 1e18, 1e19, 1e20, 1e21, 1e22}
