package chunk

import (
	"encoding/binary"
	"math/bits"
	"slices"
)

// read fills out with the rows of a dense block. It returns false where data
// does not hold them.
func (m *model) read(data []byte, span *Span, out *Block) bool {
	if !m.filled {
		m.fill()
	}
	s := source{b: data}
	n := span.Rows
	out.templates = m.templates
	if !readGaps(&s, span, out) {
		return false
	}
	l := line{at: s.int() << 8, slope: m.slope + s.int(), way: m.lineWay}
	flags := s.uint()
	m.firsts = m.firsts[:0]
	for range s.count(len(m.channels)) {
		m.firsts = append(m.firsts, s.int())
	}
	var whole source
	if flags&flagWhole != 0 {
		whole.b = s.bytes()
	}
	id := flags >> 2
	if s.bad || id >= uint64(len(m.classes)) || len(s.b) < 2 {
		return false
	}
	size := int(binary.LittleEndian.Uint16(s.b))
	if s.b = s.b[2:]; size > len(s.b) {
		return false
	}
	m.data = append(append(m.data[:0], s.b...), make([]byte, padding)...)
	if !m.readStamps(bitReader{b: m.data}, &l, span, out) {
		return false
	}
	r := bitReader{b: m.data[size:]}
	if flags&flagMany != 0 {
		return m.readRows(r, uint8(id), &whole, n, out, true)
	}
	return m.readOne(r, uint8(id), &whole, n, out)
}

// readGaps fills the numbers.
func readGaps(s *source, span *Span, out *Block) bool {
	gaps := s.count(span.Rows - 1)
	out.Seq = slices.Grow(out.Seq, span.Rows)[:span.Rows]
	seq, row := span.FromSeq, 0
	for range gaps {
		next := row + s.count(span.Rows-1-row)
		gap := s.int()
		if s.bad || next == row {
			return false
		}
		seq = upward(out.Seq[row:next], seq) + gap
		row = next
	}
	upward(out.Seq[row:], seq)
	return !s.bad
}

// upward fills to with seq and what follows, and returns what follows that.
func upward(to []int64, seq int64) int64 {
	for i := range to {
		to[i] = seq + int64(i)
	}
	return seq + int64(len(to))
}

// readStamps fills the instants.
func (m *model) readStamps(r bitReader, l *line, span *Span, out *Block) bool {
	out.At = slices.Grow(out.At, span.Rows)[:span.Rows]
	out.At[0] = span.From
	if l.way == lineStays {
		return m.readSteady(r, l, span.From, out.At[1:])
	}
	state := uint(r.bits(logStates))
	for i := range out.At[1:] {
		want, context := l.next()
		var z uint64
		z, state = r.symbol(&m.tables[m.ofStamps[context]], state)
		e := unzigzag(z)
		symbol, _ := symbolOf(z)
		l.take(want+e, e, symbol)
		out.At[1+i] = span.From + (want+e)*m.res
	}
	return state&(states-1) == 0 && r.pos < past
}

// readSteady is readStamps for a line that stays, without detours.
func (m *model) readSteady(r bitReader, l *line, first int64, out []int64) bool {
	var tables [stampContexts]*[states]step
	for i := range tables {
		tables[i] = &m.tables[m.ofStamps[i]]
	}
	state, pos, b, end := uint(r.bits(logStates)), r.pos, r.b, uint(len(r.b)-padding)
	near := uint64(max(l.slope>>stampBits-1, 0)) // below it e is nearer than half a slope
	for i := range out {
		l.at += l.slope
		x := l.at + 1<<(stampBits-1)
		s := &tables[x>>(stampBits-4)&(stampContexts-1)][state&(states-1)]
		if pos>>3 > end {
			return false
		}
		z := uint64(s.base)
		if s.open < wide {
			v := binary.LittleEndian.Uint64(b[pos>>3:]) >> (pos & 7)
			n := uint(s.bits)
			state = uint(s.next) + uint(v&(1<<(n&63)-1))
			z += v >> (n & 63) & (1<<(s.open&63) - 1)
			pos += n + uint(s.open)
		} else {
			r.pos = pos
			z, state = r.wideSymbol(s)
			pos = r.pos
		}
		e := unzigzag(z)
		at := x>>stampBits + e
		out[i] = first + at*m.res
		if z >= near {
			l.take(at, e, 0)
		}
	}
	return state&(states-1) == 0 && pos>>3 <= end
}

// readOne fills the values of a block of one class.
func (m *model) readOne(r bitReader, id uint8, whole *source, n int, out *Block) bool {
	c := m.classes[id]
	t := &m.templates[c.template]
	out.one, out.stride = int(c.template), t.slots
	out.Kind = slices.Grow(out.Kind, n)[:n]
	for i := range out.Kind {
		out.Kind[i] = c.kind
	}
	if t.whole || t.slots > 1 || t.value >= 0 && t.fields[t.value].constant != (t.slots == 0) {
		return m.readRows(r, id, whole, n, out, false)
	}
	out.Digits = slices.Grow(out.Digits, n)[:n]
	if t.slots == 0 {
		v := int64(0)
		if t.value >= 0 {
			v = t.fields[t.value].v
		}
		for i := range out.Digits {
			out.Digits[i] = v
		}
		return len(m.firsts) == 0 && r.bits(logStates) == 0 && len(whole.b) == 0
	}
	if len(m.firsts) != 1 || len(whole.b) != 0 {
		return false
	}
	to := out.Digits
	if t.value < 0 { // a number that is no value
		out.fields = slices.Grow(out.fields, n)[:n]
		to = out.fields
		clear(out.Digits)
	}
	out.numbers = to
	to[0] = m.firsts[0]
	for i := range t.fields {
		if f := &t.fields[i]; !f.constant {
			ch := &m.channels[f.channel]
			ok := m.readChannel(r, ch, to)
			if ch.scale != 1 {
				for j := range to {
					to[j] = to[j]*ch.scale + ch.offset
				}
			}
			return ok
		}
	}
	return false
}

// readChannel fills out, whose first number is there, without detours.
func (m *model) readChannel(r bitReader, ch *channel, out []int64) bool {
	var x expect
	x.begin(ch.way, out[0])
	if ch.way == wayLine {
		state := uint(r.bits(logStates))
		for i := range out[1:] {
			var z uint64
			z, state = r.symbol(&m.tables[ch.table[x.context]], state)
			out[1+i] = x.next() + unzigzag(z)
			x.take(out[1+i], z)
		}
		return state&(states-1) == 0 && r.pos < past
	}
	var tables [contexts]*[states]step
	for i := range tables {
		tables[i] = &m.tables[ch.table[i]]
	}
	state, pos, b, end := uint(r.bits(logStates)), r.pos, r.b, uint(len(r.b)-padding)
	frac, half, way := uint(x.frac), int64(1)<<x.frac>>1, int(x.way)
	mean, usual, context, young := x.mean, x.usual, x.context, x.n
	for i := 1; i < len(out); i++ {
		s := &tables[context&(contexts-1)][state&(states-1)]
		if pos>>3 > end {
			return false
		}
		z := uint64(s.base)
		if s.open < wide {
			v := binary.LittleEndian.Uint64(b[pos>>3:]) >> (pos & 7)
			n := uint(s.bits)
			state = uint(s.next) + uint(v&(1<<(n&63)-1))
			z += v >> (n & 63) & (1<<(s.open&63) - 1)
			pos += n + uint(s.open)
		} else {
			r.pos = pos
			z, state = r.wideSymbol(s)
			pos = r.pos
		}
		v := (mean+half)>>(frac&63) + unzigzag(z)
		out[i] = v
		if 2*z > usual && z > direct {
			x.mean, x.usual, x.n = mean, usual, young
			x.jump(v, z)
			mean, usual, context, young = x.mean, x.usual, x.context, x.n
			continue
		}
		context = contextOf(usual)
		usual += min(z, 1<<32)<<(4-calmer) - usual>>calmer
		weight := min(way, bits.Len(uint(young+1)))
		mean += (v<<(frac&63) - mean) >> (weight & 63)
		young++
	}
	return state&(states-1) == 0 && pos>>3 <= end
}

// readRows fills the values of a block whose rows may be of several classes.
func (m *model) readRows(r bitReader, id uint8, whole *source, n int, out *Block, many bool) bool {
	if many {
		out.one = -1
	}
	state := uint(r.bits(logStates))
	m.expect = append(m.expect[:0], make([]expect, len(m.channels))...)
	m.begun = append(m.begun[:0], make([]bool, len(m.channels))...)
	for i := range n {
		if many && i > 0 {
			var z uint64
			z, state = r.symbol(&m.tables[m.ofClasses[min(id, classBefore-1)]], state)
			if z >= uint64(len(m.classes)) {
				return false
			}
			id = uint8(z)
		}
		c := m.classes[id]
		t := &m.templates[c.template]
		from := len(out.fields)
		var ok bool
		if state, ok = m.readNumbers(&r, state, t, out); !ok {
			return false
		}
		digits := int64(0)
		if t.value >= 0 {
			if f := &t.fields[t.value]; f.constant {
				digits = f.v
			} else {
				digits = out.fields[from+f.slot]
			}
		}
		out.Digits = append(out.Digits, digits)
		if many {
			out.Kind, out.template, out.numberAt = append(out.Kind, c.kind), append(out.template, c.template), append(out.numberAt, from)
		}
		if t.whole {
			out.said = append(out.said, whole.bytes()...)
			out.more = append(out.more, whole.bytes()...)
		}
		out.saidEnd, out.moreEnd = append(out.saidEnd, len(out.said)), append(out.moreEnd, len(out.more))
	}
	out.numbers = out.fields
	return state&(states-1) == 0 && r.pos < past && len(m.firsts) == 0 && !whole.bad && len(whole.b) == 0
}

// readNumbers reads a row's numbers, but the constant ones.
func (m *model) readNumbers(r *bitReader, state uint, t *template, out *Block) (uint, bool) {
	for j := range t.fields {
		f := &t.fields[j]
		if f.constant {
			continue
		}
		ch, x := &m.channels[f.channel], &m.expect[f.channel]
		if !m.begun[f.channel] {
			if len(m.firsts) == 0 {
				return state, false
			}
			m.begun[f.channel] = true
			x.begin(ch.way, m.firsts[0])
			out.fields, m.firsts = append(out.fields, m.firsts[0]*ch.scale+ch.offset), m.firsts[1:]
			continue
		}
		var z uint64
		z, state = r.symbol(&m.tables[ch.table[x.context]], state)
		v := x.next() + unzigzag(z)
		x.take(v, z)
		out.fields = append(out.fields, v*ch.scale+ch.offset)
	}
	return state, true
}
