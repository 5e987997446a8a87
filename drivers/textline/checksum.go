package textline

import (
	"bytes"
	"errors"
	"fmt"
	"math/bits"
	"strings"
)

// Checksum is how a line ends with digits that guard it. They are hexadecimal, in
// either case: two for sum and xor, four for a CRC, its high byte first.
type Checksum struct {
	// Name (checksum): "" for none, "sum" (of all bytes, the low eight bits),
	// "xor" (of all bytes), or a CRC by its name in the catalogue of
	// parametrised CRC algorithms (reveng.sourceforge.io): "crc-16/modbus",
	// "crc-16/arc", "crc-16/xmodem", "crc-16/ibm-3740", "crc-16/kermit".
	Name string

	Mark     string // checksum_mark: stands before the digits, such as "*"; "" when nothing does
	From     string // checksum_from: begins a line and is not guarded, such as "$"; "" when all is
	WithMark bool   // checksum_with_mark: the mark is guarded too
	LowFirst bool   // checksum_low_first: a CRC's low byte comes first
}

// check is a Checksum as protocol holds it.
type check struct {
	digits   int // 0: none
	of       func(b []byte) uint16
	mark     []byte
	from     []byte
	withMark bool
	lowFirst bool
}

const maxMark = 8 // bytes

func (c *check) set(o Checksum, terminator []byte) error {
	if o.Name == "" {
		if o.Mark != "" || o.From != "" || o.WithMark || o.LowFirst {
			return errors.New("checksum: name it, or leave checksum_mark, checksum_from, checksum_with_mark and checksum_low_first out")
		}
		return nil
	}
	known := false
	for _, a := range checksums() {
		if a.name == o.Name {
			c.digits, c.of, known = a.digits, a.of, true
		}
	}
	var errs []error
	if !known {
		var names []string
		for _, a := range checksums() {
			names = append(names, a.name)
		}
		errs = append(errs, fmt.Errorf("checksum: %q is not known, want one of %s", o.Name, strings.Join(names, ", ")))
	}
	c.mark, c.from, c.withMark, c.lowFirst = []byte(o.Mark), []byte(o.From), o.WithMark, o.LowFirst
	for _, m := range []struct{ option, text string }{{"checksum_mark", o.Mark}, {"checksum_from", o.From}} {
		if len(m.text) > maxMark || m.text != "" && bytes.Contains([]byte(m.text), terminator) {
			errs = append(errs, fmt.Errorf("%s: %q, want at most %d bytes and not the terminator", m.option, m.text, maxMark))
		}
	}
	if o.WithMark && o.Mark == "" {
		errs = append(errs, errors.New("checksum_with_mark: there is no checksum_mark; leave it out"))
	}
	if o.LowFirst && known && c.digits == 2 {
		errs = append(errs, fmt.Errorf("checksum_low_first: %s is one byte; leave it out", o.Name))
	}
	return errors.Join(errs...)
}

// open checks the digits of a line and returns what they guard, without marks.
func (c *check) open(line []byte) ([]byte, error) {
	if c.digits == 0 {
		return line, nil
	}
	line = trim(line)
	at := len(line) - c.digits
	if at < len(c.mark)+len(c.from) || !bytes.HasPrefix(line, c.from) || !bytes.HasSuffix(line[:at], c.mark) {
		return nil, fmt.Errorf("the line does not end with its checksum, or does not begin as it should: %s", quote(line))
	}
	var said uint16
	for _, d := range line[at:] {
		n, ok := hexDigit(d)
		if !ok {
			return nil, fmt.Errorf("the checksum %s is no hexadecimal number: %s", quote(line[at:]), quote(line))
		}
		said = said<<4 | uint16(n)
	}
	body := line[len(c.from) : at-len(c.mark)]
	guarded := body
	if c.withMark {
		guarded = line[len(c.from):at]
	}
	is := c.of(guarded)
	if c.lowFirst {
		is = bits.ReverseBytes16(is)
	}
	switch {
	case is == said:
		return body, nil
	case c.digits == 4 && is == bits.ReverseBytes16(said):
		return nil, fmt.Errorf("the checksum is right with its two bytes exchanged; set checksum_low_first the other way: %s", quote(line))
	}
	return nil, fmt.Errorf("the checksum is %0*X and the line says %0*X: %s", c.digits, is, c.digits, said, quote(line))
}

type algorithm struct {
	name   string
	digits int
	of     func(b []byte) uint16
}

// checksums lists what is known. The CRCs' parameters are those of the
// catalogue; its check value is what each gives for "123456789".
func checksums() []algorithm {
	return []algorithm{
		{"sum", 2, func(b []byte) (s uint16) {
			for _, c := range b {
				s += uint16(c)
			}
			return s & 0xff
		}},
		{"xor", 2, func(b []byte) (s uint16) {
			for _, c := range b {
				s ^= uint16(c)
			}
			return s
		}},
		{"crc-16/modbus", 4, func(b []byte) uint16 { return crcReflected(b, 0xA001, 0xFFFF) }},
		{"crc-16/arc", 4, func(b []byte) uint16 { return crcReflected(b, 0xA001, 0) }},
		{"crc-16/kermit", 4, func(b []byte) uint16 { return crcReflected(b, 0x8408, 0) }},
		{"crc-16/xmodem", 4, func(b []byte) uint16 { return crcForward(b, 0x1021, 0) }},
		{"crc-16/ibm-3740", 4, func(b []byte) uint16 { return crcForward(b, 0x1021, 0xFFFF) }},
	}
}

func crcReflected(b []byte, poly, crc uint16) uint16 {
	for _, c := range b {
		crc ^= uint16(c)
		for range 8 {
			low := crc & 1
			if crc >>= 1; low != 0 {
				crc ^= poly
			}
		}
	}
	return crc
}

func crcForward(b []byte, poly, crc uint16) uint16 {
	for _, c := range b {
		crc ^= uint16(c) << 8
		for range 8 {
			high := crc & 0x8000
			if crc <<= 1; high != 0 {
				crc ^= poly
			}
		}
	}
	return crc
}
