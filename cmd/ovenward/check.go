package main

import (
	"errors"
	"fmt"
	"io"
	"strings"
	"time"

	"ovenward/acquire"
	"ovenward/config"
)

const checkHelp = `usage: ovenward check FILE

Reads a configuration and says all that is wrong with it, one problem a line as
  FILE:LINE: what is wrong, and what would be right
It opens no port and changes nothing. It ends with 0 when the file is good, and
with 1 when it is not or cannot be read.
`

// checkCommand reads the configuration that args name, prints what is wrong with
// it on stderr, or one line on stdout when it is good, and returns the exit code.
func checkCommand(args []string, stdout, stderr io.Writer) int {
	if len(args) == 1 && (args[0] == "--help" || args[0] == "-help" || args[0] == "-h") {
		fmt.Fprint(stdout, checkHelp)
		return 0
	}
	if len(args) > 0 && args[0] == "--" {
		args = args[1:]
	} else if len(args) > 0 && strings.HasPrefix(args[0], "-") {
		fmt.Fprintf(stderr, "ovenward check: there is no flag %s\n\n%s", args[0], checkHelp)
		return 1
	}
	if len(args) != 1 {
		fmt.Fprintf(stderr, "ovenward check: name one file, not %d\n\n%s", len(args), checkHelp)
		return 1
	}
	f, err := config.Load(args[0])
	if err == nil {
		err = checkBuilt(args[0], f)
	}
	problems, readable := errors.AsType[config.Problems](err)
	switch {
	case err == nil:
		fmt.Fprintf(stdout, "%s: good: %s\n", args[0], contents(f))
		return 0
	case readable:
		fmt.Fprintf(stderr, "%v\n%s\n", problems, count(len(problems), "problem"))
	default:
		fmt.Fprintf(stderr, "ovenward check: %v\n", err)
	}
	return 1
}

// checkBuilt builds what can be built of a good file without opening a port:
// the drivers and the model kitchen have a say of their own.
func checkBuilt(name string, f *config.File) error {
	var problems config.Problems
	if _, err := clockSource(f.Site, acquire.SystemClock()); err != nil {
		problems = append(problems, config.Problem{File: name, Line: max(f.Site.ClockLine, 1), What: err.Error()})
	}
	if _, err := newKitchen(f, time.Now); err != nil {
		problems = append(problems, config.Problem{File: name, Line: max(f.Simulate.Line, 1), What: err.Error()})
	}
	for _, p := range f.Probes {
		if _, err := protocols()[p.Driver](p); err != nil {
			for what := range strings.Lines(err.Error()) {
				problems = append(problems, config.Problem{File: name, Line: p.Line, What: fmt.Sprintf("probe %q: %s", p.ID, strings.TrimSpace(what))})
			}
		}
	}
	return joinProblems([]error{asError(problems), checkTexts(name, f)})
}

// asError is nil where there is no problem.
func asError(p config.Problems) error {
	if len(p) == 0 {
		return nil
	}
	return p
}

// checkTexts tries the templates of all couriers.
func checkTexts(name string, f *config.File) error {
	var errs []error
	html := map[string]config.Template{}
	for _, m := range f.Mails {
		html[m.ID] = m.HTML
	}
	for _, c := range f.Couriers() {
		_, err := textsOf(c, f.KindOf(c.ID), name, html[c.ID])
		errs = append(errs, err)
	}
	return joinProblems(errs)
}

// contents counts what a good file holds.
func contents(f *config.File) string {
	return strings.Join([]string{
		count(1, "site"), count(len(f.Ovens), "oven"), count(len(f.Probes), "probe"),
		count(len(f.Posts), "post"), count(len(f.Couriers()), "courier"),
		count(len(f.Remotes), "remote-write target"),
	}, ", ")
}

// count prints a number of things: "1 oven", "2 ovens".
func count(n int, thing string) string {
	if n == 1 {
		return "1 " + thing
	}
	return fmt.Sprintf("%d %ss", n, thing)
}
