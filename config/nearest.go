package config

import (
	"slices"
	"strings"
)

// nearest returns the candidate most like word, if one is like enough to be
// what was meant: alike but for case, or a third of its letters
// away at most.
func nearest(word string, candidates []string) (string, bool) {
	best, least := "", len(word)/3+1
	for _, c := range candidates {
		if strings.EqualFold(c, word) {
			return c, true
		}
		if d := distance(strings.ToLower(word), c, least); d < least {
			best, least = c, d
		}
	}
	return best, best != ""
}

// distance counts the letters to add, drop, change or swap with their neighbour
// to turn a into b; bound or more comes back as bound.
func distance(a, b string, bound int) int {
	if len(a)-len(b) >= bound || len(b)-len(a) >= bound {
		return bound
	}
	before, last := make([]int, len(b)+1), make([]int, len(b)+1)
	for j := range last {
		last[j] = j
	}
	for i := range len(a) {
		row := make([]int, len(b)+1)
		row[0] = i + 1
		for j := range len(b) {
			change := last[j]
			if a[i] != b[j] {
				change++
			}
			row[j+1] = min(change, last[j+1]+1, row[j]+1)
			if i > 0 && j > 0 && a[i] == b[j-1] && a[i-1] == b[j] {
				row[j+1] = min(row[j+1], before[j-1]+1)
			}
		}
		before, last = last, row
	}
	return min(last[len(b)], bound)
}

// listed prints words as people list them: "a", "b" and "c".
func listed(words []string, and string) string {
	quoted := make([]string, 0, len(words))
	for _, w := range words {
		quoted = append(quoted, `"`+w+`"`)
	}
	if n := len(quoted); n > 1 {
		return strings.Join(quoted[:n-1], ", ") + " " + and + " " + quoted[n-1]
	}
	return strings.Join(quoted, "")
}

// keysOf returns the keys of m in order.
func keysOf[V any](m map[string]V) []string {
	keys := make([]string, 0, len(m))
	for k := range m {
		keys = append(keys, k)
	}
	slices.Sort(keys)
	return keys
}
