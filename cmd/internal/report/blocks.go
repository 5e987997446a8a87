package report

import "strings"

func (s *setting) paragraph(p *Paragraph) {
	size, bold := bodySize, false
	switch p.Tone {
	case Small:
		size = tableSize
	case Verdict:
		size, bold = headSize, true
	case Large:
		size, bold = largeSize, true
	}
	framed := p.Tone == Verdict || p.Tone == Warning || p.Tone == Large
	x, width := margin, s.width()
	if framed {
		x, width = x+3, width-6
	}
	lines := s.wrap(p.Text, width, size, bold)
	h := lineHeight(size) * float64(len(lines))
	if framed {
		s.need(min(h+4, s.bottom()-s.top()))
		if s.y+h+4 <= s.bottom() {
			line := Ink
			if p.Tone != Verdict {
				line = Red
			}
			s.put(Shape{Path: []Point{{margin, s.y}, {margin + s.width(), s.y}, {margin + s.width(), s.y + h + 3.5}, {margin, s.y + h + 3.5}},
				Closed: true, Stroke: 0.4, Line: line})
		}
		s.y += 1.6
	}
	colour := Ink
	if p.Tone == Small {
		colour = Grey
	}
	s.lines(x, size, bold, colour, lines)
	if framed {
		s.y += 2
	}
	s.y += 1.6
}

func (s *setting) pairs(p *Pairs) {
	h := lineHeight(bodySize)
	for _, pair := range p.List {
		names := s.wrap(pair.Name, labelWidth-3, bodySize, false)
		values := s.wrap(pair.Value.Text, s.width()-labelWidth, bodySize, false)
		s.need(min(float64(max(len(names), len(values))), 4) * h)
		for i := range max(len(names), len(values)) {
			s.need(h)
			if i < len(names) {
				s.write(margin, s.y+bodySize*pointMM, bodySize, false, Grey, Start, names[i])
			}
			if i < len(values) {
				s.write(margin+labelWidth, s.y+bodySize*pointMM, bodySize, false, Ink, Start, values[i])
			}
			s.y += h
		}
	}
	s.y += 1.6
}

// columns finds the widths of a table's columns: as their texts ask, and where that
// is too wide, by how much each can give without breaking a word.
func (s *setting) columns(t *Table) []float64 {
	n := len(t.Columns)
	natural, least := make([]float64, n), make([]float64, n)
	look := func(j int, text string, bold bool) {
		for _, l := range strings.Split(text, "\n") {
			natural[j] = max(natural[j], s.measure(l, tableSize, bold))
			for _, w := range wordsOf(l) {
				least[j] = max(least[j], s.measure(w, tableSize, bold))
			}
		}
	}
	for j, c := range t.Columns {
		look(j, c.Title, true)
		for _, r := range t.Rows {
			look(j, r[j].Text, false)
		}
	}
	room := s.width() - float64(2*n)*cellPad
	var sum, sumLeast float64
	most := widest(least, room)
	for j := range n {
		least[j] = min(least[j], most)
		sum, sumLeast = sum+natural[j], sumLeast+least[j]
	}
	widths := make([]float64, n)
	for j := range n {
		switch {
		case sum <= room:
			widths[j] = natural[j] + (room-sum)/float64(n)
		case sumLeast >= room || sum <= sumLeast:
			widths[j] = least[j] * room / sumLeast
		default:
			widths[j] = least[j] + (natural[j]-least[j])*(room-sumLeast)/(sum-sumLeast)
		}
	}
	return widths
}

// widest is the width that no column may ask for more of, so that those of short words
// keep theirs: at most 0.3 of the room, and less where even that is too wide.
func widest(least []float64, room float64) float64 {
	lo, hi := 0.0, 0.3*room
	sum := func(most float64) (all float64) {
		for _, l := range least {
			all += min(l, most)
		}
		return all
	}
	if sum(hi) <= room {
		return hi
	}
	for range 40 {
		if mid := (lo + hi) / 2; sum(mid) <= room {
			lo = mid
		} else {
			hi = mid
		}
	}
	return lo
}

func (s *setting) table(t *Table) {
	if t.Title != "" {
		s.need(lineHeight(bodySize) + 14)
		s.lines(margin, bodySize, true, Ink, s.wrap(t.Title, s.width(), bodySize, true))
		s.y += 0.6
	}
	if len(t.Rows) == 0 {
		s.paragraph(&Paragraph{Plain, t.None})
		return
	}
	widths := s.columns(t)
	titles := make([]Cell, len(t.Columns))
	for j, c := range t.Columns {
		titles[j].Text = c.Title
	}
	head := s.row(titles, widths, true)
	s.need(rowHeight(head) + 8)
	s.putRow(t, head, widths, true)
	h := lineHeight(tableSize)
	for _, r := range t.Rows {
		cells := s.row(r, widths, false)
		for len(cells[0]) > 0 || !empty(cells) {
			room := s.bottom() - s.y
			if whole := rowHeight(cells); whole > room {
				if fresh := s.bottom() - s.top() - rowHeight(head); whole <= fresh || room < 4*h {
					s.newPage()
					s.putRow(t, head, widths, true)
					room = s.bottom() - s.y
				}
			}
			var now [][]string
			now, cells = cut(cells, int((room-2*cellPad*0.6)/h))
			s.putRow(t, now, widths, false)
		}
	}
	s.y += 2.5
}

// row wraps cells.
func (s *setting) row(cells []Cell, widths []float64, bold bool) [][]string {
	out := make([][]string, len(cells))
	for j, c := range cells {
		out[j] = s.wrap(c.Text, widths[j], tableSize, bold)
	}
	return out
}

func empty(cells [][]string) bool {
	for _, c := range cells {
		if len(c) > 0 {
			return false
		}
	}
	return true
}

// cut parts a row that is higher than what is left of a page.
func cut(cells [][]string, n int) (now, rest [][]string) {
	n = max(n, 1)
	for _, c := range cells {
		k := min(n, len(c))
		now, rest = append(now, c[:k]), append(rest, c[k:])
	}
	return now, rest
}

func rowHeight(cells [][]string) float64 {
	n := 1
	for _, c := range cells {
		n = max(n, len(c))
	}
	return float64(n)*lineHeight(tableSize) + 2*cellPad*0.6
}

func (s *setting) putRow(t *Table, cells [][]string, widths []float64, head bool) {
	h := rowHeight(cells)
	if head {
		s.put(Shape{Path: []Point{{margin, s.y}, {margin + s.width(), s.y}, {margin + s.width(), s.y + h}, {margin, s.y + h}}, Closed: true, Filled: true, Fill: Faint})
	}
	x := margin
	for j, c := range cells {
		at, a := x+cellPad, Start
		if t.Columns[j].Right {
			at, a = x+cellPad+widths[j], End
		}
		for i, l := range c {
			s.write(at, s.y+cellPad*0.6+tableSize*pointMM+float64(i)*lineHeight(tableSize), tableSize, head, Ink, a, l)
		}
		x += widths[j] + 2*cellPad
	}
	s.y += h
	s.put(Shape{Path: []Point{{margin, s.y}, {margin + s.width(), s.y}}, Stroke: 0.1, Line: Pale})
}

// scale fits a drawing to the page.
func (s *setting) scale(d *Drawing) float64 {
	return min(1.2, s.width()/d.Width, (s.bottom()-s.top()-30)/d.Height)
}

func (s *setting) figureHeight(f *Figure) float64 {
	return f.Drawing.Height*s.scale(&f.Drawing) + 5 + lineHeight(bodySize) + lineHeight(tableSize)*float64(len(s.wrap(f.Alt, s.width(), tableSize, false)))
}

func (s *setting) figure(f *Figure) {
	d := &f.Drawing
	scale := s.scale(d)
	s.need(s.figureHeight(f))
	s.lines(margin, bodySize, true, Ink, s.wrap(f.Title, s.width(), bodySize, true))
	s.y += 1
	for _, sh := range d.Shapes {
		moved := sh
		moved.Path = make([]Point, len(sh.Path))
		for i, p := range sh.Path {
			moved.Path[i] = Point{margin + p.X*scale, s.y + p.Y*scale}
		}
		moved.Size *= min(scale, 1.1)
		s.put(moved)
	}
	s.y += d.Height*scale + 2
	s.lines(margin, tableSize, false, Grey, s.wrap(f.Alt, s.width(), tableSize, false))
	s.y += 2
}

func (s *setting) signatures(g *Signatures) {
	for _, who := range g.Who {
		s.need(17)
		base := s.y + 11
		third := s.width() / 3
		for i, label := range []string{who + ": name", "date", "signature"} {
			x := margin + float64(i)*third
			s.put(Shape{Path: []Point{{x, base}, {x + third - 6, base}}, Stroke: 0.25, Line: Grey})
			s.write(x, base+3.6, tableSize, false, Grey, Start, s.wrap(label, third-6, tableSize, false)[0])
		}
		s.y += 17
	}
}
