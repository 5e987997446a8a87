// Package wire keeps conversations with instruments in text files: each byte both
// ways, with its instant. A recording shows what was said on a line, can be
// replayed, and becomes a test. The format:
//
//	# name: what is to be seen in it
//	# obtained: invented, or from what instrument and how
//	# date: 2025-11-25
//	# begun: 2025-11-25T10:00:00.000000Z
//	# driver: textline
//	# set: baud = 9600
//	# set: textline.query = "READ?\n"
//	> "READ?\n" @0.000000
//	< "0.412,mW/cm2,OK\r\n" @0.012345
//
// The header comes first. '>' is what was sent to the instrument, '<' what it
// sent, each a Go string; @ is when, in seconds after the beginning, and may be
// left out. driver and set (a key of the configuration and its value, one a line)
// say what the conversation is read with. A later line that starts with # is a
// remark.
//
// Instants are seconds since the recording began. The package judges nothing of
// what was said, and a recorder never holds up the conversation it records.
package wire

import (
	"bufio"
	"fmt"
	"io"
	"strconv"
	"strings"
	"time"
)

// Line is what one side said.
type Line struct {
	Sent  bool // to the instrument
	Bytes []byte
	At    time.Duration // since the recording began
	Timed bool          // At is known
}

// Conversation is a recording, read.
type Conversation struct {
	Header Header
	Lines  []Line
}

// Header says what a recording is.
type Header struct {
	Name, Obtained string
	Date           time.Time // first instant of that day, UTC
	Begun          time.Time // zero when not said
	Driver         string
	Set            []string // "key = value", as the configuration writes it
}

// maxLine bounds one line of a file, in bytes.
const maxLine = 1 << 20

// Parse reads a recording. Errors begin with the line's number.
func Parse(r io.Reader) (Conversation, error) {
	var c Conversation
	s := bufio.NewScanner(r)
	s.Buffer(nil, maxLine)
	n := 0
	for s.Scan() {
		n++
		text := strings.TrimSuffix(s.Text(), "\r")
		var err error
		switch {
		case text == "":
		case strings.HasPrefix(text, "#"):
			if len(c.Lines) == 0 {
				err = c.Header.add(strings.TrimSpace(text[1:]))
			}
		default:
			var l Line
			l, err = ParseLine(text)
			c.Lines = append(c.Lines, l)
		}
		if err != nil {
			return Conversation{}, fmt.Errorf("%d: %w", n, err)
		}
	}
	if err := s.Err(); err != nil {
		return Conversation{}, fmt.Errorf("%d: %w", n+1, err)
	}
	return c, nil
}

// add reads a line of the header; one that is none is a remark.
func (h *Header) add(text string) (err error) {
	key, value, _ := strings.Cut(text, ": ")
	switch key {
	case "name":
		h.Name = value
	case "obtained":
		h.Obtained = value
	case "date":
		h.Date, err = time.Parse(time.DateOnly, value)
	case "begun":
		h.Begun, err = time.Parse(time.RFC3339Nano, value)
	case "driver":
		h.Driver = value
	case "set":
		if !strings.Contains(value, "=") {
			return fmt.Errorf("want key = value after set: %q", value)
		}
		h.Set = append(h.Set, value)
	}
	return err
}

// ParseLine reads one line that starts with > or <.
func ParseLine(text string) (Line, error) {
	kind, rest, _ := strings.Cut(text, " ")
	if kind != ">" && kind != "<" {
		return Line{}, fmt.Errorf("want a line that starts with #, > or <: %q", text)
	}
	l := Line{Sent: kind == ">"}
	quoted, err := strconv.QuotedPrefix(rest)
	if err != nil {
		return Line{}, fmt.Errorf("want a Go string after %q: %s", kind, rest)
	}
	said, err := strconv.Unquote(quoted)
	if err != nil {
		return Line{}, fmt.Errorf("want a Go string after %q: %s", kind, rest)
	}
	l.Bytes = []byte(said)
	tail := strings.TrimSpace(rest[len(quoted):])
	if tail == "" {
		return l, nil
	}
	seconds, ok := strings.CutPrefix(tail, "@")
	s, err := strconv.ParseFloat(seconds, 64)
	if !ok || err != nil || !(s >= 0 && s < 1e9) {
		return Line{}, fmt.Errorf("want nothing or @ and seconds after the string: %q", tail)
	}
	l.At, l.Timed = time.Duration(s*float64(time.Second)+0.5), true
	return l, nil
}

// String prints l as a file holds it.
func (l Line) String() string {
	kind := "<"
	if l.Sent {
		kind = ">"
	}
	s := kind + " " + strconv.Quote(string(l.Bytes))
	if l.Timed {
		s += fmt.Sprintf(" @%.6f", l.At.Seconds())
	}
	return s
}

// write writes the header.
func (h Header) write(w io.Writer) error {
	var b strings.Builder
	fmt.Fprintf(&b, "# name: %s\n# obtained: %s\n# date: %s\n# begun: %s\n", h.Name, h.Obtained,
		h.Begun.UTC().Format(time.DateOnly), h.Begun.UTC().Format("2006-01-02T15:04:05.000000Z"))
	if h.Driver != "" {
		fmt.Fprintf(&b, "# driver: %s\n", h.Driver)
	}
	for _, s := range h.Set {
		fmt.Fprintf(&b, "# set: %s\n", s)
	}
	_, err := io.WriteString(w, b.String())
	return err
}
