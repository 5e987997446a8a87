package report

import (
	"fmt"
	"slices"
	"strings"
	"unicode/utf8"
)

// Paper is a size of paper, mm.
type Paper struct {
	Name          string
	Width, Height float64
}

// Papers lists the papers that reports are set on.
func Papers() []Paper { return []Paper{{"A4", 210, 297}, {"Letter", 215.9, 279.4}} }

// PaperOf returns the paper of a name, whatever its case.
func PaperOf(name string) (Paper, error) {
	for _, p := range Papers() {
		if strings.EqualFold(p.Name, name) {
			return p, nil
		}
	}
	return Paper{}, fmt.Errorf("there is no paper %q; write A4 or Letter", name)
}

// Margins and sizes: millimetres, and points for type.
const (
	margin     = 18.0
	headHeight = 10.0 // below the upper margin's edge
	footHeight = 14.0
	bodySize   = 9.0
	tableSize  = 7.5
	titleSize  = 18.0
	headSize   = 12.0
	largeSize  = 44.0
	pointMM    = 25.4 / 72
	leading    = 1.35
	labelWidth = 52.0
	cellPad    = 1.2
)

// measure is how wide a text is, mm.
type measure func(text string, size float64, bold bool) float64

// setting is a document being set on pages.
type setting struct {
	paper   Paper
	measure measure
	pages   [][]Shape
	y       float64
}

func (s *setting) width() float64  { return s.paper.Width - 2*margin }
func (s *setting) bottom() float64 { return s.paper.Height - margin - footHeight }
func (s *setting) top() float64    { return margin + headHeight }

func (s *setting) put(sh ...Shape) {
	last := len(s.pages) - 1
	s.pages[last] = append(s.pages[last], sh...)
}

func (s *setting) newPage() {
	s.pages = append(s.pages, nil)
	s.y = s.top()
}

// need begins a new page where less than h is left on this one.
func (s *setting) need(h float64) {
	if s.y+h > s.bottom() && s.y > s.top() {
		s.newPage()
	}
}

func lineHeight(size float64) float64 { return size * pointMM * leading }

func (s *setting) write(x, y, size float64, bold bool, c Colour, a Anchor, text string) {
	if text != "" {
		s.put(Shape{Path: []Point{{x, y}}, Text: text, Size: size, Bold: bold, Ink: c, Anchor: a})
	}
}

// lines sets lines of text from x on, a page further where one is full.
func (s *setting) lines(x, size float64, bold bool, c Colour, lines []string) {
	h := lineHeight(size)
	for _, l := range lines {
		s.need(h)
		s.write(x, s.y+size*pointMM, size, bold, c, Start, l)
		s.y += h
	}
}

// wrap breaks a text into lines no wider than width. A word that is wider is broken
// where it must be.
func (s *setting) wrap(text string, width, size float64, bold bool) []string {
	var out []string
	for _, para := range strings.Split(text, "\n") {
		line := ""
		for _, word := range wordsOf(para) {
			joined := word
			if line != "" {
				joined = line + " " + word
			}
			if s.measure(joined, size, bold) <= width {
				line = joined
				continue
			}
			if line != "" {
				out = append(out, line)
			}
			for s.measure(word, size, bold) > width {
				n := s.fitting(word, width, size, bold)
				out = append(out, word[:n])
				word = word[n:]
			}
			line = word
		}
		out = append(out, line)
	}
	return out
}

// fitting is how many bytes of a word fit into width, at least one character's; it
// ends behind a mark that words are read over at, where one is near.
func (s *setting) fitting(word string, width, size float64, bold bool) int {
	n, mark := 0, 0
	for i, r := range word {
		end := i + utf8.RuneLen(r)
		if n > 0 && s.measure(word[:end], size, bold) > width {
			break
		}
		if n = end; strings.ContainsRune("/-_.,:;", r) {
			mark = end
		}
	}
	if mark > n/2 && n < len(word) {
		return mark
	}
	return n
}

// set sets a cleaned document on pages.
func set(d *Document, p Paper, m measure) [][]Shape {
	s := &setting{paper: p, measure: m}
	s.newPage()
	s.lines(margin, titleSize, true, Ink, s.wrap(d.Title, s.width(), titleSize, true))
	s.lines(margin, headSize, false, Ink, s.wrap(d.Of, s.width(), headSize, false))
	s.y += 2
	if d.Simulated {
		s.paragraph(&Paragraph{Warning, simulatedWords})
	}
	for _, sec := range d.Sections {
		if sec.Apart {
			s.newPage()
		}
		s.need(5 + lineHeight(headSize) + s.first(sec.Blocks[0]))
		s.y += 3
		s.lines(margin, headSize, true, Ink, s.wrap(sec.Title, s.width(), headSize, true))
		s.put(Shape{Path: []Point{{margin, s.y}, {s.paper.Width - margin, s.y}}, Stroke: 0.3, Line: Grey})
		s.y += 2
		for _, b := range sec.Blocks {
			s.block(b)
		}
	}
	s.finish(d)
	return s.pages
}

// first is how much of a block must stand on the page of the heading above it.
func (s *setting) first(b Block) float64 {
	if f, ok := b.(*Figure); ok {
		return s.figureHeight(f)
	}
	return 20
}

func (s *setting) block(b Block) {
	switch b := b.(type) {
	case *Paragraph:
		s.paragraph(b)
	case *Pairs:
		s.pairs(b)
	case *Table:
		s.table(b)
	case *Figure:
		s.figure(b)
	case *Signatures:
		s.signatures(b)
	}
}

// finish puts head and foot on all pages, now that their number is known.
func (s *setting) finish(d *Document) {
	for i := range s.pages {
		var at []Shape
		s.pages = append(s.pages, nil)
		put := func(x, y float64, a Anchor, text string) {
			s.write(x, y, tableSize, false, Grey, a, text)
		}
		left, right := margin, s.paper.Width-margin
		of := "as of " + stamp(d.As)
		room := s.width() - s.measure(of, tableSize, false) - 4
		name := d.Title
		if d.Site != "" {
			name = d.Site + " · " + d.Title
		}
		put(left, margin, Start, s.headOf(name, d, room))
		put(right, margin, End, of)
		s.put(Shape{Path: []Point{{left, margin + 2}, {right, margin + 2}}, Stroke: 0.2, Line: Pale})
		foot := s.paper.Height - margin
		s.put(Shape{Path: []Point{{left, foot - 8.5}, {right, foot - 8.5}}, Stroke: 0.2, Line: Pale})
		page := fmt.Sprintf("Page %d of %d", i+1, len(s.pages)-1)
		foots := footWords
		if slices.ContainsFunc(s.pages[i], func(x Shape) bool { return strings.Contains(x.Text, exceedsWord) }) {
			foots += "\n" + serviceWords
		}
		for k, l := range s.wrap(foots, s.width()-s.measure(page, tableSize, false)-6, tableSize, false) {
			put(left, foot-5+float64(k)*lineHeight(tableSize), Start, l)
		}
		put(right, foot-5, End, page)
		at = s.pages[len(s.pages)-1]
		s.pages = s.pages[:len(s.pages)-1]
		s.pages[i] = append(s.pages[i], at...)
	}
}

// headOf is what stands at the head of each page: name, and where that is too long the
// report's title with as much of the site's as there is room for.
func (s *setting) headOf(name string, d *Document, room float64) string {
	const more = "…"
	if s.measure(name, tableSize, false) <= room {
		return name
	}
	text := []rune(d.Title + " · " + d.Site)
	for len(text) > 0 && s.measure(string(text)+more, tableSize, false) > room {
		text = text[:len(text)-1]
	}
	return string(text) + more
}

// wordsOf parts a line where it may be broken, which is not at a no-break space.
func wordsOf(line string) []string {
	return strings.FieldsFunc(line, func(r rune) bool { return r == ' ' })
}
