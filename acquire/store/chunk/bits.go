package chunk

import "encoding/binary"

// bitWriter appends bits, the first in the lowest bit of a byte.
type bitWriter struct {
	b   []byte
	acc uint64
	n   uint
}

// put appends the low n bits of v, which has no others; n is at most 32.
func (w *bitWriter) put(v uint64, n uint) {
	w.acc |= v << w.n
	w.n += n
	if w.n >= 32 {
		w.b = binary.LittleEndian.AppendUint32(w.b, uint32(w.acc))
		w.acc >>= 32
		w.n -= 32
	}
}

// flush ends with a whole byte.
func (w *bitWriter) flush() []byte {
	for ; w.n > 0; w.n -= min(w.n, 8) {
		w.b = append(w.b, byte(w.acc))
		w.acc >>= 8
	}
	return w.b
}

// padding is how many bytes a bitReader's must have behind their end.
const padding = 8

// bitReader reads what a bitWriter wrote, from bytes with padding.
type bitReader struct {
	b   []byte
	pos uint
}

// bits returns the next n bits, at most 56.
func (r *bitReader) bits(n uint) uint64 {
	at := r.pos >> 3
	if at+padding > uint(len(r.b)) {
		r.pos = past
		return 0
	}
	v := binary.LittleEndian.Uint64(r.b[at:]) >> (r.pos & 7) & (1<<n - 1)
	r.pos += n
	return v
}

// past is where a reader is that has read too far.
const past = 1 << 30

// symbol reads one number through t.
func (r *bitReader) symbol(t *[states]step, state uint) (z uint64, next uint) {
	s := &t[state&(states-1)]
	if s.open >= wide {
		return r.wideSymbol(s)
	}
	v := r.bits(uint(s.bits) + uint(s.open))
	return uint64(s.base) + v>>s.bits, uint(s.next) + uint(v&(1<<s.bits-1))
}

func (r *bitReader) wideSymbol(s *step) (z uint64, next uint) {
	next = uint(s.next) + uint(r.bits(uint(s.bits)))
	z, open := base(uint8(s.base))
	low := r.bits(wide)
	return z + low + r.bits(uint(open)-wide)<<wide, next
}
