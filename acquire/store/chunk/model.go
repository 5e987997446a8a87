package chunk

// model is what the blocks of a dense chunk share.
type model struct {
	classes   []class
	templates []template
	channels  []channel
	lineWay   uint8
	slope     int64
	res       int64
	ofStamps  [contexts]uint8 // which table a context takes
	ofClasses [contexts]uint8
	counts    [][]count
	tables    [][states]step // filled when the first block is read
	filled    bool

	data   []byte // of a block, with padding
	firsts []int64
	expect []expect
	begun  []bool
}

// appendModel writes what the blocks share: classes, templates, channels, the
// line, and the tables.
func (d *dense) appendModel(b []byte) []byte {
	b = appendUint(b, uint64(len(d.classes)))
	for _, c := range d.classes {
		b = append(b, c.kind, c.template)
	}
	b = appendUint(b, uint64(len(d.templates)))
	for i := range d.templates {
		b = d.templates[i].appendTo(b)
	}
	b = appendInt(append(b, d.lineWay), d.slope)
	b = append(b, byte(len(d.groups)))
	for i := range d.groups {
		b = appendCounts(b, d.counts[i])
	}
	var of [contexts]uint8
	b = appendMap(b, copyMap(&of, d.of[histStamps:histStamps+stampContexts]))
	if len(d.classes) > 1 {
		of = [contexts]uint8{}
		b = appendMap(b, copyMap(&of, d.of[histClasses:histClasses+classBefore]))
	}
	b = appendUint(b, uint64(len(d.channels)))
	for i := range d.channels {
		ch := &d.channels[i]
		b = appendInt(appendInt(append(b, ch.way), ch.scale), ch.offset)
		b = appendMap(b, &ch.table)
	}
	return b
}

func copyMap(to *[contexts]uint8, from []uint8) *[contexts]uint8 {
	copy(to[:], from)
	return to
}

// appendMap writes runs of equal entries.
func appendMap(b []byte, m *[contexts]uint8) []byte {
	for i := 0; i < len(m); {
		n := 1
		for i+n < len(m) && m[i+n] == m[i] {
			n++
		}
		b = append(b, byte(n), m[i])
		i += n
	}
	return b
}

// readMap reads what appendMap wrote, with entries below tables.
func readMap(s *source, m *[contexts]uint8, tables int) bool {
	for i := 0; i < len(m); {
		n, t := int(s.byte()), s.byte()
		if s.bad || n < 1 || n > len(m)-i || int(t) >= max(tables, 1) {
			return false
		}
		for range n {
			m[i] = t
			i++
		}
	}
	return true
}

func (t *template) appendTo(b []byte) []byte {
	whole := uint64(0)
	if t.whole {
		whole = 1
	}
	b = appendUint(b, uint64(t.value+1)<<1|whole)
	b = appendUint(b, uint64(len(t.fields)))
	for _, f := range t.fields {
		if f.constant {
			b = appendInt(append(b, 1), f.v)
		} else {
			b = append(b, 0)
		}
	}
	for _, all := range [2][]element{t.said, t.more} {
		b = appendUint(b, uint64(len(all)))
		for i := range all {
			e := &all[i]
			b = appendUint(appendText(b, e.text), uint64(e.field+1))
			if e.field >= 0 {
				plus := byte(0)
				if e.plus {
					plus = 1
				}
				b = append(b, e.width, e.places, plus)
			}
		}
	}
	return b
}

// readFrom reads what appendTo wrote. channels is how many there are so far.
func (t *template) readFrom(s *source, channels *int) bool {
	v := s.count(2*maxNumbers + 1)
	*t = template{whole: v&1 != 0, value: v>>1 - 1}
	n := s.count(maxNumbers)
	if t.value >= n || t.whole && n > 1 {
		return false
	}
	for range n {
		f := field{constant: s.byte() == 1, slot: t.slots}
		if f.constant {
			f.v = s.int()
		} else {
			f.channel = *channels
			*channels++
			t.slots++
		}
		t.fields = append(t.fields, f)
	}
	for _, all := range [2]*[]element{&t.said, &t.more} {
		for range s.count(len(s.b)) {
			e := element{text: string(s.bytes())}
			if e.field = s.count(n) - 1; e.field >= 0 {
				e.width, e.places = s.byte(), s.byte()
				e.plus = s.byte() == 1
			}
			if s.bad {
				return false
			}
			*all = append(*all, e)
		}
	}
	return !s.bad
}

// open reads what appendModel wrote.
func (m *model) open(s *source, c *Chunk) bool {
	m.res, m.filled = resolutions()[c.res], false
	m.classes, m.templates, m.channels = m.classes[:0], m.templates[:0], m.channels[:0]
	for range s.count(maxClasses) {
		m.classes = append(m.classes, class{s.byte(), s.byte()})
	}
	channels := 0
	for range s.count(maxTemplates + 2) {
		var t template
		if !t.readFrom(s, &channels) || channels > maxNumbers+2 {
			return false
		}
		m.templates = append(m.templates, t)
	}
	for _, c2 := range m.classes {
		if int(c2.kind) >= len(c.kinds) || int(c2.template) >= len(m.templates) ||
			c.kinds[c2.kind].HasValue != (m.templates[c2.template].value >= 0) {
			return false
		}
	}
	m.lineWay, m.slope = s.byte(), s.int()
	if m.lineWay >= lineWays || len(m.classes) == 0 {
		return false
	}
	return m.openTables(s) && m.openChannels(s, channels)
}

func (m *model) openTables(s *source) bool {
	n := int(s.byte())
	if n > maxTables {
		return false
	}
	for len(m.counts) < n {
		m.counts = append(m.counts, nil)
	}
	m.counts = m.counts[:n]
	for i := range n {
		var ok bool
		if m.counts[i], ok = readCounts(s, m.counts[i]); !ok {
			return false
		}
	}
	return readMap(s, &m.ofStamps, n) && (len(m.classes) == 1 || readMap(s, &m.ofClasses, n))
}

func (m *model) openChannels(s *source, want int) bool {
	if s.count(want) != want {
		return false
	}
	for range want {
		ch := channel{way: s.byte(), scale: s.int(), offset: s.int()}
		if ch.way >= ways || !readMap(s, &ch.table, len(m.counts)) {
			return false
		}
		m.channels = append(m.channels, ch)
	}
	return !s.bad
}

// fill makes the tables.
func (m *model) fill() {
	n := max(len(m.counts), 1)
	if cap(m.tables) < n {
		m.tables = make([][states]step, n)
	}
	m.tables = m.tables[:n]
	m.tables[0] = [states]step{} // for blocks of one row, which read none
	for i := range m.counts {
		decodeTable(m.counts[i], &m.tables[i])
	}
	m.filled = true
}
