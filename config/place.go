package config

import (
	"bytes"
	"strconv"
	"unicode/utf8"
)

// place is where a key or an element stands in the source. Places form a tree
// beside the decoded values, since the TOML library gives values no lines.
type place struct {
	line  int
	keys  map[string]*place
	items []*place
}

// key returns the place of a key in the table at p, or p itself when there is
// no such key.
func (p *place) key(name string) *place {
	if k := p.keys[name]; k != nil {
		return k
	}
	return p
}

// item returns the place of the i-th element of the list at p.
func (p *place) item(i int) *place {
	if i < len(p.items) {
		return p.items[i]
	}
	return p
}

// child returns the place of a key in p, and makes it if need be.
func (p *place) child(name string, line int) *place {
	k := p.keys[name]
	if k == nil {
		k = &place{line: line}
		if p.keys == nil {
			p.keys = map[string]*place{}
		}
		p.keys[name] = k
	}
	return k
}

// maxDepth bounds how deep tables, lists and dotted keys may nest. The format
// needs 3; the library's cost grows with the square of the depth.
const maxDepth = 16

// locator walks TOML source and notes lines. It takes all that is valid TOML
// and much that is not; the library refuses the rest.
type locator struct {
	src  []byte
	pos  int
	line int
	deep int // the first line that nests deeper than maxDepth, or 0
}

// locate maps src. deep is the line on which src first nests too deeply, or 0.
func locate(src []byte) (root *place, deep int) {
	l := &locator{src: bytes.TrimPrefix(src, []byte("\xef\xbb\xbf")), line: 1}
	root = &place{line: 1}
	table := root
	for l.blank() && l.deep == 0 {
		before := l.pos
		if l.peek() == '[' {
			table = l.header(root)
		} else {
			l.keyValue(table, 1)
		}
		if l.pos == before {
			l.pos++
		}
	}
	return root, l.deep
}

func (l *locator) peek() byte {
	if l.pos < len(l.src) {
		return l.src[l.pos]
	}
	return 0
}

func (l *locator) has(s string) bool { return bytes.HasPrefix(l.src[l.pos:], []byte(s)) }

// blank skips blanks, line ends and comments; false at the end of the source.
func (l *locator) blank() bool {
	for l.pos < len(l.src) {
		switch l.src[l.pos] {
		case '\n':
			l.line++
		case ' ', '\t', '\r':
		case '#':
			for l.pos+1 < len(l.src) && l.src[l.pos+1] != '\n' {
				l.pos++
			}
		default:
			return true
		}
		l.pos++
	}
	return false
}

// inline skips blanks within a line.
func (l *locator) inline() {
	for c := l.peek(); c == ' ' || c == '\t'; c = l.peek() {
		l.pos++
	}
}

func (l *locator) tooDeep(depth int) bool {
	if depth > maxDepth && l.deep == 0 {
		l.deep = l.line
	}
	return l.deep != 0
}

// header reads [table] or [[table]] and returns the table's place.
func (l *locator) header(root *place) *place {
	l.pos++
	list := l.peek() == '['
	if list {
		l.pos++
	}
	parts := l.dotted()
	for c := l.peek(); c == ']'; c = l.peek() {
		l.pos++
	}
	if len(parts) == 0 || l.tooDeep(len(parts)) {
		return root
	}
	p := root
	for _, part := range parts[:len(parts)-1] {
		p = p.child(part, l.line)
		if n := len(p.items); n > 0 {
			p = p.items[n-1]
		}
	}
	p = p.child(parts[len(parts)-1], l.line)
	if !list {
		p.line = l.line
		return p
	}
	table := &place{line: l.line}
	p.items = append(p.items, table)
	return table
}

// keyValue reads key = value into the table at p.
func (l *locator) keyValue(p *place, depth int) {
	parts := l.dotted()
	if l.tooDeep(depth + len(parts) - 1) {
		return
	}
	for _, part := range parts {
		p = p.child(part, l.line)
	}
	if l.peek() != '=' {
		return
	}
	l.pos++
	l.inline()
	l.value(p, depth+len(parts))
}

// dotted reads a key of one or more parts.
func (l *locator) dotted() []string {
	var parts []string
	for {
		l.inline()
		part, ok := l.part()
		if ok {
			parts = append(parts, part)
		}
		l.inline()
		if !ok || l.peek() != '.' || len(parts) > maxDepth {
			return parts
		}
		l.pos++
	}
}

func (l *locator) part() (string, bool) {
	start := l.pos
	if c := l.peek(); c == '"' || c == '\'' {
		l.quoted(c)
		raw := string(l.src[start:l.pos])
		if c == '\'' {
			return string(bytes.Trim(l.src[start:l.pos], "'")), true
		}
		return unquote(raw), true
	}
	for l.pos < len(l.src) && bytes.IndexByte([]byte(" \t\r\n.=[]{},#\"'"), l.src[l.pos]) < 0 {
		l.pos++
	}
	return string(l.src[start:l.pos]), l.pos > start
}

// quoted skips a string on one line, with both its quotes.
func (l *locator) quoted(quote byte) {
	for l.pos++; l.pos < len(l.src) && l.src[l.pos] != '\n'; l.pos++ {
		switch {
		case l.src[l.pos] == quote:
			l.pos++
			return
		case l.src[l.pos] == '\\' && quote == '"' && l.pos+1 < len(l.src) && l.src[l.pos+1] != '\n':
			l.pos++
		}
	}
}

// long skips a string of many lines, with all its quotes: up to two more may
// touch the three that end it.
func (l *locator) long(quotes string) {
	l.pos += 3
	for l.pos < len(l.src) && !l.has(quotes) {
		if l.src[l.pos] == '\\' && quotes == `"""` && l.pos+1 < len(l.src) {
			l.pos++
		}
		if l.src[l.pos] == '\n' {
			l.line++
		}
		l.pos++
	}
	for n := 0; n < 5 && l.peek() == quotes[0]; n++ {
		l.pos++
	}
}

// value skips a value at p and notes what is inside it.
func (l *locator) value(p *place, depth int) {
	if l.tooDeep(depth) {
		return
	}
	switch {
	case l.has(`"""`), l.has(`'''`):
		l.long(string(l.src[l.pos : l.pos+3]))
	case l.peek() == '"', l.peek() == '\'':
		l.quoted(l.peek())
	case l.peek() == '[':
		l.inside(']', func() {
			item := &place{line: l.line}
			p.items = append(p.items, item)
			l.value(item, depth+1)
		})
	case l.peek() == '{':
		l.inside('}', func() { l.keyValue(p, depth) })
	default:
		for l.pos < len(l.src) && bytes.IndexByte([]byte(",]}#\r\n"), l.src[l.pos]) < 0 {
			l.pos++
		}
	}
}

// inside calls each for every element up to the closing bracket.
func (l *locator) inside(closing byte, each func()) {
	l.pos++
	for l.blank() && l.deep == 0 {
		before := l.pos
		switch l.peek() {
		case closing:
			l.pos++
			return
		case ',':
			l.pos++
		default:
			each()
		}
		if l.pos == before {
			l.pos++
		}
	}
}

// unquote reads a quoted key. TOML's escapes are Go's but for \e, and for \xHH,
// which is a code point here and a byte there.
func unquote(raw string) string {
	var out []byte
	s := raw[1:]
	for s != "" && s[0] != '"' {
		switch {
		case len(s) >= 2 && s[:2] == `\e`:
			out, s = append(out, 0x1b), s[2:]
		case len(s) >= 4 && s[:2] == `\x`:
			n, err := strconv.ParseUint(s[2:4], 16, 8)
			if err != nil {
				return raw
			}
			out, s = utf8.AppendRune(out, rune(n)), s[4:]
		default:
			r, _, tail, err := strconv.UnquoteChar(s, '"')
			if err != nil {
				return raw
			}
			out, s = utf8.AppendRune(out, r), tail
		}
	}
	return string(out)
}
