package config

import (
	"errors"
	"strings"
	"testing"
	"unicode"

	"github.com/BurntSushi/toml"
)

// FuzzParse: whatever the file holds, there is either a File or at least one
// Problem, each on a line that the file has and on one line of its own, in
// order; and every key the library decodes has its place.
func FuzzParse(f *testing.F) {
	for _, path := range examples(f, ".toml") {
		f.Add(read(f, path))
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		file, err := Parse("fuzz.toml", data)
		lines := strings.Count(string(data), "\n") + 1
		problems, is := errors.AsType[Problems](err)
		switch {
		case err == nil && file == nil, err != nil && file != nil:
			t.Fatalf("a file %v and an error %v", file, err)
		case err != nil && (!is || len(problems) == 0):
			t.Fatalf("not problems: %v", err)
		case file != nil && len(file.Posts) == 0:
			t.Fatal("a file without posts is good")
		}
		last := 1
		for _, p := range problems {
			if p.Line < last || p.Line > lines {
				t.Fatalf("line %d after %d of %d: %s", p.Line, last, lines, p)
			}
			last = p.Line
			if strings.ContainsFunc(p.What, unicode.IsControl) || p.What == "" || p.File != "fuzz.toml" {
				t.Fatalf("a problem that does not print on one line: %q", p)
			}
		}
		places, deep := locate(data)
		var values map[string]any
		if deep > 0 {
			return
		}
		if _, err := toml.Decode(string(data), &values); err == nil {
			if bad := unplaced(values, places, "", lines); bad != "" {
				t.Fatalf("no place for %s", bad)
			}
		}
	})
}
