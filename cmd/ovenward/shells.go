package main

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"regexp"
	"slices"
	"strings"
)

// told is what a command says of itself by --help: the one source of the
// completions and of the manual page.
type told struct {
	command
	help  string
	acts  []string // that may follow its name: "list" of ovenward alarm list
	flags []string // "--post=" where a value follows, "--raw" where none does
}

// tellAll asks every command for its help.
func tellAll() []told {
	var out []told
	for _, c := range commands() {
		var help bytes.Buffer
		c.run(context.Background(), []string{"--help"}, &help, io.Discard)
		out = append(out, told{command: c, help: help.String(), acts: actsOf(c.name, help.String()), flags: flagsOf(help.String())})
	}
	return out
}

var (
	flagPattern = regexp.MustCompile(`(?:^|[\s\[(|])(--?[a-z][a-z.-]*[a-z]|-[a-z])\b(=?)`)
	others      = regexp.MustCompile(`ovenward [a-z]+ --help|(?m)^ +ovenward [a-z]+ .*\\\n.*$`)
)

// flagsOf finds the flags in a help text, but for those of other commands.
func flagsOf(help string) []string {
	var out []string
	for _, m := range flagPattern.FindAllStringSubmatch(others.ReplaceAllString(help, ""), -1) {
		flag := m[1] + m[2]
		switch bare := m[1]; {
		case slices.Contains(out, flag), slices.Contains(out, bare+"="):
		case m[2] == "=" && slices.Contains(out, bare):
			out[slices.Index(out, bare)] = flag
		default:
			out = append(out, flag)
		}
	}
	slices.Sort(out)
	return append(out, "--help")
}

// actsOf finds the words that may follow a command in the lines of its usage.
func actsOf(name, help string) []string {
	_, usage, _ := strings.Cut(help, "sage: ")
	usage, _, _ = strings.Cut(usage, "\n\n")
	var out []string
	for line := range strings.Lines(usage) {
		_, rest, _ := strings.Cut(line, "ovenward "+name+" ")
		word, _, _ := strings.Cut(strings.TrimSpace(rest), " ")
		for act := range strings.SplitSeq(word, "|") {
			if act != "" && strings.Trim(act, "abcdefghijklmnopqrstuvwxyz-") == "" && act[0] != '-' && !slices.Contains(out, act) {
				out = append(out, act)
			}
		}
	}
	return out
}

// completion prints the completions for a shell.
func completion(w io.Writer, shell string, all []told) error {
	switch shell {
	case "bash":
		bashCompletion(w, all)
	case "zsh":
		zshCompletion(w, all)
	case "fish":
		fishCompletion(w, all)
	default:
		return fmt.Errorf("there are no completions for %q: name bash, zsh or fish", shell)
	}
	return nil
}

func names(all []told) []string {
	var out []string
	for _, t := range all {
		out = append(out, t.name)
	}
	return out
}

func bashCompletion(w io.Writer, all []told) {
	fmt.Fprintf(w, `# bash completion for ovenward
_ovenward() {
  local current=${COMP_WORDS[COMP_CWORD]} acts= flags=
  case ${COMP_WORDS[1]-} in
`)
	for _, t := range all {
		name := t.name
		if name == "run" {
			name += "|-*" // the default command
		}
		fmt.Fprintf(w, "    %s) acts=%q flags=%q ;;\n", name, strings.Join(t.acts, " "), strings.Join(t.flags, " "))
	}
	fmt.Fprintf(w, `  esac
  if ((COMP_CWORD == 1)) && [[ $current != -* ]]; then
    acts=%q flags=
  elif ((COMP_CWORD != 2)); then
    acts=
  fi
  [[ $current == -* ]] || flags=
  COMPREPLY=($(compgen -W "$acts $flags" -- "$current"))
  if [[ ${COMPREPLY[0]-} == *= ]]; then compopt -o nospace 2>/dev/null; fi
}
complete -o default -F _ovenward ovenward
`, strings.Join(append(names(all), "help"), " "))
}

// single quotes a text for zsh and fish.
func single(s string) string {
	return "'" + strings.NewReplacer("'", `'\''`, ":", `\:`).Replace(s) + "'"
}

func zshCompletion(w io.Writer, all []told) {
	fmt.Fprint(w, "#compdef ovenward\nlocal -a commands acts flags\ncommands=(\n")
	for _, t := range all {
		fmt.Fprintf(w, "  %s\n", single(t.name)[:len(single(t.name))-1]+":"+strings.ReplaceAll(t.what, "'", `'\''`)+"'")
	}
	fmt.Fprint(w, "  'help:print the help'\n)\ncase ${words[2]} in\n")
	for _, t := range all {
		name := t.name
		if name == "run" {
			name += "|-*"
		}
		fmt.Fprintf(w, "  %s) acts=(%s) flags=(%s) ;;\n", name, strings.Join(t.acts, " "), strings.Join(t.flags, " "))
	}
	fmt.Fprint(w, `esac
if [[ $PREFIX == -*=* ]]; then
  compset -P '*='
  _files
elif [[ $PREFIX == -* ]]; then
  compadd -S '' -- ${(M)flags:#*=}
  compadd -- ${flags:#*=}
elif (( CURRENT == 2 )); then
  _describe command commands
else
  (( CURRENT == 3 )) && compadd -- $acts
  _files
fi
`)
}

func fishCompletion(w io.Writer, all []told) {
	fmt.Fprint(w, "# fish completion for ovenward\n")
	quoted := func(s string) string { return "'" + strings.NewReplacer(`\`, `\\`, "'", `\'`).Replace(s) + "'" }
	for _, t := range all {
		fmt.Fprintf(w, "complete -c ovenward -n __fish_use_subcommand -a %s -d %s\n", t.name, quoted(t.what))
		where := quoted("__fish_seen_subcommand_from " + t.name)
		for _, act := range t.acts {
			fmt.Fprintf(w, "complete -c ovenward -n %s -a %s\n", where, act)
		}
		for _, flag := range t.flags {
			name, value := strings.CutSuffix(strings.TrimLeft(flag, "-"), "=")
			line := "-l " + name
			if !strings.HasPrefix(flag, "--") {
				line = "-s " + name
			}
			if value {
				line += " -r"
			}
			fmt.Fprintf(w, "complete -c ovenward -n %s %s\n", where, line)
		}
	}
	fmt.Fprint(w, "complete -c ovenward -n __fish_use_subcommand -a help -d 'print the help'\n")
}
