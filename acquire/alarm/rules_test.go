package alarm

import (
	"go/ast"
	"go/parser"
	"go/token"
	"strconv"
	"testing"
)

// Rules names every rule that rule.go declares, so that what walks it misses none.
func TestRulesMissesNone(t *testing.T) {
	f, err := parser.ParseFile(token.NewFileSet(), "rule.go", nil, 0)
	if err != nil {
		t.Fatal(err)
	}
	listed := map[string]bool{}
	for _, r := range Rules() {
		listed[r.Kind()] = true
	}
	n := 0
	for _, d := range f.Decls {
		g, is := d.(*ast.GenDecl)
		if !is || g.Tok != token.CONST {
			continue
		}
		for _, s := range g.Specs {
			v := s.(*ast.ValueSpec)
			typed, _ := v.Type.(*ast.Ident)
			for _, x := range v.Values {
				lit, is := x.(*ast.BasicLit)
				if !is || lit.Kind != token.STRING || typed != nil && typed.Name != "Rule" {
					continue
				}
				kind, err := strconv.Unquote(lit.Value)
				if n++; err != nil || !listed[kind] {
					t.Errorf("%s is a rule, and Rules does not list it", v.Names[0])
				}
			}
		}
	}
	if n < 20 {
		t.Fatalf("%d rules found in rule.go", n)
	}
}
