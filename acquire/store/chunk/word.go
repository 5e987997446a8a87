package chunk

import "encoding/binary"

// Numbers of few digits are read in one word of the machine, all digits at once.

const (
	wordSize = 8
	ones     = 0x0101010101010101
	zeros    = '0' * ones
	highs    = 0xf0 * ones
)

// word is the first bytes of b, the first one the lowest; 0 where b ends before.
func word(b []byte) (w uint64) {
	if len(b) >= wordSize {
		return binary.LittleEndian.Uint64(b)
	}
	for i, c := range b {
		w |= uint64(c) << (8 * i)
	}
	return w
}

// oneWord is a number that fits into a word, with neither plus sign nor zeros before it, and
// what stands behind it: the same in all rows of a template.
type oneWord struct {
	most          int    // bytes of the number; 0: it is none of these
	digits        int    // the fewest that it has
	point         int    // 1 where there is one
	tail          int    // bytes behind
	dot, dotMask  uint64 // where the last digit is the highest byte
	before, after uint64 // what stands before the point and after it
	end, endMask  uint64 // of the last word
	long          string // a tail that is longer than that
}

// oneWordOf is how numbers spelled so, and then tail, are read.
func oneWordOf(s spelling, tail string) (p oneWord) {
	places := int(s.places)
	if s.plus || s.width != 1 || places > wordSize-2 {
		return p
	}
	p = oneWord{most: wordSize - 1, digits: 1 + places, after: ^uint64(0), tail: len(tail)}
	if places > 0 {
		at := 8 * (wordSize - 1 - places)
		p.most, p.point = wordSize, 1
		p.dot, p.dotMask = '.'<<at, 0xff<<at
		p.before, p.after = 1<<at-1, ^uint64(0)<<(at+8)
	}
	switch {
	case len(tail) > wordSize:
		p.long = tail
	case len(tail) > 0:
		p.endMask = ^uint64(0) << (8 * (wordSize - len(tail)))
		p.end = word([]byte(tail)) << (8 * (wordSize - len(tail)))
	}
	return p
}

// read reads what was said where it is such a number and nothing else. What it does
// not read may be one all the same.
func (p *oneWord) read(said []byte) (v int64, ok bool) {
	if len(said) == 0 {
		return 0, false
	}
	sign := int((uint32(said[0]^'-') - 1) >> 31) // 1 where there is one: a matter of chance, so without a branch
	said = said[sign:]
	n, w := len(said)-p.tail, word(said)
	end := w << (-8 * len(said) & 63)
	if len(said) > wordSize {
		end = binary.LittleEndian.Uint64(said[len(said)-wordSize:])
	}
	if n > p.most || end&p.endMask != p.end {
		return 0, false
	}
	w <<= -8 * n & 63 // the last digit is the highest byte
	digits := n - p.point
	if digits < p.digits || w&p.dotMask != p.dot || p.long != "" && string(said[n:]) != p.long {
		return 0, false
	}
	w = w&p.after | w&p.before<<8 | zeros>>(8*digits&63)
	if w&highs|(w+6*ones)&highs>>4 != zeros|zeros>>4 || digits > p.digits && byte(w>>(-8*digits&63)) == '0' {
		return 0, false
	}
	// Neighbours become one number: of two digits, of four, of eight.
	w ^= zeros
	w = (w*10 + w>>8) & 0x00ff00ff00ff00ff
	w = (w*100 + w>>16) & 0x0000ffff0000ffff
	v = int64(uint32(w*10000 + w>>32))
	return (v ^ -int64(sign)) + int64(sign), v >= int64(sign) // there is no -0
}
