package config

import (
	"fmt"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/BurntSushi/toml"
)

// unplaced returns the first key or element of the decoded value v that p knows
// no place for, or that it puts outside the source.
func unplaced(v any, p *place, path string, lines int) string {
	if p.line < 1 || p.line > lines {
		return fmt.Sprintf("%s on line %d of %d", path, p.line, lines)
	}
	switch v := v.(type) {
	case map[string]any:
		for key, inner := range v {
			k := p.keys[key]
			if k == nil {
				return fmt.Sprintf("%s.%q", path, key)
			}
			if bad := unplaced(inner, k, path+"."+key, lines); bad != "" {
				return bad
			}
		}
	case []map[string]any:
		for i, inner := range v {
			if i >= len(p.items) {
				return fmt.Sprintf("%s[%d]", path, i)
			}
			if bad := unplaced(inner, p.items[i], fmt.Sprintf("%s[%d]", path, i), lines); bad != "" {
				return bad
			}
		}
	case []any:
		for i, inner := range v {
			if i >= len(p.items) {
				return fmt.Sprintf("%s[%d]", path, i)
			}
			if bad := unplaced(inner, p.items[i], fmt.Sprintf("%s[%d]", path, i), lines); bad != "" {
				return bad
			}
		}
	}
	return ""
}

// TestEveryKeyHasItsPlace holds the line finder against the TOML library: it
// must have found all that the library decoded.
func TestEveryKeyHasItsPlace(t *testing.T) {
	for _, path := range examples(t, ".toml") {
		src := read(t, path)
		var values map[string]any
		if _, err := toml.Decode(string(src), &values); err != nil {
			continue // the syntax examples
		}
		if places, deep := locate(src); deep == 0 {
			if bad := unplaced(values, places, "", strings.Count(string(src), "\n")+1); bad != "" {
				t.Errorf("%s: no place for %s", filepath.Base(path), bad)
			}
		}
	}
}

// placesSource holds what makes lines hard to find; each line tells its number.
const placesSource = "\xef\xbb\xbf# remark with [brackets] = and \"quotes\r\n" + // 1
	"a = 1\r\n" + // 2
	"b.c . \"d.e\" = '''\r\n" + // 3
	"f = 2\r\n" + // 4
	"''''' # five quotes end it\r\n" + // 5
	"g = [1, # one\r\n" + // 6
	"  [2,\r\n" + // 7
	"   3],\r\n" + // 8
	"]\r\n" + // 9
	"h = \"\"\"\\\"\"\"\r\n" + // 10
	"i = 1\"\"\"\r\n" + // 11
	"j = { k = 1, l = { m = \"}\" },\r\n" + // 12
	"  n = 1979-05-27 07:32:00 }\r\n" + // 13
	"\r\n" + // 14
	"[[t]]\r\n" + // 15
	"[t.u]\r\n" + // 16
	"v = 1\r\n" + // 17
	"[[ t ]] # second\r\n" + // 18
	"[t . u]\r\n" + // 19
	"'v' = 1\r\n" + // 20
	"[[t.w]]\r\n" + // 21
	"[[t.w]]\r\n" + // 22
	"x = 1\r\n" + // 23
	"[\"\\u0079\\x7a\\e\\t\"]\r\n" + // 24
	"z = \"\\\\\" # an escaped backslash ends it\r\n" + // 25
	"'' = 0\r\n" // 26

func TestPlaces(t *testing.T) {
	var values map[string]any
	if _, err := toml.Decode(placesSource, &values); err != nil {
		t.Fatalf("the source of this test: %v", err)
	}
	root, deep := locate([]byte(placesSource))
	if deep != 0 {
		t.Fatalf("too deep on line %d", deep)
	}
	if bad := unplaced(values, root, "", 26); bad != "" {
		t.Errorf("no place for %s", bad)
	}
	second := root.key("t").item(1)
	odd := root.key("yz\x1b\t")
	for _, c := range []struct {
		what      string
		got, want int
	}{
		{"a", root.key("a").line, 2},
		{"b.c.d.e", root.key("b").key("c").key("d.e").line, 3},
		{"g", root.key("g").line, 6},
		{"g[0]", root.key("g").item(0).line, 6},
		{"g[1]", root.key("g").item(1).line, 7},
		{"g[1][1]", root.key("g").item(1).item(1).line, 8},
		{"h", root.key("h").line, 10},
		{"j.l.m", root.key("j").key("l").key("m").line, 12},
		{"j.n", root.key("j").key("n").line, 13},
		{"t[0]", root.key("t").item(0).line, 15},
		{"t[0].u.v", root.key("t").item(0).key("u").key("v").line, 17},
		{"t[1]", second.line, 18},
		{"t[1].u", second.key("u").line, 19},
		{"t[1].u.v", second.key("u").key("v").line, 20},
		{"t[1].w[1]", second.key("w").item(1).line, 22},
		{"t[1].w[1].x", second.key("w").item(1).key("x").line, 23},
		{"an escaped key", odd.line, 24},
		{"below it", odd.key("z").line, 25},
		{"an empty key", odd.key("").line, 26},
		{"a key that is not there", second.key("absent").line, 18},
		{"an element that is not there", root.key("g").item(9).line, 6},
	} {
		if c.got != c.want {
			t.Errorf("%s: line %d, want %d", c.what, c.got, c.want)
		}
	}
}

// TestDepthIsBounded shows that a small file cannot cost much time: without the
// bound the library takes the square of the depth.
func TestDepthIsBounded(t *testing.T) {
	const n = 20000
	for _, src := range []string{
		"a = " + strings.Repeat("[", n),
		"a = " + strings.Repeat("{a=", n) + "1" + strings.Repeat("}", n),
		strings.Repeat("a.", n) + "a = 1",
		"[" + strings.Repeat("a.", n) + "a]",
		"\n\na = " + strings.Repeat("[{a=", n),
	} {
		start := time.Now()
		_, err := Parse("deep.toml", []byte(src))
		if err == nil || !strings.Contains(err.Error(), "nest deeper") {
			t.Errorf("%.20q… gave %.200v", src, err)
		}
		if took := time.Since(start); took > time.Second {
			t.Errorf("%.20q… took %v", src, took)
		}
	}
}
