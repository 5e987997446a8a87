package web

import (
	"flag"
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"unicode"
)

// source is a room whose Go code makes sentences that a page shows.
type source struct {
	dir  string
	only []string          // these of its files; nil: all
	but  map[string]string // not these, and why
	kind []string          // types whose constants are words that a sentence or a page shows
	word []string          // other single words that are
}

// sources are all of them. What is not among them and can stand behind a sentence of
// theirs is quoted as it is: errors of the operating system, of the database in
// acquire/store and of the configuration file, which name lines and words of that.
func sources() []source {
	const noPage = "what it says is told by commands and by the API, and no page shows it"
	return []source{
		{dir: "acquire", but: map[string]string{
			"acquire.go": noPage, "clocksource_linux.go": "why the kernel did not answer, for the log",
		}, kind: []string{"Condition", "Regard"}},
		{dir: "acquire/alarm", kind: []string{"State", "Aside", "Reason"}},
		{dir: "acquire/calib", word: []string{"calibration", "linearity", "facing", "isotropy", "temperature", "zero", "resolution", "distance", "configuration", "assumed"}},
		{dir: "acquire/cycle/history"},
		{dir: "acquire/cycle/soak", kind: []string{"State", "Outcome", "From"}},
		{dir: "acquire/cycle/stats", but: map[string]string{"encode.go": "damage of the record, told by the log", "trend.go": "a mistake of who calls it"}},
		{dir: "acquire/limit", but: map[string]string{
			"emission.go": "the catalogue of documents: citations, which are quoted", "exposure.go": "the catalogue of documents",
			"trials.go": "the catalogue of documents",
		}, kind: []string{"Outcome", "Rule", "Basis"}},
		{dir: "acquire/quantity", only: []string{"duration.go", "format.go", "number.go"}},
		{dir: "acquire/registry", word: []string{"Frequency", "State", "Remark", "Number", "Laboratory", "Day", "nothing", "inspection", "survey", "repair", "other"}},
		{dir: "acquire/survey", but: map[string]string{
			"fall.go": "a walk back: " + noPage, "standoff.go": "a walk back: " + noPage, "walkfile.go": "a walk back: " + noPage,
			"markhold.go": "a mark of a walk back: " + noPage,
		}, kind: []string{"State", "Surface", "Kind", "Phase"}, word: []string{"good", "bad", "screen", "moving", "load", "speed", "power", "stirrer"}},
		{dir: "acquire/survey/guide", but: map[string]string{"mark.go": "a mark of a walk back: " + noPage}},
		{dir: "cmd/internal/advice"},
		{dir: "cmd/internal/round", only: []string{"round.go"}, kind: []string{"Status", "Outcome"}},
		{dir: "cmd/internal/web", but: map[string]string{
			"docs.go": "the API's own document is English", "openapi.go": "the API's own document is English", "events.go": "the API is English",
			"live.go": "why a stream ended, for the log", "texts.go": "a mistake in the texts themselves", "phrases.go": "a mistake in the phrases themselves",
		}},
		{dir: "cmd/ovenward", only: []string{"history.go", "register.go", "soaks.go", "supervise.go", "upkeep.go"}},
		{dir: "drivers", only: []string{"drivers.go"}},
		{dir: "drivers/serialport"},
		{dir: "drivers/stream"},
		{dir: "drivers/tcplink"},
	}
}

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
	for _, name := range slices.Sorted(mapKeys(files)) {
		if _, not := of.but[name]; not || of.only != nil && !slices.Contains(of.only, name) {
			continue
		}
		ast.Inspect(files[name], r.visit)
	}
	return r.all
}

func mapKeys[V any](m map[string]V) func(func(string) bool) {
	return func(yield func(string) bool) {
		for k := range m {
			if !yield(k) {
				return
			}
		}
	}
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

// apart are texts that the source joins to others with a blank and that the page
// takes apart itself, each with the place where it does.
var apart = map[string]string{
	"The field at this post is not known. ":                                 "a constant, part of whole sentences of advice",
	" Until the probe is seen again, nobody knows whether this oven leaks.": "a constant, part of whole sentences of advice",
	" ({1} not confirmed)":                                                  "of the source of a limit, which is quoted; the verdict's note says it too",
	" at {1}: {2}":                                                          "an event of a soak test, which only the API tells",
	" by {1}":                                                               "changeView",
	" by {1} until {2}":                                                     "changeView",
}

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

var rewrite = flag.Bool("update", false, "write texts/en/said anew from the source")

// file is where the phrases of a room stand.
func (s source) file() string {
	return "texts/en/said/" + strings.ReplaceAll(s.dir, "/", "-") + ".txt"
}

// Every sentence that the named rooms can say is a phrase, and every phrase is said
// by one of them. With -update the files are written anew.
func TestSourceSaysPhrases(t *testing.T) {
	said := map[string]bool{}
	known, files := englishPhrases(t)
	for _, room := range sources() {
		var mine []string
		for _, x := range sentencesOf(t, room) {
			if strings.HasPrefix(x.text, " ") || strings.HasSuffix(x.text, " ") {
				t.Errorf("%s: %q is glued to another text, so that it cannot be said in another language: make whole sentences", x.where, x.text)
			}
			if !known[x.text] && !*rewrite {
				t.Errorf("%s: %q is in no phrase: go test ./cmd/internal/web -run SourceSays -update", x.where, x.text)
			}
			if !said[x.text] {
				said[x.text] = true
				mine = append(mine, x.text)
			}
		}
		if *rewrite {
			slices.Sort(mine)
			text := "# What " + room.dir + " says, made from its source: see sources_test.go.\n" + strings.Join(mine, "\n") + "\n"
			if err := os.WriteFile(room.file(), []byte(text), 0o644); err != nil {
				t.Fatal(err)
			}
		}
		if files = slices.DeleteFunc(files, func(f string) bool { return f == room.file() }); len(mine) == 0 {
			t.Errorf("%s says nothing of its own", room.dir)
		}
	}
	for phrase := range known {
		if !said[phrase] && !*rewrite {
			t.Errorf("nothing in the source says %q: go test ./cmd/internal/web -run SourceSays -update", phrase)
		}
	}
	if len(files) > 0 {
		t.Errorf("of no room: %v", files)
	}
}

// englishPhrases reads all phrases and the names of their files.
func englishPhrases(t *testing.T) (map[string]bool, []string) {
	t.Helper()
	files, err := filepath.Glob("texts/en/said/*.txt")
	if err != nil {
		t.Fatal(err)
	}
	known := map[string]bool{}
	for _, name := range files {
		body, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		for line := range strings.Lines(string(body)) {
			if line = strings.TrimSuffix(line, "\n"); line != "" && line[0] != '#' {
				known[line] = true
			}
		}
	}
	return known, files
}
