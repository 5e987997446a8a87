package main

import (
	"bytes"
	"go/ast"
	"go/parser"
	"go/token"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	"ovenward/drivers/driverstest"
)

// declared finds the flags that the source of this package declares, by the command
// whose flag set stands in the same file; "" where several do or none.
func declared(t *testing.T) map[string][]string {
	t.Helper()
	files, err := filepath.Glob("*.go")
	if err != nil || len(files) < 20 {
		t.Fatalf("%d files, %v", len(files), err)
	}
	out := map[string][]string{}
	for _, file := range files {
		if strings.HasSuffix(file, "_test.go") {
			continue
		}
		f, err := parser.ParseFile(token.NewFileSet(), file, nil, 0)
		if err != nil {
			t.Fatal(err)
		}
		var flags, sets []string
		ast.Inspect(f, func(n ast.Node) bool {
			call, is := n.(*ast.CallExpr)
			if !is {
				return true
			}
			sel, is := call.Fun.(*ast.SelectorExpr)
			if !is {
				return true
			}
			on, _ := sel.X.(*ast.Ident)
			at := map[string]int{"StringVar": 1, "BoolVar": 1, "IntVar": 1, "Int64Var": 1, "Uint64Var": 1, "Float64Var": 1, "DurationVar": 1, "Var": 1,
				"TextVar": 1, "Func": 0, "BoolFunc": 0, "String": 0, "Bool": 0, "Int": 0, "Float64": 0, "Duration": 0, "NewFlagSet": 0}
			i, known := at[sel.Sel.Name]
			if on == nil || !known || len(call.Args) <= i || on.Name != "flags" && on.Name != "flag" && on.Name != "f" && on.Name != "fs" {
				return true
			}
			lit, is := call.Args[i].(*ast.BasicLit)
			if !is {
				return true
			}
			name, err := strconv.Unquote(lit.Value)
			switch {
			case err != nil:
			case sel.Sel.Name == "NewFlagSet":
				sets = append(sets, strings.TrimPrefix(name, "ovenward "))
			default:
				flags = append(flags, name)
			}
			return true
		})
		command := ""
		if len(sets) == 1 && !strings.Contains(sets[0], " ") {
			command = sets[0]
		}
		out[command] = append(out[command], flags...)
	}
	return out
}

// has says whether flags hold one of this name, with or without a value.
func has(flags []string, name string) bool {
	return slices.ContainsFunc(flags, func(f string) bool {
		return strings.TrimSuffix(strings.TrimLeft(f, "-"), "=") == name
	})
}

// What the source declares is told by the help, and so completed.
func TestEveryFlagIsCompleted(t *testing.T) {
	all := tellAll()
	var union []string
	by := map[string]told{}
	for _, c := range all {
		union = append(union, c.flags...)
		by[c.name] = c
	}
	n := 0
	for command, flags := range declared(t) {
		for _, name := range flags {
			n++
			in := union
			if command != "" {
				if _, known := by[command]; !known {
					t.Errorf("a flag set is named for %q, which is no command", command)
				}
				in = by[command].flags
			}
			if !has(in, name) {
				t.Errorf("ovenward %s takes --%s, which neither its help nor its completions have: %q", command, name, in)
			}
		}
	}
	if n < 60 {
		t.Errorf("found only %d flags in the source", n)
	}
	for _, act := range []string{"list", "acknowledge", "put-back", "take-out", "checked", "withdraw", "return"} {
		if !slices.Contains(by["alarm"].acts, act) {
			t.Errorf("ovenward alarm %s is not completed", act)
		}
	}
}

// script writes the completions of a shell down.
func script(t *testing.T, shell string) string {
	t.Helper()
	var out, stderr bytes.Buffer
	if code := dispatch(t.Context(), []string{"help", "--completion=" + shell}, &out, &stderr); code != 0 {
		t.Fatalf("%d: %s", code, &stderr)
	}
	path := filepath.Join(t.TempDir(), "ovenward."+shell)
	if err := os.WriteFile(path, out.Bytes(), 0o644); err != nil {
		t.Fatal(err)
	}
	return path
}

// checkOffers holds what a shell offers, by the words before, against what the commands
// say of themselves.
func checkOffers(t *testing.T, all []told, offered map[string][]string) {
	t.Helper()
	for _, c := range all {
		if !slices.Contains(offered["ovenward "], c.name) {
			t.Errorf("the command %s is not offered: %q", c.name, offered["ovenward "])
		}
		for _, act := range c.acts {
			if !slices.Contains(offered["ovenward "+c.name+" "], act) {
				t.Errorf("ovenward %s: %s is not offered: %q", c.name, act, offered["ovenward "+c.name+" "])
			}
		}
		for _, flag := range c.flags {
			if strings.HasPrefix(flag, "--") && !has(offered["ovenward "+c.name+" --"], strings.Trim(flag, "-=")) {
				t.Errorf("ovenward %s: %s is not offered: %q", c.name, flag, offered["ovenward "+c.name+" --"])
			}
		}
		if got := len(offered["ovenward "+c.name+" --"]); got > len(c.flags) {
			t.Errorf("ovenward %s: %d flags are offered, and it has %d: %q", c.name, got, len(c.flags), offered["ovenward "+c.name+" --"])
		}
	}
}

// Each shell offers every command, and after each command all of its words and flags.
func TestShellsCompleteAll(t *testing.T) {
	shells := []struct {
		name  string
		write func(file string, words []string) string // a program that prints what is offered for the last word
	}{
		{"bash", func(file string, words []string) string {
			return "COMP_WORDS=('" + strings.Join(words, "' '") + "'); COMP_CWORD=" + strconv.Itoa(len(words)-1) + "; COMPREPLY=(); _ovenward; printf '%s\\n' \"${COMPREPLY[@]}\"\n"
		}},
		{"zsh", func(file string, words []string) string {
			return "words=('" + strings.Join(words, "' '") + "'); CURRENT=" + strconv.Itoa(len(words)) + "; PREFIX='" + words[len(words)-1] + "'; ask\n"
		}},
		{"fish", func(file string, words []string) string {
			return "complete -C '" + strings.Join(words, " ") + "'\n"
		}},
	}
	begin := map[string]string{
		"bash": "source FILE\n",
		"zsh": "compadd() { while [[ $1 != -- ]]; do shift; done; shift; print -rl -- $@ }\n_describe() { print -rl -- ${${(P)2}%%:*} }\n" +
			"_files() { }\nask() { source FILE }\n",
		"fish": "source FILE\n",
	}
	for _, s := range shells {
		t.Run(s.name, func(t *testing.T) {
			t.Parallel()
			shell, file := driverstest.Program(t, s.name), script(t, s.name)
			program := strings.ReplaceAll(begin[s.name], "FILE", file)
			mark := "echo '== %'\n"
			ask := func(words ...string) {
				program += strings.ReplaceAll(mark, "%", strings.Join(words, " ")) + s.write(file, words)
			}
			ask("ovenward", "")
			all := tellAll()
			for _, c := range all {
				ask("ovenward", c.name, "")
				ask("ovenward", c.name, "--")
			}
			offered := offers(t, shell, program)
			checkOffers(t, all, offered)
		})
	}
	if code := dispatch(t.Context(), []string{"help", "--completion=abacus"}, &bytes.Buffer{}, &bytes.Buffer{}); code != 1 {
		t.Errorf("a shell that nobody knows: exit code %d", code)
	}
}

// offers runs a program of a shell, and returns the first word of each line it
// printed after each mark.
func offers(t *testing.T, shell, program string) map[string][]string {
	t.Helper()
	cmd := exec.Command(shell)
	cmd.Stdin, cmd.Env = strings.NewReader(program), append(os.Environ(), "HOME="+t.TempDir(), "TERM=dumb")
	out, err := cmd.CombinedOutput()
	if err != nil {
		t.Fatalf("%s: %v\n%s", shell, err, out)
	}
	offered, at := map[string][]string{}, ""
	for line := range strings.Lines(string(out)) {
		line = strings.TrimRight(line, "\n")
		if rest, is := strings.CutPrefix(line, "== "); is {
			at = rest
			continue
		}
		if word, _, _ := strings.Cut(line, "\t"); word != "" {
			offered[at] = append(offered[at], word)
		}
	}
	return offered
}

// The manual page holds the help of every command, line by line, and a formatter
// finds nothing wrong with it.
func TestManual(t *testing.T) {
	var out bytes.Buffer
	if code := dispatch(t.Context(), []string{"help", "--manual"}, &out, &bytes.Buffer{}); code != 0 {
		t.Fatal(code)
	}
	lint := exec.Command(driverstest.Program(t, "mandoc"), "-Tlint", "-Wwarning")
	lint.Stdin = bytes.NewReader(out.Bytes())
	if told, err := lint.CombinedOutput(); err != nil {
		t.Errorf("mandoc: %v\n%s", err, told)
	}
	print := exec.Command("mandoc", "-Tutf8", "-Owidth=200")
	print.Stdin = bytes.NewReader(out.Bytes())
	page, err := print.Output()
	if err != nil {
		t.Fatal(err)
	}
	plain := string(page)
	for strings.Contains(plain, "\b") { // bold is a letter, back, the letter again
		i := strings.Index(plain, "\b")
		r := []rune(plain[:i])
		plain = string(r[:len(r)-1]) + plain[i+1:]
	}
	for _, c := range tellAll() {
		for line := range strings.Lines(c.help) {
			if line = strings.TrimSpace(line); !strings.Contains(plain, line) {
				t.Errorf("the manual page does not have this line of ovenward %s --help: %q", c.name, line)
			}
		}
	}
}
