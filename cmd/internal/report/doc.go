// Package report makes printed matter of what the record and the surveys hold:
// one document of sections, and from it HTML that prints well, PDF on A4 or
// Letter, CSV and JSON. It is pure: data in, bytes out, and the same data makes
// the same bytes, for every date in them is one of the data's.
//
// Power densities come in as W/m² and are printed in mW/cm²; CSV and JSON give
// both, the printed text and the number in SI units. Instants are UTC. Positions
// on paper and in drawings are millimetres from the upper left corner. It reads
// no record, asks no clock, judges nothing and never calls a field safe: what is
// not known is printed as not known.
package report

import (
	"time"
)

// Document is a report before it has a form.
type Document struct {
	Kind      string // monitoring, certificates, standoff, survey, soak or round
	Title     string
	Of        string    // what it is about
	Site      string    // empty: not stated
	As        time.Time // of the data: no later fact is in it; also the date in the PDF
	Simulated bool      // some of the data come from a simulated probe
	Version   string    // of the program that made it
	Sections  []Section
}

// Section is a part of a document under a heading.
type Section struct {
	Title  string
	Blocks []Block
	Apart  bool // on a page of its own
}

// Block is one thing in a section: a Paragraph, Pairs, a Table, a Figure or
// Signatures.
type Block interface{ kind() string }

// Tone says how a paragraph is meant. It is never told by colour alone: each but
// Plain begins with a word of its own, or stands in a frame.
type Tone string

const (
	Plain   Tone = ""
	Verdict Tone = "verdict" // framed, larger
	Warning Tone = "warning" // framed
	Small   Tone = "small"
	Large   Tone = "large" // framed, to be read from across a room
)

// Paragraph is running text.
type Paragraph struct {
	Tone Tone
	Text string
}

// Cell is a text, with its number in SI units where it is one.
type Cell struct {
	Text string
	SI   *float64 // nil: no number, or none that is finite
	Unit string   // of SI
}

// Pair is a named value.
type Pair struct {
	Name  string
	Value Cell
}

// Pairs is a list of named values.
type Pairs struct{ List []Pair }

// Column is a column of a table.
type Column struct {
	Title string
	Right bool // numbers stand to the right
}

// Table is rows under a head, which is printed again on each page.
type Table struct {
	Title   string
	Columns []Column
	Rows    [][]Cell
	None    string // printed instead when there are no rows
}

// Figure is a drawing, with the data that it shows.
type Figure struct {
	Title   string
	Alt     string // what is to be seen, in words
	Drawing Drawing
	Data    []Series // empty: a table beside it says the same
}

// Series is what one line of a chart shows, in SI units.
type Series struct {
	Name  string
	X, Y  string // units; "UTC": X is seconds since 1970
	Point []Point
}

// Point is a place: in a series its values, in a drawing millimetres.
type Point struct{ X, Y float64 }

// Signatures is space to sign in.
type Signatures struct{ Who []string }

func (*Paragraph) kind() string  { return "text" }
func (*Pairs) kind() string      { return "values" }
func (*Table) kind() string      { return "table" }
func (*Figure) kind() string     { return "figure" }
func (*Signatures) kind() string { return "signatures" }

// add puts a section behind the others, unless it holds nothing.
func (d *Document) add(title string, blocks ...Block) {
	var kept []Block
	for _, b := range blocks {
		if p, ok := b.(*Pairs); ok && len(p.List) == 0 {
			continue
		}
		if p, ok := b.(*Paragraph); ok && p.Text == "" {
			continue
		}
		kept = append(kept, b)
	}
	if len(kept) > 0 {
		d.Sections = append(d.Sections, Section{Title: title, Blocks: kept})
	}
}
