package chunk

import (
	"encoding/binary"
	"errors"
)

var errShort = errors.New("it ends too soon, or a length in it is wrong")

func appendUint(b []byte, v uint64) []byte {
	if v < 0x80 {
		return append(b, byte(v))
	}
	return binary.AppendUvarint(b, v)
}

// short is how appendUint writes a number of at most three bytes, the first one the lowest, and
// how many it takes: without branches, for how many is a matter of chance.
func short(v uint64) (w uint64, size int) {
	second, third := (1<<7-1-v)>>63, (1<<14-1-v)>>63 // 1 where there is one
	return v&0x7f | second<<7 | v&0x3f80<<1 | third<<15 | v&0x1fc000<<2, int(1 + second + third)
}

const shortUint = 3

func appendInt(b []byte, v int64) []byte { return appendUint(b, zigzag(v)) }

func appendBytes(b, s []byte) []byte { return append(appendUint(b, uint64(len(s))), s...) }
func appendText(b []byte, s string) []byte {
	return append(appendUint(b, uint64(len(s))), s...)
}

// source reads what the append functions wrote. After an error it reads zeros.
type source struct {
	b   []byte
	bad bool
}

func (s *source) uint() uint64 {
	if len(s.b) > 0 && s.b[0] < 0x80 {
		v := s.b[0]
		s.b = s.b[1:]
		return uint64(v)
	}
	v, n := binary.Uvarint(s.b)
	if n <= 0 {
		s.fail()
		return 0
	}
	s.b = s.b[n:]
	return v
}

func (s *source) int() int64 {
	u := s.uint()
	v := int64(u >> 1)
	if u&1 != 0 {
		v = ^v
	}
	return v
}

// count reads a number that is at most most.
func (s *source) count(most int) int {
	v := s.uint()
	if v > uint64(most) {
		s.fail()
		return 0
	}
	return int(v)
}

func (s *source) byte() byte {
	if len(s.b) == 0 {
		s.fail()
		return 0
	}
	c := s.b[0]
	s.b = s.b[1:]
	return c
}

// bytes returns a part of what is read.
func (s *source) bytes() []byte {
	n := s.uint()
	if n > uint64(len(s.b)) {
		s.fail()
		return nil
	}
	part := s.b[:n]
	s.b = s.b[n:]
	return part
}

func (s *source) fail() { s.b, s.bad = nil, true }
