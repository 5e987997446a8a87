package chunk

import "encoding/binary"

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
		return m.readMany(r, uint8(id), &whole, n, out)
	}
	return m.readOne(r, uint8(id), &whole, n, out)
}

// readGaps fills the numbers.
func readGaps(s *source, span *Span, out *Block) bool {
	gaps := s.count(span.Rows - 1)
	seq, row, next := span.FromSeq, 0, span.Rows
	for range gaps + 1 {
		gap := int64(0)
		next = span.Rows
		if gaps > 0 {
			if next = row + s.count(span.Rows-1-row); next == row && row > 0 || s.bad {
				return false
			}
			gap = s.int()
		}
		gaps--
		for ; row < next; row++ {
			out.Seq = append(out.Seq, seq)
			seq++
		}
		seq += gap
	}
	return !s.bad && row == span.Rows
}

// readStamps fills the instants.
func (m *model) readStamps(r bitReader, l *line, span *Span, out *Block) bool {
	out.At = append(out.At, span.From)
	state := uint(r.bits(logStates))
	for range span.Rows - 1 {
		want, context := l.next()
		var z uint64
		z, state = r.symbol(&m.tables[m.ofStamps[context]], state)
		e := unzigzag(z)
		at := want + e
		symbol := uint8(0)
		if l.way == lineFollows {
			symbol, _ = symbolOf(z)
		}
		l.take(at, e, symbol)
		out.At = append(out.At, span.From+at*m.res)
	}
	return state&(states-1) == 0 && r.pos < past
}

// readMany fills the values of a block of several classes.
func (m *model) readMany(r bitReader, id uint8, whole *source, n int, out *Block) bool {
	return m.readRows(r, id, whole, n, out, true)
}

// readOne fills the values of a block of one class.
func (m *model) readOne(r bitReader, id uint8, whole *source, n int, out *Block) bool {
	return m.readRows(r, id, whole, n, out, false)
}

func (m *model) readRows(r bitReader, id uint8, whole *source, n int, out *Block, many bool) bool {
	state := uint(r.bits(logStates))
	m.expect = append(m.expect[:0], make([]expect, len(m.channels))...)
	m.begun = append(m.begun[:0], make([]bool, len(m.channels))...)
	firsts := m.firsts
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
		for j := range t.fields {
			f := &t.fields[j]
			if f.constant {
				out.fields = append(out.fields, f.v)
				continue
			}
			x := &m.expect[f.channel]
			if !m.begun[f.channel] {
				if len(firsts) == 0 {
					return false
				}
				m.begun[f.channel] = true
				x.begin(m.channels[f.channel].way, firsts[0])
				out.fields, firsts = append(out.fields, firsts[0]), firsts[1:]
				continue
			}
			var z uint64
			z, state = r.symbol(&m.tables[m.channels[f.channel].table[x.context()]], state)
			v := x.next() + unzigzag(z)
			x.take(v, z)
			out.fields = append(out.fields, v)
		}
		digits := int64(0)
		if t.value >= 0 {
			digits = out.fields[from+t.value]
		}
		out.Kind, out.template = append(out.Kind, c.kind), append(out.template, c.template)
		out.Digits, out.fieldAt = append(out.Digits, digits), append(out.fieldAt, from)
		if t.whole {
			out.said = append(out.said, whole.bytes()...)
			out.more = append(out.more, whole.bytes()...)
		}
		out.saidEnd, out.moreEnd = append(out.saidEnd, len(out.said)), append(out.moreEnd, len(out.more))
	}
	return state&(states-1) == 0 && r.pos < past && len(firsts) == 0 && !whole.bad && len(whole.b) == 0
}
