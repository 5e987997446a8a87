package config

import (
	"fmt"
	"sort"
	"strings"
)

// Problem is one thing wrong in a file, where it stands, and what would be
// right.
type Problem struct {
	File string
	Line int // from 1
	What string
}

// String prints p as file:line: what.
func (p Problem) String() string { return fmt.Sprintf("%s:%d: %s", p.File, p.Line, p.What) }

// Problems is all that is wrong in a file, sorted by line. It is an error.
type Problems []Problem

// Error prints one problem a line.
func (ps Problems) Error() string {
	lines := make([]string, len(ps))
	for i, p := range ps {
		lines[i] = p.String()
	}
	return strings.Join(lines, "\n")
}

func (ps Problems) sorted() Problems {
	sort.SliceStable(ps, func(i, j int) bool { return ps[i].Line < ps[j].Line })
	return ps
}
