package report

import (
	"fmt"
	"strings"
	"unicode"
	"unicode/utf8"

	"golang.org/x/text/unicode/norm"
)

// cleaned is a copy of the document whose texts are valid, composed (NFC) and
// without control characters, so that all forms show the same.
func (d *Document) cleaned() *Document {
	c := *d
	for _, s := range []*string{&c.Title, &c.Of, &c.Site, &c.Version} {
		*s = plain(*s)
	}
	c.Sections = make([]Section, len(d.Sections))
	for i, s := range d.Sections {
		c.Sections[i].Title, c.Sections[i].Apart = plain(s.Title), s.Apart
		for _, b := range s.Blocks {
			c.Sections[i].Blocks = append(c.Sections[i].Blocks, cleanBlock(b))
		}
	}
	return &c
}

func cleanBlock(b Block) Block {
	switch b := b.(type) {
	case *Paragraph:
		return &Paragraph{b.Tone, plain(b.Text)}
	case *Pairs:
		c := &Pairs{}
		for _, p := range b.List {
			c.List = append(c.List, Pair{plain(p.Name), cleanCell(p.Value)})
		}
		return c
	case *Table:
		c := &Table{Title: plain(b.Title), None: plain(b.None)}
		for _, col := range b.Columns {
			c.Columns = append(c.Columns, Column{plain(col.Title), col.Right})
		}
		for _, r := range b.Rows {
			row := make([]Cell, len(r))
			for i := range r {
				row[i] = cleanCell(r[i])
			}
			c.Rows = append(c.Rows, row)
		}
		return c
	case *Figure:
		c := *b
		c.Title, c.Alt = plain(b.Title), plain(b.Alt)
		c.Drawing.Shapes = append([]Shape(nil), b.Drawing.Shapes...)
		for i := range c.Drawing.Shapes {
			c.Drawing.Shapes[i].Text = plain(c.Drawing.Shapes[i].Text)
		}
		return &c
	case *Signatures:
		c := &Signatures{}
		for _, w := range b.Who {
			c.Who = append(c.Who, plain(w))
		}
		return c
	}
	return b
}

func cleanCell(c Cell) Cell {
	c.Text = plain(c.Text)
	return c
}

// plain makes a text valid and composed. Ends of lines stay; what else is no
// character to be seen becomes U+FFFD.
func plain(s string) string {
	s = norm.NFC.String(strings.ToValidUTF8(s, "\uFFFD"))
	return strings.Map(func(r rune) rune {
		switch {
		case r == '\n':
			return r
		case r == '\t', r == '\u2028', r == '\u2029':
			return ' '
		case r == '\u00ad', r == '\u200b', r == '\u200c', r == '\u200d', r == '\ufeff':
			return -1
		case unicode.Is(unicode.C, r):
			return '\uFFFD'
		}
		return r
	}, s)
}

// exceeds says whether the document says EXCEEDS of anything.
func (d *Document) exceeds() bool {
	is := false
	d.texts(func(_, text string) { is = is || strings.Contains(text, exceedsWord) })
	return is
}

// texts calls f for each text of a cleaned document, with where it stands.
func (d *Document) texts(f func(where, text string)) {
	f("the title", d.Title)
	f("the title", d.Of)
	f("the site's name", d.Site)
	f("the program's version", d.Version)
	for _, s := range d.Sections {
		where := fmt.Sprintf("section %q", s.Title)
		f(where, s.Title)
		for _, b := range s.Blocks {
			switch b := b.(type) {
			case *Paragraph:
				f(where, b.Text)
			case *Pairs:
				for _, p := range b.List {
					f(where, p.Name)
					f(where+", "+p.Name, p.Value.Text)
				}
			case *Table:
				f(where, b.Title)
				if len(b.Rows) == 0 {
					f(where, b.None)
					continue
				}
				for _, c := range b.Columns {
					f(where, c.Title)
				}
				for i, r := range b.Rows {
					for j := range r {
						f(fmt.Sprintf("%s, row %d, %s", where, i+1, b.Columns[j].Title), r[j].Text)
					}
				}
			case *Figure:
				f(where, b.Title)
				for _, sh := range b.Drawing.Shapes {
					f(where+", in the drawing", sh.Text)
				}
			case *Signatures:
				for _, w := range b.Who {
					f(where, w)
				}
			}
		}
	}
}

// Unprintable is a character that a PDF cannot show.
type Unprintable struct {
	Rune  rune
	Where string
	Text  string
	Why   string
}

func (u *Unprintable) Error() string {
	return fmt.Sprintf("a PDF cannot show the character %q (U+%04X) in %s, %q: %s; make the report as HTML (name it .html), which your browser shows and prints in every script",
		u.Rune, u.Rune, u.Where, excerpt(u.Text), u.Why)
}

func excerpt(s string) string {
	if utf8.RuneCountInString(s) <= 60 {
		return s
	}
	return string([]rune(s)[:59]) + "…"
}

// printable finds the first character that a PDF cannot show, if any: its font
// has no glyph for it, or its script must be shaped or runs from right to left.
func (d *Document) printable() error {
	var found *Unprintable
	d.texts(func(where, text string) {
		for _, r := range text {
			if found != nil || r == '\n' {
				continue
			}
			why := ""
			switch {
			case !unicode.In(r, unicode.Latin, unicode.Greek, unicode.Cyrillic, unicode.Armenian, unicode.Georgian, unicode.Common):
				why = "its script is not among those that the PDF is set in (Latin, Greek, Cyrillic, Armenian, Georgian)"
			case unicode.Is(unicode.M, r):
				why = "a mark that stands over another letter cannot be placed"
			case !unicode.Is(drawn, r):
				why = "the font has no glyph for it"
			default:
				continue
			}
			found = &Unprintable{r, where, text, why}
		}
	})
	if found != nil {
		return found
	}
	return nil
}
