package web

import (
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"maps"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"unicode"
)

// found is a sentence where the source says it.
type found struct {
	where string // file:line
	text  string // as the source joins it, with holes
}

// reader reads the sentences of a package.
type reader struct {
	set    *token.FileSet
	consts map[string]string // of the package
	kinds  []string
	words  []string
	all    []found
}

// sentencesOf reads a room. What counts is a text with a blank and a letter on
// either side of it, or on one where the other is filled in; and the constants of
// the kinds that are named.
func sentencesOf(t *testing.T, of source) []found {
	t.Helper()
	r := &reader{set: token.NewFileSet(), consts: map[string]string{}, kinds: of.kind, words: of.word}
	names, err := filepath.Glob(filepath.Join("../../..", of.dir, "*.go"))
	if err != nil || len(names) == 0 {
		t.Fatalf("no source in %s: %v", of.dir, err)
	}
	files := map[string]*ast.File{}
	for _, name := range names {
		if strings.HasSuffix(name, "_test.go") {
			continue
		}
		f, err := parser.ParseFile(r.set, name, nil, 0)
		if err != nil {
			t.Fatal(err)
		}
		files[filepath.Base(name)] = f
		ast.Inspect(f, r.constant)
	}
	for name := range of.but {
		if files[name] == nil {
			t.Errorf("%s/%s is excepted and not there", of.dir, name)
		}
	}
	for _, name := range slices.Sorted(maps.Keys(files)) {
		said := len(r.all)
		if of.only == nil || slices.Contains(of.only, name) {
			ast.Inspect(files[name], r.visit)
		}
		if _, not := of.but[name]; not {
			if len(r.all) == said {
				t.Errorf("%s/%s is excepted and says nothing", of.dir, name)
			}
			r.all = r.all[:said]
		}
	}
	return r.all
}

// constant notes the constants that are plain texts.
func (r *reader) constant(n ast.Node) bool {
	if d, ok := n.(*ast.GenDecl); ok && d.Tok == token.CONST {
		for _, s := range d.Specs {
			v := s.(*ast.ValueSpec)
			for i, name := range v.Names {
				if i < len(v.Values) {
					if text, whole := r.fold(v.Values[i], nil); whole {
						r.consts[name.Name] = text
					}
				}
			}
		}
	}
	return true
}

const hole = "\x00"

// bareVerb is a verb that cannot be a per cent sign before a word.
var bareVerb = regexp.MustCompile(`%[-+#0]*[\d.]*[dsgvqf]\b`)

var verb = regexp.MustCompile(`%(?:[-+# 0]*(?:\[\d+\])?[\d.*]*)([a-zA-Z%])`)

// format turns the verbs of a format into holes.
func format(text string) (string, int) {
	n := 0
	text = verb.ReplaceAllStringFunc(text, func(v string) string {
		if strings.HasSuffix(v, "%") {
			return "%"
		}
		n++
		return hole
	})
	return text, n
}

// fold joins what the source joins: literals, constants, sums of them, formats.
// What is filled in is a hole, and goes to rest. It is a text when any part is.
func (r *reader) fold(e ast.Expr, rest *[]ast.Expr) (text string, is bool) {
	switch e := e.(type) {
	case *ast.BasicLit:
		if e.Kind == token.STRING {
			s, err := strconv.Unquote(e.Value)
			return s, err == nil
		}
	case *ast.Ident:
		if s, ok := r.consts[e.Name]; ok {
			return s, true
		}
	case *ast.ParenExpr:
		return r.fold(e.X, rest)
	case *ast.BinaryExpr:
		if e.Op == token.ADD {
			var more []ast.Expr
			a, is1 := r.fold(e.X, &more)
			b, is2 := r.fold(e.Y, &more)
			if is1 || is2 {
				if !is1 {
					a, more = hole, append(more, e.X)
				}
				if !is2 {
					b, more = hole, append(more, e.Y)
				}
				if rest != nil {
					*rest = append(*rest, more...)
				}
				return a + b, true
			}
		}
	case *ast.CallExpr:
		for i, arg := range e.Args { // a format and what is filled in, whatever is called with them
			if s, ok := r.fold(arg, nil); ok {
				if s, n := format(s); n > 0 && n == len(e.Args)-i-1 || strings.HasPrefix(called(e), "Sprintf") || called(e) == "Errorf" {
					if rest != nil {
						*rest = append(*rest, e.Args[i+1:]...)
					}
					return s, true
				}
			}
		}
	}
	return "", false
}

func called(e *ast.CallExpr) string {
	switch f := e.Fun.(type) {
	case *ast.Ident:
		return f.Name
	case *ast.SelectorExpr:
		return f.Sel.Name
	}
	return ""
}

// speaksNot are functions whose arguments no page shows: the log, problem+json, which
// stays English, headers, paths, layouts and patterns.
func speaksNot(e *ast.CallExpr) bool {
	f, ok := e.Fun.(*ast.SelectorExpr)
	if !ok {
		return called(e) == "sendProblem" || called(e) == "panic" || called(e) == "attach"
	}
	switch x := f.X.(type) {
	case *ast.Ident:
		if slices.Contains([]string{"regexp", "slog", "log", "strings", "http", "mime"}, x.Name) {
			return f.Sel.Name != "Join" && f.Sel.Name != "ReplaceAll"
		}
	case *ast.SelectorExpr:
		if x.Sel.Name == "log" {
			return true
		}
	}
	return slices.Contains([]string{"Format", "Parse", "Set", "Add", "Warn", "Info", "Debug", "Fprintf", "Appendf", "Fprint"}, f.Sel.Name)
}

func (r *reader) visit(n ast.Node) bool {
	rest := []ast.Expr{}
	switch n := n.(type) {
	case *ast.ImportSpec, *ast.Field:
		return false
	case *ast.ValueSpec:
		if kind, ok := n.Type.(*ast.Ident); ok && slices.Contains(r.kinds, kind.Name) {
			for _, v := range n.Values {
				r.word(v)
			}
		}
	case *ast.CallExpr:
		if speaksNot(n) {
			return false
		}
		if text, ok := r.fold(n, &rest); ok {
			r.take(n, text)
			for _, e := range rest {
				ast.Inspect(e, r.visit)
			}
			return false
		}
	case *ast.BinaryExpr:
		if n.Op == token.EQL || n.Op == token.NEQ {
			return false
		}
		if text, ok := r.fold(n, &rest); ok {
			r.take(n, text)
			for _, e := range rest {
				ast.Inspect(e, r.visit)
			}
			return false
		}
	case *ast.BasicLit:
		if text, ok := r.fold(n, nil); ok {
			if slices.Contains(r.words, text) {
				r.word(n)
			}
			r.take(n, bareVerb.ReplaceAllString(text, hole)) // a format that is chosen before it is used
		}
	}
	return true
}

// word takes a constant that is one word, or several.
func (r *reader) word(e ast.Expr) {
	if text, ok := r.fold(e, nil); ok && text != "" {
		r.all = append(r.all, found{r.at(e), text})
	}
}

func (r *reader) at(n ast.Node) string {
	p := r.set.Position(n.Pos())
	return strings.TrimPrefix(filepath.ToSlash(p.Filename), "../../../") + ":" + strconv.Itoa(p.Line)
}

var (
	// Markup, paths in drawings, layouts of instants, and the columns of a table for programs.
	markup = regexp.MustCompile(`<[a-z?]|^[ML](\x00|\d)|^[a-z/]+; charset|\n|'self'|15:04|\bJan\b|^(lowest|mean|highest) \(`)
	units  = regexp.MustCompile(`\b(mW|cm2|mm|cm|m|mL|ms|ns|s|h|min|MHz|V|K|W|m²|k)\b|°C|[{\d}]`)
	joints = regexp.MustCompile(`^(; |: |, )|(: |; |, )$`)
)

// take takes a text that is a sentence: of words, not of one alone, nor of a number
// with its unit. Joints at its ends are none of it.
func (r *reader) take(n ast.Node, text string) {
	if !strings.Contains(strings.TrimSpace(text), " ") || markup.MatchString(text) {
		return
	}
	for i := 1; strings.Contains(text, hole); i++ {
		text = strings.Replace(text, hole, fmt.Sprintf("{%d}", i), 1)
	}
	letters := 0
	for _, c := range units.ReplaceAllString(text, "") {
		if unicode.IsLetter(c) {
			letters++
		}
	}
	if letters < 4 && (letters < 2 || text[0] == '{') {
		return
	}
	if text = joints.ReplaceAllString(joints.ReplaceAllString(text, ""), ""); apart[text] != "" {
		text = strings.TrimSpace(text)
	}
	r.all = append(r.all, found{r.at(n), text})
}
