package config

import (
	"fmt"
	"math"
	"regexp"
	"slices"
	"strings"
	"time"
	"unicode"
)

// table reads one TOML table, key by key. It knows the keys it was asked for,
// and so, at the end, those it was not.
type table struct {
	r       *reader
	label   string // how messages name it: `probe "hatch"`
	values  map[string]any
	at      *place
	known   []string
	missing []missing
}

// missing is a key that is not there, and what to write.
type missing struct{ key, hint string }

// ask is a question to a table: which key, and a TOML value that would be right.
type ask struct {
	key      string
	example  string
	required bool
}

func (t *table) line(key string) int { return t.at.key(key).line }

// problem tells what is wrong with the value of a key.
func (t *table) problem(key, format string, args ...any) {
	t.r.add(t.line(key), "%s: %s: %s", t.label, key, fmt.Sprintf(format, args...))
}

// get returns the value of a key, and notes that the key is known.
func (t *table) get(a ask) (any, bool) {
	if !slices.Contains(t.known, a.key) {
		t.known = append(t.known, a.key)
	}
	v, ok := t.values[a.key]
	if !ok && a.required {
		t.needs(a.key, fmt.Sprintf("write for example %s = %s", a.key, a.example))
	}
	return v, ok
}

func (t *table) has(key string) bool {
	_, ok := t.values[key]
	return ok
}

// wrongType tells that the value of a key is of another type than it should.
func (t *table) wrongType(a ask, v any, want string) {
	t.problem(a.key, "%s is %s; write %s, for example %s = %s", shown(v), typeOf(v), want, a.key, a.example)
}

// typeOf names the TOML type of a decoded value as people do.
func typeOf(v any) string {
	switch v := v.(type) {
	case string:
		return "text"
	case int64:
		return "a whole number"
	case float64:
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return "not a finite number"
		}
		return "a number with a fraction"
	case bool:
		return "a boolean"
	case time.Time:
		return "a date or time"
	case map[string]any:
		return "a table"
	}
	return "a list"
}

// shown prints a decoded value briefly.
func shown(v any) string {
	switch v := v.(type) {
	case string:
		if r := []rune(v); len(r) > 60 {
			v = string(r[:60]) + "…"
		}
		return fmt.Sprintf("%q", v)
	case int64, bool:
		return fmt.Sprint(v)
	case float64:
		s := strings.ToLower(strings.TrimPrefix(fmt.Sprint(v), "+"))
		if !strings.ContainsAny(s, ".enf") {
			s += ".0"
		}
		return s
	}
	return "the value"
}

// maxText bounds names, places and sources, in bytes.
const maxText = 300

// text reads one line of text: not blank, without control characters.
func (t *table) text(a ask) string {
	v, ok := t.get(a)
	if !ok {
		return ""
	}
	s, ok := v.(string)
	if !ok {
		t.wrongType(a, v, "text in quotes")
		return ""
	}
	switch {
	case strings.TrimSpace(s) == "":
		t.problem(a.key, "it is empty; write for example %s = %s", a.key, a.example)
	case s != strings.TrimSpace(s):
		t.problem(a.key, "%s has blanks at its ends; remove them", shown(s))
	case len(s) > maxText:
		t.problem(a.key, "it is longer than %d bytes; shorten it", maxText)
	case strings.ContainsFunc(s, misleads):
		t.problem(a.key, "%s holds a control character; write it on one line of plain text", shown(s))
	default:
		return s
	}
	return ""
}

// misleads tells the characters that do not show, or turn what follows round.
func misleads(r rune) bool {
	return unicode.IsControl(r) || unicode.Is(unicode.Bidi_Control, r) || r == unicode.ReplacementChar
}

// oneOf reads a word of a fixed list.
func (t *table) oneOf(a ask, words ...string) string {
	s := t.text(a)
	if s == "" || slices.Contains(words, s) {
		return s
	}
	if near, ok := nearest(s, words); ok {
		t.problem(a.key, "%s is not known; did you mean %q?", shown(s), near)
	} else {
		t.problem(a.key, "%s is not known; write %s", shown(s), listed(words, "or"))
	}
	return ""
}

// maxID bounds an id, in bytes.
const maxID = 64

var idPattern = regexp.MustCompile(`^[a-z0-9][a-z0-9-]*$`)

func validID(s string) bool { return len(s) <= maxID && idPattern.MatchString(s) }

const idRule = "write small letters, digits and hyphens, beginning with a letter or a digit, at most 64 in all"

// id reads the element's own id, which must be the only one of its kind, and
// names the table after it.
func (t *table) id(kind, example string) string {
	s := t.text(ask{"id", example, true})
	if s == "" {
		return ""
	}
	t.label = fmt.Sprintf("%s %q", kind, s)
	if !validID(s) {
		t.problem("id", "%s is no id; %s", shown(s), idRule)
	}
	if before, taken := t.r.claim(kind+" id", s, t.label, t.line("id")); taken {
		t.problem("id", "it is already used on line %d; give each %s an id of its own", before.line, kind)
	}
	return s
}

// ref reads the id of another element.
func (t *table) ref(a ask) string {
	s := t.text(a)
	if s != "" {
		t.r.refs = append(t.r.refs, ref{t.line(a.key), t.label, a.key, s})
	}
	return s
}

// table reads a table within t; nil when there is none.
func (t *table) table(key string) *table {
	v, ok := t.get(ask{key: key})
	if !ok {
		return nil
	}
	label := key
	if t.label != "" {
		label = t.label + ", " + key
	}
	m, ok := v.(map[string]any)
	if !ok {
		at := t.line(key)
		if items := t.at.key(key).items; len(items) > 0 {
			at = items[0].line
		}
		t.r.add(at, "%s: it is %s, and one table is wanted: write [%s], with one bracket on each side, once", label, typeOf(v), t.path(key))
		return nil
	}
	return &table{r: t.r, label: label, values: m, at: t.at.key(key)}
}

// needs notes that a key is missing; finish tells it.
func (t *table) needs(key, hint string) {
	t.missing = append(t.missing, missing{key, hint})
}

// path returns the name of a table within t as a header spells it.
func (t *table) path(key string) string {
	parts := strings.Split(t.label, ", ")
	if kind, _, ok := strings.Cut(parts[0], " "); ok {
		return strings.Join(append([]string{kind}, append(parts[1:], key)...), ".")
	}
	return key
}

// tables reads a list of tables within t.
func (t *table) tables(kind string) []*table {
	v, ok := t.get(ask{key: kind})
	if !ok {
		return nil
	}
	at := t.at.key(kind)
	var list []any
	switch v := v.(type) {
	case []any:
		list = v
	case []map[string]any:
		for _, m := range v {
			list = append(list, m)
		}
	default:
		t.r.add(at.line, "%s: it is %s, and a list of tables is wanted: write [[%s]], with two brackets on each side, once for each %s",
			kind, typeOf(v), kind, kind)
		return nil
	}
	if len(list) == 0 {
		t.r.add(at.line, "%s: the list is empty; write [[%s]] once for each %s, or leave it out", kind, kind, kind)
	}
	tables := make([]*table, 0, len(list))
	for i, v := range list {
		m, ok := v.(map[string]any)
		if !ok {
			t.r.add(at.item(i).line, "%s %d: %s is %s; write a table, beginning with the line [[%s]]", kind, i+1, shown(v), typeOf(v), kind)
			continue
		}
		tables = append(tables, &table{r: t.r, label: fmt.Sprintf("%s %d", kind, i+1), values: m, at: at.item(i)})
	}
	return tables
}
