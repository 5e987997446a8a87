package config

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"unicode"

	"github.com/BurntSushi/toml"
)

// reader collects what is wrong with one file while its tables are read.
type reader struct {
	file     string
	problems Problems
	claims   map[string]claim // what may be used once only, by what it is
	refs     []ref

	probeKeys []string // the keys that a [[probe]] of the file may have
}

// claim says who uses a thing.
type claim struct {
	label string
	line  int
}

// ref is one id that names another element; it is looked up when all are read.
type ref struct {
	line  int
	label string
	key   string // "oven", "probe" or "limit": the key, and what it names
	id    string
}

func (r *reader) add(line int, format string, args ...any) {
	r.problems = append(r.problems, Problem{r.file, max(line, 1), fmt.Sprintf(format, args...)})
}

// decode parses data; nil when it is no TOML.
func (r *reader) decode(data []byte) *table {
	if len(data) > maxBytes {
		r.add(1, "the file is longer than %d bytes; a configuration is much shorter: is it the right file?", maxBytes)
		return nil
	}
	places, deep := locate(data)
	if deep > 0 {
		r.add(deep, "tables or lists nest deeper than %d here; nothing in this file nests deeper than 3", maxDepth)
		return nil
	}
	var values map[string]any
	if _, err := toml.Decode(string(data), &values); err != nil {
		line, what := 1, err.Error()
		if syntax, ok := errors.AsType[toml.ParseError](err); ok {
			line, what = syntax.Position.Line, syntax.Message
		}
		r.add(line, "%s", syntaxProblem(what))
		return nil
	}
	return &table{r: r, values: values, at: places}
}

// syntaxProblem says what is wrong with text that is not TOML, and adds to the
// library's words what would be right.
func syntaxProblem(what string) string {
	hint := `write each setting as key = value on its own line, and text and quantities in quotes, for example poll = "1 s"`
	switch {
	case strings.Contains(what, "already been defined"):
		hint = "keep one of the two, or start each element of a list with its own [[…]] line"
	case strings.Contains(what, "out of range"):
		hint = "write a number of a plausible size"
	case strings.Contains(what, "UTF-8"):
		hint = "save the file as UTF-8 text"
	case strings.Contains(what, "datetime"):
		hint = "write a day that exists as year-month-day without quotes, for example 2026-03-31"
	case strings.Contains(what, "escape"):
		hint = `in "…" a backslash is written \\; in '…' it stands for itself`
	}
	what = strings.Map(func(r rune) rune {
		if unicode.IsControl(r) {
			return ' '
		}
		return r
	}, strings.TrimSuffix(what, "."))
	return "not valid TOML: " + what + "; " + hint
}

// claim notes that the element at t uses a thing that may be used once.
// It returns who used it before.
func (r *reader) claim(kind, id, label string, line int) (claim, bool) {
	key := kind + " " + id
	before, taken := r.claims[key]
	if !taken {
		r.claims[key] = claim{label, line}
	}
	return before, taken
}

// resolve looks up all references.
func (r *reader) resolve() {
	ids := map[string][]string{}
	for _, key := range keysOf(r.claims) {
		if kind, id, _ := strings.Cut(key, " id "); id != "" {
			ids[kind] = append(ids[kind], id)
		}
	}
	for _, f := range r.refs {
		have := ids[f.key]
		if slices.Contains(have, f.id) {
			continue
		}
		hint := fmt.Sprintf("add a [[%s]] with that id", f.key)
		if near, ok := nearest(f.id, have); ok {
			hint = fmt.Sprintf("did you mean %q?", near)
		} else if len(have) > 0 {
			hint = fmt.Sprintf("name %s, or %s", listed(have, "or"), hint)
		}
		r.add(f.line, "%s: %s: there is no %s %q; %s", f.label, f.key, f.key, f.id, hint)
	}
}
