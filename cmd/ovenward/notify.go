package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"strings"
	"time"

	"ovenward/acquire/store"
	"ovenward/cmd/internal/notify"
	"ovenward/config"
)

const notifyHelp = `usage: ovenward notify --test --config.file=F [--courier=ID]
       ovenward notify --dead --storage.path=D [--courier=ID]
       ovenward notify --told --storage.path=D [--courier=ID]

  --test  sends a message through each courier of the configuration, marked as a
          test, and prints what came back. A running daemon is not disturbed.
  --dead  prints the dead letters of the record: messages that a receiver refused
          for good. Mend the cause; what stands is on the page.
  --told  prints what was told to whom, the newest first, and what came back.

  --courier=ID  only of this courier
  --most=N      at most so many lines (default 50)

It ends with 0 when every courier accepted its test, or when nothing went wrong
with reading the record; with 1 otherwise.
`

// notifyAsk is what the command line asks for.
type notifyAsk struct {
	test, dead, told bool
	file, storage    string
	courier          string
	most             int
}

// notifyCommand tries couriers, or prints what was told, and returns the exit
// code.
func notifyCommand(ctx context.Context, args []string, stdout, stderr io.Writer) int {
	var a notifyAsk
	flags := flag.NewFlagSet("ovenward notify", flag.ContinueOnError)
	flags.SetOutput(io.Discard)
	flags.BoolVar(&a.test, "test", false, "")
	flags.BoolVar(&a.dead, "dead", false, "")
	flags.BoolVar(&a.told, "told", false, "")
	flags.StringVar(&a.file, "config.file", "", "")
	flags.StringVar(&a.storage, "storage.path", "", "")
	flags.StringVar(&a.courier, "courier", "", "")
	flags.IntVar(&a.most, "most", 50, "")
	if err := parse(flags, args); err != nil {
		return ended("notify", notifyHelp, err, stdout, stderr)
	}
	var err error
	switch {
	case a.most < 1:
		return fail(stderr, "--most=%d: write 1 or more; see ovenward notify --help", a.most)
	case a.test && !a.dead && !a.told && a.file != "":
		err = a.try(ctx, stdout)
	case (a.dead != a.told) && !a.test && a.storage != "":
		err = a.list(ctx, stdout)
	default:
		return fail(stderr, "say --test with --config.file=F, or --dead or --told with --storage.path=D; see ovenward notify --help")
	}
	if err != nil {
		return startFailed(stderr, err)
	}
	return 0
}

var errNotAllAccepted = errors.New("not every courier accepted its test; nothing has happened, and nothing is kept")

// try sends a test through each courier.
func (a notifyAsk) try(ctx context.Context, w io.Writer) error {
	f, err := config.Load(a.file)
	if err != nil {
		return err
	}
	all, err := carriers(f, a.file, nil)
	if err != nil {
		return err
	}
	tried, failed := 0, false
	for _, k := range all {
		if a.courier != "" && k.ID != a.courier {
			continue
		}
		tried++
		began := time.Now()
		answer, err := notify.Test(ctx, k.carrier, notify.TestMessage(f.Site.Name, k.ID, "", began, k.texts))
		took := time.Since(began).Round(time.Millisecond)
		switch {
		case err != nil:
			failed = true
			fmt.Fprintf(w, "%s (%s): NOT accepted after %s: %v\n", k.ID, k.kind, took, err)
		default:
			fmt.Fprintf(w, "%s (%s): accepted after %s: %s\n", k.ID, k.kind, took, answer)
		}
	}
	switch {
	case failed:
		return errNotAllAccepted
	case tried == 0 && a.courier != "":
		return fmt.Errorf("%s has no courier %q", a.file, a.courier)
	case tried == 0:
		return fmt.Errorf("%s has no courier; add a [[webhook]], [[mail]], [[alertmanager]] or [[mqtt]]", a.file)
	}
	return nil
}

// list prints what was told, or the dead letters.
func (a notifyAsk) list(ctx context.Context, w io.Writer) error {
	r, err := store.OpenReadOnly(a.storage)
	if err != nil {
		return err
	}
	defer r.Close()
	q := store.ToldQuery{Courier: a.courier}
	if a.dead {
		q.Outcome = store.ToldRefused
	}
	told, err := r.Told(ctx, q, a.most)
	if err != nil {
		return err
	}
	for _, t := range told {
		fmt.Fprintf(w, "%s  %s  %s  event %d, attempt %d\n  %s\n  %s\n", t.At.UTC().Format("2006-01-02 15:04:05Z"), t.Courier, t.Outcome,
			t.Event, t.Attempts, t.Subject, strings.ReplaceAll(t.Answer, "\n", " "))
	}
	of := ""
	if a.courier != "" {
		of = fmt.Sprintf(" of courier %q", a.courier)
	}
	switch {
	case len(told) == a.most:
		fmt.Fprintf(w, "the newest %d; there may be more: --most=N\n", a.most)
	case len(told) == 0 && a.dead:
		fmt.Fprintf(w, "no dead letters%s\n", of)
	case len(told) == 0:
		fmt.Fprintf(w, "the record tells of no message%s\n", of)
	}
	return nil
}
