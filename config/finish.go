package config

import (
	"fmt"
	"slices"
	"strings"
)

// finish tells of the keys that nobody asked for, and of those that are
// missing. A missing key that stands there misspelt is told once, as misspelt.
func (t *table) finish() {
	meant := map[string]bool{}
	for _, key := range keysOf(t.values) {
		if slices.Contains(t.known, key) {
			continue
		}
		near, ok := nearest(key, t.known)
		if ok {
			meant[near] = true
		}
		t.r.add(t.unknownLine(key), "%s%s", t.prefix(), t.unknown(key, near, ok))
	}
	for _, m := range t.missing {
		if !meant[m.key] {
			t.r.add(t.at.line, "%s%s is missing; %s", t.prefix(), m.key, m.hint)
		}
	}
}

func (t *table) prefix() string {
	if t.label == "" {
		return ""
	}
	return t.label + ": "
}

// unknownLine finds the line of a key; for a list of tables, of its first.
func (t *table) unknownLine(key string) int {
	at := t.at.key(key)
	return at.item(0).line
}

func (t *table) unknown(key, near string, ok bool) string {
	what, keys := "key", "keys"
	if t.label == "" {
		what, keys = "section", "sections"
	}
	switch {
	case !ok:
		return fmt.Sprintf("unknown %s %q; the %s here are %s", what, key, keys, listed(t.known, "and"))
	case strings.EqualFold(key, near) && t.has(near):
		return fmt.Sprintf("%s %q differs from %q by case only, and both are set; keep %q alone", what, key, near, near)
	case strings.EqualFold(key, near):
		return fmt.Sprintf("%s %q differs from %q by case only; write %q", what, key, near, near)
	}
	return fmt.Sprintf("unknown %s %q; did you mean %q?", what, key, near)
}
