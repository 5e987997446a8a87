package alarm

import (
	"go/ast"
	"go/parser"
	"go/token"
	"slices"
	"strconv"
	"testing"
)

// constants are the string constants that a file of this package declares with a
// type, "" standing for those without.
func constants(t *testing.T, file string, types ...string) map[string]string {
	t.Helper()
	f, err := parser.ParseFile(token.NewFileSet(), file, nil, 0)
	if err != nil {
		t.Fatal(err)
	}
	found := map[string]string{}
	for _, d := range f.Decls {
		g, is := d.(*ast.GenDecl)
		if !is || g.Tok != token.CONST {
			continue
		}
		for _, s := range g.Specs {
			v := s.(*ast.ValueSpec)
			typed := ""
			if id, is := v.Type.(*ast.Ident); is {
				typed = id.Name
			}
			for _, x := range v.Values {
				lit, is := x.(*ast.BasicLit)
				if !is || lit.Kind != token.STRING || !slices.Contains(types, typed) {
					continue
				}
				text, err := strconv.Unquote(lit.Value)
				if err != nil {
					t.Fatal(err)
				}
				found[v.Names[0].Name] = text
			}
		}
	}
	return found
}

// Rules names every rule that rule.go declares, so that what walks it misses none.
func TestRulesMissesNone(t *testing.T) {
	listed := map[string]bool{}
	for _, r := range Rules() {
		listed[r.Kind()] = true
	}
	all := constants(t, "rule.go", "Rule", "")
	for name, kind := range all {
		if !listed[kind] {
			t.Errorf("%s is a rule, and Rules does not list it", name)
		}
	}
	if len(all) < 20 {
		t.Fatalf("%d rules found in rule.go", len(all))
	}
}

// The tables of the tests name every state that there is, so that TestEveryStep
// tries each with each happening.
func TestTheTablesMissNoState(t *testing.T) {
	all := constants(t, "alarm.go", "State")
	for name, text := range all {
		if s := State(text); !slices.Contains(states(), s) && !slices.Contains(asides(), s) {
			t.Errorf("%s is a state, and no table tries it", name)
		}
	}
	if want := len(states()) + len(asides()); len(all) != want {
		t.Errorf("%d states declared, %d tried", len(all), want)
	}
}
