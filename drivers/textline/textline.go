// Package textline reads instruments that speak in lines of text: an optional
// query, an answer that ends with a terminator, and in it a value, a unit and
// a status word, found by column or by a regular expression.
//
// Numbers and units pass through as the instrument said them; nothing is
// converted here. A line that is not wholly understood is an error, never a
// reading: an unknown status word, an unknown unit or a column too many is not
// taken for a plain reading. The package does no input or output and asks no
// clock.
package textline

import (
	"bytes"
	"errors"
	"regexp"
	"slices"

	"ovenward/drivers"
)

// Options describe one instrument's language. The names in the comments are
// those of the configuration, which the errors of New use.
type Options struct {
	Query      string // query: bytes sent to ask for one reading; "" when the instrument talks by itself
	Terminator string // terminator: ends a line; default "\n". A "\r" left before it is cut

	DecimalMark byte   // decimal: '.' (default) or ','
	Separator   string // separator: between columns; "" means runs of blanks

	// Columns count from 1; 0 means that there is none. A line has exactly as
	// many columns as the highest of all. ValueColumn may be 0 where the axes
	// have columns: a total is the instrument's to say, or nobody's.
	ValueColumn  int // value
	UnitColumn   int // unit
	StatusColumn int // status

	// Pattern (pattern) is a Go regular expression that must match the whole
	// line, with the named groups value and, as wanted, unit and status. It
	// takes the place of separator and columns.
	Pattern string

	Unit  string   // unit: of every reading, when the line does not say it
	Units []string // units: spellings accepted where the line says it

	// Status words, matched whole and by case. A word in none of the lists is
	// an error. Those of OverRange and Fault are also known in place of a
	// number. OK may hold "" where the status may be left empty.
	OK         []string // ok
	OverRange  []string // over_range
	BatteryLow []string // battery_low
	Fault      []string // fault

	More More // several values in a line, other numbers, a checksum
}

const (
	// maxLine bounds a line in bytes, without its terminator.
	maxLine = 512

	// piece is what Split hands out of a run without a terminator. It is more
	// than maxLine even after a "\r" is cut, so that Parse refuses it.
	piece = maxLine + 2
)

// protocol is what Options come to. It is never changed once made.
type protocol struct {
	query      []byte
	terminator []byte
	separator  []byte // empty: runs of blanks
	mark       byte

	value, unit, status int // columns, or groups of the pattern; 0 = none
	columns             int // the highest of all
	pattern             *regexp.Regexp

	fixedUnit string
	units     []string
	words     []word
	more      more
	tails     []tail
}

// word is one status word and what it means.
type word struct {
	text   string
	status drivers.Status
}

// New returns the protocol that o describes. Its error joins all that is wrong
// with o, each part naming the option by its name in the configuration.
func New(o Options) (drivers.Protocol, error) {
	p := &protocol{
		query:      []byte(o.Query),
		terminator: []byte(o.Terminator),
		separator:  []byte(o.Separator),
		mark:       o.DecimalMark,
		value:      o.ValueColumn,
		unit:       o.UnitColumn,
		status:     o.StatusColumn,
		columns:    max(o.ValueColumn, o.UnitColumn, o.StatusColumn),
		fixedUnit:  o.Unit,
		units:      slices.Clone(o.Units),
	}
	if len(p.terminator) == 0 {
		p.terminator = []byte("\n")
	}
	if p.mark == 0 {
		p.mark = '.'
	}
	for _, list := range o.lists() {
		for _, text := range list.words {
			p.words = append(p.words, word{text, list.status})
		}
	}
	if err := errors.Join(p.setMore(o.More), p.check(o)); err != nil {
		return nil, err
	}
	p.tails = p.plainTails()
	return p, nil
}

// Request returns the query.
func (p *protocol) Request() []byte { return p.query }

// Split finds the first line. A blank line is dropped. A run that outgrows
// maxLine is handed out in pieces that Parse refuses; the pieces are cut so
// that what is left of the run before its terminator is too long as well, for
// the end of a broken line must not pass for a line.
func (p *protocol) Split(buf []byte) (advance int, frame []byte) {
	window := buf[:min(len(buf), 2*piece+len(p.terminator)-1)]
	at := bytes.IndexByte(window, p.terminator[0])
	if at >= 0 && len(p.terminator) > 1 {
		at = bytes.Index(window, p.terminator)
	}
	switch {
	case at >= 0:
		line := cutReturn(buf[:at])
		if isBlanks(line) {
			return at + len(p.terminator), nil
		}
		return at + len(p.terminator), line
	case len(window) < 2*piece+len(p.terminator)-1:
		return 0, nil
	default:
		return piece, buf[:piece]
	}
}

// index is bytes.Index. Mostly what is looked for is one byte, and found sooner as such.
func index(b, what []byte) int {
	if len(what) == 1 {
		return bytes.IndexByte(b, what[0])
	}
	return bytes.Index(b, what)
}

// trim cuts the blanks, spaces and tabs, at both ends.
func trim(b []byte) []byte {
	for len(b) > 0 && isBlank(b[0]) {
		b = b[1:]
	}
	for len(b) > 0 && isBlank(b[len(b)-1]) {
		b = b[:len(b)-1]
	}
	return b
}

// isBlanks says whether a line holds nothing but blanks.
func isBlanks(line []byte) bool {
	for _, c := range line {
		if !isBlank(c) {
			return false
		}
	}
	return true
}

func isBlank(c byte) bool { return c == ' ' || c == '\t' }

// cutReturn cuts the "\r" of a line end "\r\n" when the terminator is "\n".
func cutReturn(b []byte) []byte {
	if n := len(b); n > 0 && b[n-1] == '\r' {
		return b[:n-1]
	}
	return b
}
