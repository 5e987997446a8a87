package main

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

func TestCheckCommand(t *testing.T) {
	folder := t.TempDir()
	write := func(name, text string) string {
		path := filepath.Join(folder, name)
		if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
		return path
	}
	const larkfield = "../../testdata/larkfield-house.good.toml"
	minimal, err := os.ReadFile("../../testdata/minimal.good.toml")
	if err != nil {
		t.Fatal(err)
	}
	strange := write("strange.toml", strings.Replace(string(minimal), "simulate:probe-1", "simulate:nobody", 1))
	twice := write("twice.toml", "[site]\nname = 1\nzone = 2\n")
	absent := filepath.Join(folder, "absent.toml")

	for _, c := range []struct {
		name   string
		args   []string
		code   int
		stdout string // the whole of it
		stderr []string
	}{
		{"a good file", []string{larkfield}, 0, larkfield + ": good: 1 site, 2 ovens, 2 probes, 2 posts, 1 courier, 1 remote-write target\n", nil},
		{"after --", []string{"--", larkfield}, 0, larkfield + ": good: 1 site, 2 ovens, 2 probes, 2 posts, 1 courier, 1 remote-write target\n", nil},
		{"all problems, then how many", []string{twice}, 1, "",
			[]string{twice + ":1: post is missing", "\n" + twice + ":2: site: name: 1 is a whole number", "\n" + twice + ":3: site: zone: ", "\n3 problems\n"}},
		{"one problem", []string{"../../testdata/syntax.bad.toml"}, 1, "", []string{"syntax.bad.toml:6: not valid TOML", "\n1 problem\n"}},
		{"a simulated probe that the kitchen has not", []string{strange}, 1, "", []string{strange + ":", "simulate:nobody", "\n1 problem\n"}},
		{"an absent file", []string{absent}, 1, "", []string{"ovenward check: read the configuration: ", absent, "name an existing TOML file"}},
		{"a folder", []string{folder}, 1, "", []string{folder, "not a folder"}},
		{"no file", nil, 1, "", []string{"name one file, not 0", "usage: ovenward check FILE"}},
		{"two files", []string{"a", "b"}, 1, "", []string{"name one file, not 2"}},
		{"an unknown flag", []string{"--config.file=a"}, 1, "", []string{"there is no flag --config.file=a", "usage: "}},
		{"help", []string{"--help"}, 0, checkHelp, nil},
	} {
		t.Run(c.name, func(t *testing.T) {
			var stdout, stderr bytes.Buffer
			if code := checkCommand(c.args, &stdout, &stderr); code != c.code {
				t.Errorf("exit code %d, want %d; it said %s", code, c.code, stderr.String())
			}
			if stdout.String() != c.stdout {
				t.Errorf("stdout is %q, want %q", stdout.String(), c.stdout)
			}
			if len(c.stderr) == 0 && stderr.Len() > 0 {
				t.Errorf("stderr is %q", stderr.String())
			}
			for _, want := range c.stderr {
				if !strings.Contains(stderr.String(), want) {
					t.Errorf("stderr is %q, want %q in it", stderr.String(), want)
				}
			}
		})
	}
}

// TestExamplesCanBeBuilt: a good example is good for the drivers as well.
func TestExamplesCanBeBuilt(t *testing.T) {
	files, err := filepath.Glob("../../testdata/*.good.toml")
	if err != nil || len(files) == 0 {
		t.Fatalf("no good examples: %v", err)
	}
	for _, path := range append(files, "kitchen.toml") {
		var stdout, stderr bytes.Buffer
		if code := checkCommand([]string{path}, &stdout, &stderr); code != 0 {
			t.Errorf("%s: %s", path, stderr.String())
		}
	}
}
