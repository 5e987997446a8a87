package chunk

import "encoding/binary"

// PostOf says whose rows the chunk that b begins with holds, and how many bytes it has: 0
// where b begins with none that is whole. It believes the head, which Open checks.
func PostOf(b []byte) (post []byte, size int) {
	if len(b) < fixed || string(b[:4]) != magicHead {
		return nil, 0
	}
	n := binary.LittleEndian.Uint32(b[5:])
	if n < fixed || uint64(n) > uint64(len(b)) {
		return nil, 0
	}
	s := source{b: b[fixed:n]}
	if post = s.bytes(); s.bad {
		return nil, 0
	}
	return post, int(n)
}
