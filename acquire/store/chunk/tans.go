package chunk

import "math/bits"

// Symbols are coded by table: an asymmetric numeral system whose states are
// laid out in memory, so that decoding one is a load, a shift and an add. All
// tables have the same number of states, so that one state goes through them
// all. The state is what one symbol leaves to the next; a stream begins with
// one and ends with state 0.
const (
	logStates = 10
	states    = 1 << logStates
)

// A number is coded as a symbol and the low bits that the symbol leaves open:
// numbers below direct as themselves, the others as four symbols an octave.
const direct = 16

// symbolOf returns the symbol of z and how many low bits of z it leaves open.
func symbolOf(z uint64) (symbol uint8, open uint8) {
	if z < direct {
		return uint8(z), 0
	}
	n := bits.Len64(z) - 1
	return uint8(direct + (n-4)*4 + int(z>>(n-2)&3)), uint8(n - 2)
}

// base returns the least number of a symbol, and the bits that it leaves open.
func base(symbol uint8) (z uint64, open uint8) {
	if symbol < direct {
		return uint64(symbol), 0
	}
	n := int(symbol-direct)/4 + 4
	return (4 + uint64(symbol-direct)%4) << (n - 2), uint8(n - 2)
}

func zigzag(v int64) uint64   { return uint64(v<<1) ^ uint64(v>>63) }
func unzigzag(z uint64) int64 { return int64(z>>1) ^ -int64(z&1) }

// step is what a state says: the symbol's least number, how many bits to read
// for the next state, what to add to them, and how many bits the symbol leaves
// open. Wide symbols keep the symbol instead of its least number.
type step struct {
	base uint32
	next uint16
	bits uint8 // 1..10; 0 when the symbol is the only one
	open uint8
}

const wide = 32 // symbols that leave this many bits open are read in two parts

// count is how many states of a table a symbol has; they sum up to states.
type count struct {
	symbol uint8
	n      uint16
}

// spread lays the symbols out over the states.
func spread(counts []count, out *[states]uint8) {
	const stride = states>>1 + states>>3 + 3
	at := 0
	for _, c := range counts {
		for range c.n {
			out[at] = c.symbol
			at = (at + stride) & (states - 1)
		}
	}
}

// decodeTable fills t.
func decodeTable(counts []count, t *[states]step) {
	var symbols [states]uint8
	spread(counts, &symbols)
	var next [256]uint16
	for _, c := range counts {
		next[c.symbol] = c.n
	}
	for i, s := range symbols {
		x := next[s]
		next[s]++
		n := uint8(logStates + 1 - bits.Len16(x))
		z, open := base(s)
		t[i] = step{base: uint32(z), next: x<<n - states, bits: n, open: open}
		if open >= wide {
			t[i].base = uint32(s)
		}
	}
}

// encodeTable is decodeTable's inverse.
type encodeTable struct {
	n    [256]uint16
	from [256]uint16 // of the symbol's states in to
	to   [states]uint16
}

func (t *encodeTable) set(counts []count) {
	var symbols [states]uint8
	spread(counts, &symbols)
	clear(t.n[:])
	at := uint16(0)
	var next [256]uint16
	for _, c := range counts {
		t.n[c.symbol], t.from[c.symbol], next[c.symbol] = c.n, at, at
		at += c.n
	}
	for i, s := range symbols {
		t.to[next[s]] = uint16(i)
		next[s]++
	}
}

// put returns the state before symbol s for the state after it, and the bits
// that lead from the one to the other.
func (t *encodeTable) put(state uint16, s uint8) (before, low uint16, n uint8) {
	x, f := uint32(state)+states, uint32(t.n[s])
	b := logStates + 1 - bits.Len32(f)
	if x < f<<b {
		b--
	}
	return t.to[uint32(t.from[s])+x>>b-f], uint16(x & (1<<b - 1)), uint8(b)
}

// normalise scales what was counted to sum up to states, each at least 1.
func normalise(hist *[256]uint32, dst []count) []count {
	dst = dst[:0]
	total := uint64(0)
	for _, n := range hist {
		total += uint64(n)
	}
	sum, most := 0, 0
	for s, n := range hist {
		if n == 0 {
			continue
		}
		f := max(1, (uint64(n)*states+total/2)/total)
		dst = append(dst, count{uint8(s), uint16(f)})
		sum += int(f)
		if f > uint64(dst[most].n) {
			most = len(dst) - 1
		}
	}
	// What rounding left over goes to or comes from those that feel it least.
	for sum != states {
		i, by := largest(dst), states-sum
		if by < 0 {
			by = -min(-by, int(dst[i].n+3)/4)
		}
		dst[i].n += uint16(by)
		sum += by
	}
	return dst
}

func largest(c []count) int {
	most := 0
	for i := range c {
		if c[i].n > c[most].n {
			most = i
		}
	}
	return most
}

// appendCounts writes a table: the symbols' number, then of each how many
// symbols it skips and its states.
func appendCounts(b []byte, counts []count) []byte {
	b = append(b, byte(len(counts)-1))
	next := 0
	for i, c := range counts {
		skip := uint64(int(c.symbol) - next)
		next = int(c.symbol) + 1
		if i == len(counts)-1 {
			b = appendUint(b, skip)
			break // the rest of the states
		}
		if skip == 0 && c.n < 120 {
			b = append(b, byte(c.n)) // 1..119
			continue
		}
		if skip == 0 && c.n < 120+128*8-1 {
			b = append(b, 120+byte((c.n-120)/128)%8, byte((c.n-120)%128))
			continue
		}
		b = appendUint(appendUint(append(b, 0), skip), uint64(c.n))
	}
	return b
}

// readCounts reads what appendCounts wrote.
func readCounts(s *source, dst []count) ([]count, bool) {
	dst = dst[:0]
	n, next, sum := int(s.byte())+1, 0, 0
	for i := range n {
		var skip, f int
		if i == n-1 {
			skip, f = s.count(255), states-sum
		} else if f = int(s.byte()); f == 0 {
			skip, f = s.count(255), s.count(states)
		} else if f >= 120 {
			f = 120 + (f-120)*128 + int(s.byte())
		}
		next += skip
		sum += f
		if s.bad || f < 1 || next > 255 || sum > states {
			return dst, false
		}
		dst = append(dst, count{uint8(next), uint16(f)})
		next++
	}
	return dst, true
}
