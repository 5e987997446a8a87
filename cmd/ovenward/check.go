package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"strings"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/store"
	"ovenward/config"
)

const checkHelp = `usage: ovenward check FILE [--storage.path=FOLDER]

Reads a configuration and says all that is wrong with it, one problem a line as
  FILE:LINE: what is wrong, and what would be right
It opens no port and changes nothing. It ends with 0 when the file is good, and
with 1 when it is not or cannot be read.

  --storage.path=FOLDER  of a record: print where the file says otherwise than the
                         record, which owns ovens, probes and certificates, and
                         whether the two go together
`

// checkCommand reads the configuration that args name, prints what is wrong with
// it on stderr, or one line on stdout when it is good, and returns the exit code.
func checkCommand(args []string, stdout, stderr io.Writer) int {
	if len(args) == 1 && (args[0] == "--help" || args[0] == "-help" || args[0] == "-h") {
		fmt.Fprint(stdout, checkHelp)
		return 0
	}
	args, folder, flagErr := storagePath(args)
	if flagErr != nil {
		fmt.Fprintf(stderr, "ovenward check: %v\n\n%s", flagErr, checkHelp)
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
	if err == nil && folder != "" {
		err = checkRecord(args[0], f, folder, stdout)
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
	if strings.HasSuffix(thing, "s") {
		thing += "e"
	}
	return fmt.Sprintf("%d %ss", n, thing)
}

// storagePath takes the flag of that name out of args; "--" ends the flags.
func storagePath(args []string) (rest []string, folder string, err error) {
	for i := 0; i < len(args); i++ {
		text, is := strings.CutPrefix(args[i], "--storage.path")
		switch {
		case args[i] == "--":
			return append(rest, args[i+1:]...), folder, nil
		case is && strings.HasPrefix(text, "=") && len(text) > 1:
			folder = text[1:]
		case is && text == "" && i+1 < len(args):
			i++
			folder = args[i]
		case is:
			return nil, "", errors.New("--storage.path needs the folder of the record")
		case strings.HasPrefix(args[i], "-"):
			return nil, "", fmt.Errorf("there is no flag %s", args[i])
		default:
			rest = append(rest, args[i])
		}
	}
	return rest, folder, nil
}

// checkRecord prints where a file says otherwise than the record in folder. The
// error is that the two do not go together, or that there is no record.
func checkRecord(name string, f *config.File, folder string, stdout io.Writer) error {
	r, err := store.OpenReadOnly(folder)
	if err != nil {
		return err
	}
	defer r.Close()
	is, err := readRegister(context.Background(), r)
	if err != nil {
		return err
	}
	all := f.Differences(name, is.ovens, is.certificates)
	for _, p := range all {
		fmt.Fprintln(stdout, p)
	}
	fmt.Fprintf(stdout, "%s between file and record\n", count(len(all), "difference"))
	_, err = f.Adopt(name, is.ovens, is.certificates)
	return err
}
