package chunk

import (
	"bytes"
	"strconv"
)

// A template is what rows have in common in what was said: text between
// numbers, how the numbers are spelled, and which of them is the value. A row
// that follows it is kept as its numbers alone.
type template struct {
	said, more []element
	fields     []field // the numbers of said, of more, and the value when it is none of them
	value      int     // which field the value is; -1: the rows have none
	slots      int     // fields that are not constant
	whole      bool    // what was said is kept as it is, and the value as the one field

	word oneWord // how the value is read, where it is all that was said, but for what is the same in all rows
}

// element is a piece of text and the number behind it.
type element struct {
	text  string
	field int // of fields; -1: none
	spelling
}

// spelling is how a number is written: with at least width digits before the
// point, places behind it, and a plus sign where it is not negative.
type spelling struct {
	width, places uint8
	plus          bool
}

// field is one number of a template.
type field struct {
	constant bool
	v        int64 // of a constant one
	channel  int   // of another
	slot     int   // its place among those of its template that are not constant
}

const (
	maxTemplates = 48
	maxFields    = 24  // of a template
	maxNumbers   = 128 // of all templates
	maxText      = 400 // bytes of a frame that is looked at for numbers
	mostDigits   = 18
)

// number reads a number at the begin of b: its value without the point, and how
// it is spelled. n is 0 where there is none that append would write so.
func number(b []byte) (v int64, s spelling, n int) {
	i := 0
	negative := false
	if len(b) > 0 && (b[0] == '-' || b[0] == '+') {
		negative, s.plus = b[0] == '-', b[0] == '+'
		i++
	}
	from := i
	for i < len(b) && isDigit(b[i]) && i-from <= mostDigits {
		v = v*10 + int64(b[i]-'0')
		i++
	}
	whole := i - from
	if whole == 0 || whole > mostDigits {
		return 0, s, 0
	}
	s.width = 1
	if b[from] == '0' {
		s.width = uint8(whole)
	}
	if i+1 < len(b) && b[i] == '.' && isDigit(b[i+1]) {
		dot := i
		for i++; i < len(b) && isDigit(b[i]); i++ {
			if whole++; whole > mostDigits {
				return 0, s, 0
			}
			v = v*10 + int64(b[i]-'0')
		}
		s.places = uint8(i - dot - 1)
	}
	if i < len(b) && isDigit(b[i]) || negative && v == 0 {
		return 0, s, 0
	}
	if negative {
		v = -v
	}
	return v, s, i
}

func isDigit(c byte) bool { return '0' <= c && c <= '9' }

// as reads a number that is spelled as s says; n is 0 where it is not.
func (s spelling) as(b []byte) (v int64, n int) {
	v, is, n := number(b)
	if n == 0 || is.places != s.places || s.plus && !is.plus && v >= 0 || is.plus && !s.plus {
		return 0, 0
	}
	if is.width != s.width && (is.width > s.width || digitsBefore(b[:n]) < int(s.width)) {
		return 0, 0
	}
	return v, n
}

// digitsBefore counts the digits before the point.
func digitsBefore(b []byte) int {
	if b[0] == '-' || b[0] == '+' {
		b = b[1:]
	}
	if i := bytes.IndexByte(b, '.'); i >= 0 {
		return i
	}
	return len(b)
}

// append writes v as s says.
func (s spelling) append(b []byte, v int64) []byte {
	u := uint64(v)
	if v < 0 {
		b, u = append(b, '-'), -u
	} else if s.plus {
		b = append(b, '+')
	}
	var room [20]byte
	i := len(room)
	for u >= 10 {
		i--
		room[i] = '0' + byte(u%10)
		u /= 10
	}
	i--
	room[i] = '0' + byte(u)
	digits, places := room[i:], int(s.places)
	for n := max(int(s.width), 1) + places; n > len(digits); n-- {
		if n == places {
			b = append(b, '.')
		}
		b = append(b, '0')
	}
	whole := len(digits) - places
	if whole < 0 || places == 0 {
		return append(b, digits...)
	}
	return append(append(append(b, digits[:whole]...), '.'), digits[whole:]...)
}

// settle finds out whether the value stands alone.
func (t *template) settle() {
	n := len(t.said)
	if t.whole || n == 0 || n > 2 || len(t.more) > 0 || len(t.fields) != 1 || t.value != 0 {
		return
	}
	if t.said[0].text != "" || t.said[0].field != 0 || n == 2 && t.said[1].field >= 0 {
		return
	}
	tail := ""
	if n == 2 {
		tail = t.said[1].text
	}
	t.word = oneWordOf(t.said[0].spelling, tail)
}

// match reads the numbers of r into dst, when r follows t.
func (t *template) match(r *Row, dst []int64) ([]int64, bool) {
	from := len(dst)
	if t.word.most > 0 && r.HasValue && len(r.More) == 0 { // mostly; the long way below comes to the same
		if v, ok := t.word.read(r.Said); ok && v == r.Digits {
			return append(dst, v), true
		}
	}
	if t.whole || (t.value >= 0) != r.HasValue {
		return dst, false
	}
	dst, ok := matchText(t.said, r.Said, dst, from)
	if ok && len(t.more)+len(r.More) > 0 {
		dst, ok = matchText(t.more, r.More, dst, from)
	}
	if !ok {
		return dst[:from], false
	}
	switch n := len(dst) - from; {
	case t.value == n:
		dst = append(dst, r.Digits)
	case t.value >= 0 && dst[from+t.value] != r.Digits:
		return dst[:from], false
	}
	return dst, true
}

func matchText(elements []element, b []byte, dst []int64, from int) ([]int64, bool) {
	for i := range elements {
		e := &elements[i]
		if len(b) < len(e.text) || string(b[:len(e.text)]) != e.text {
			return dst, false
		}
		b = b[len(e.text):]
		if e.field < 0 {
			continue
		}
		v, n := e.as(b)
		if n == 0 {
			return dst, false
		}
		switch {
		case e.field == len(dst)-from:
			dst = append(dst, v)
		case dst[from+e.field] != v:
			return dst, false
		}
		b = b[n:]
	}
	return dst, len(b) == 0
}

// learn makes the template that r follows. A number that stands in what was said
// already is that number again. key is the same for the same template.
func learn(r *Row, key []byte) (template, []byte) {
	t := template{value: -1}
	var seen []int64
	ok := len(r.Said) <= maxText && len(r.More) <= maxText
	if ok {
		t.said, seen, key = learnText(r.Said, r.Unit, seen, 0, key)
		key = append(key, 0xff)
		t.more, seen, key = learnText(r.More, "", seen, len(seen), key)
	}
	if t.whole = !ok || len(seen) >= maxFields; t.whole {
		t.said, t.more, seen, key = nil, nil, nil, append(key[:0], 0xff, 0xff, 0xff)
	}
	if r.HasValue {
		t.value = len(seen)
		for i, v := range seen {
			if v == r.Digits {
				t.value = i
				break
			}
		}
		if t.value == len(seen) {
			seen = append(seen, r.Digits)
		}
	}
	t.fields = make([]field, len(seen))
	t.settle()
	return t, strconv.AppendInt(append(key, 0xff), int64(t.value), 10)
}

// learnText looks for numbers in b, but not in the unit, which may hold one: cm2.
// Those among the first known of seen are taken for the same.
func learnText(b []byte, unit string, seen []int64, known int, key []byte) ([]element, []int64, []byte) {
	var elements []element
	from := 0
	for i := 0; i < len(b); {
		if unit != "" && len(b)-i >= len(unit) && string(b[i:i+len(unit)]) == unit {
			i += len(unit)
			continue
		}
		v, s, n := int64(0), spelling{}, 0
		if c := b[i]; isDigit(c) || c == '-' || c == '+' {
			v, s, n = number(b[i:])
		}
		if n == 0 {
			i++
			for isDigit(b[i-1]) && i < len(b) && isDigit(b[i]) {
				i++ // the rest of what is too long for a number
			}
			continue
		}
		e := element{text: string(b[from:i]), field: len(seen), spelling: s}
		for j := range known {
			if seen[j] == v {
				e.field = j
				break
			}
		}
		if e.field == len(seen) {
			seen = append(seen, v)
		}
		key = append(keyText(key, b[from:i]), 0xfe, s.width, s.places, 0, byte(e.field))
		if s.plus {
			key[len(key)-2] = 1
		}
		i += n
		from = i
		elements = append(elements, e)
	}
	if from < len(b) {
		elements = append(elements, element{text: string(b[from:]), field: -1})
		key = append(keyText(key, b[from:]), 0xfd)
	}
	return elements, seen, key
}

// keyText appends a text to a key after its length, which begins with no 0xff: what an
// instrument says may hold any byte.
func keyText(key, text []byte) []byte {
	return append(append(key, byte(len(text)>>8), byte(len(text))), text...)
}

// render appends what elements of t say with these numbers, which are those that
// are not constant.
func (t *template) render(b []byte, elements []element, numbers []int64) []byte {
	for i := range elements {
		e := &elements[i]
		b = append(b, e.text...)
		if e.field < 0 {
			continue
		}
		f := &t.fields[e.field]
		v := f.v
		if !f.constant {
			v = numbers[f.slot]
		}
		b = e.append(b, v)
	}
	return b
}
