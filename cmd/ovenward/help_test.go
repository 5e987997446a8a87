package main

import (
	"bytes"
	"strings"
	"testing"
	"unicode/utf8"
)

// TestHelpFitsAScreen: 24 lines of 100 columns, for each command.
func TestHelpFitsAScreen(t *testing.T) {
	for _, c := range append(commands(), command{name: ""}) {
		args := []string{c.name, "--help"}
		if c.name == "" {
			args = args[1:]
		}
		var out, errs bytes.Buffer
		if code := dispatch(t.Context(), args, &out, &errs); code != 0 || out.Len() == 0 {
			t.Errorf("%q: %d, %s", args, code, &errs)
		}
		lines := strings.Split(strings.TrimRight(out.String(), "\n"), "\n")
		if len(lines) > 24 {
			t.Errorf("%q: %d lines", args, len(lines))
		}
		for _, line := range lines {
			if n := utf8.RuneCountInString(line); n > 100 {
				t.Errorf("%q: a line of %d columns: %s", args, n, line)
			}
		}
	}
}
