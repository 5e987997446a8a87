package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"log/slog"
	"os"
	"os/user"
	"path/filepath"
	"slices"
	"strings"
	"text/tabwriter"
	"time"

	"ovenward/acquire/store"
	"ovenward/cmd/internal/report"
	"ovenward/cmd/internal/report/gather"
	"ovenward/cmd/internal/round"
)

const roundHelp = `usage: ovenward round --storage.path=FOLDER [FLAGS]

Lists which ovens are to be checked, in the order of their places: never checked, overdue,
due, or with a newest check that exceeds or is not decided.

  --day=DAY            2026-12-01; today when left out
  --ahead=DAYS         what is due up to so many days later is due; 14
  --every=MONTHS       from a check to the next, where neither oven nor check states a day; 12,
                       which is customary in workplaces: we know of no law that states it
  --format=FORMAT      text (default), csv, json, pdf or html
  --output=FILE        (-o FILE) that is not there yet; standard output without it
  --paper=A4|Letter    of pdf and html; A4

  --import=FILE.csv    takes results of earlier checks into a record that no daemon is
                       writing, all or nothing, and then lists. Headings: oven, place, day,
                       outcome, highest (mW/cm2), by, next check, remark; oven and day are
                       needed. What is wrong is told as FILE:LINE. One that is in the record
                       already is left out, so the same file can be imported twice.
  --by=NAME            who imports; the user of this system when left out
`

// rounding is what the command line of round says.
type rounding struct {
	path, format, output, file, who string
	paper                           report.Paper
	ask                             round.Ask
}

// largestChecks bounds a file of earlier checks.
const largestChecks = 16 << 20 // bytes

// roundCommand lists which ovens are due and returns the exit code.
func roundCommand(ctx context.Context, args []string, stdout, stderr io.Writer) int {
	r, err := parseRound(args, time.Now())
	if err == nil && r.file != "" {
		err = r.take(ctx, stderr)
	}
	if err == nil {
		err = r.list(ctx, stdout)
	}
	return ended("round", roundHelp, err, stdout, stderr)
}

func parseRound(args []string, now time.Time) (r rounding, err error) {
	flags := flag.NewFlagSet("ovenward round", flag.ContinueOnError)
	flags.SetOutput(io.Discard)
	r.ask = round.Ask{Day: now.UTC().Truncate(24 * time.Hour)}
	paper := ""
	flags.StringVar(&r.path, "storage.path", "", "")
	flags.Func("day", "", instantFlag(&r.ask.Day))
	flags.IntVar(&r.ask.Ahead, "ahead", round.DefaultAhead, "")
	flags.IntVar(&r.ask.Every, "every", round.DefaultEvery, "")
	flags.StringVar(&r.format, "format", "text", "")
	flags.StringVar(&r.output, "output", "", "")
	flags.StringVar(&r.output, "o", "", "")
	flags.StringVar(&paper, "paper", "A4", "")
	flags.StringVar(&r.file, "import", "", "")
	flags.StringVar(&r.who, "by", "", "")
	if err := parse(flags, args); err != nil {
		return r, err
	}
	if r.paper, err = report.PaperOf(paper); err != nil {
		return r, fmt.Errorf("--paper: %w", err)
	}
	if u, err := user.Current(); err == nil && r.who == "" {
		r.who = u.Username
	}
	switch {
	case r.path == "":
		return r, errors.New("name the record's folder: --storage.path=FOLDER")
	case !slices.Contains([]string{"text", "csv", "json", "pdf", "html"}, r.format):
		return r, fmt.Errorf("there is no format %q; write text, csv, json, pdf or html", r.format)
	case r.ask.Ahead < 0 || r.ask.Ahead > 3660:
		return r, errors.New("--ahead: write 0 to 3660 days")
	case r.ask.Every < 1 || r.ask.Every > 120:
		return r, errors.New("--every: write 1 to 120 months")
	}
	return r, nil
}

// take imports earlier checks.
func (r *rounding) take(ctx context.Context, stderr io.Writer) (err error) {
	f, err := os.Open(r.file)
	if err != nil {
		return fmt.Errorf("open the file of checks: %w", err)
	}
	defer f.Close()
	data, err := io.ReadAll(io.LimitReader(f, largestChecks+1))
	if err != nil {
		return fmt.Errorf("read the file of checks: %w", err)
	}
	if len(data) > largestChecks {
		return fmt.Errorf("%s is larger than %d MiB: part it", r.file, largestChecks>>20)
	}
	now := time.Now()
	checks, err := round.ParseChecks(filepath.Base(r.file), data, now)
	if err != nil {
		return fmt.Errorf("nothing was taken from %s:\n%w", r.file, err)
	}
	if _, err := os.Stat(r.path); err != nil {
		return fmt.Errorf("find the record's folder: %w; name the one of the record, or make it", err)
	}
	record, err := store.Open(r.path, store.Options{Now: time.Now, Log: slog.New(slog.NewTextHandler(stderr, &slog.HandlerOptions{Level: slog.LevelWarn}))})
	if errors.Is(err, store.ErrInUse) {
		return fmt.Errorf("%w; an import needs the record for itself", err)
	}
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, record.Close()) }()
	have, err := gather.Checks(ctx, record.Reader)
	if err != nil {
		return err
	}
	fresh := round.New(checks, have)
	for _, c := range fresh {
		e, err := gather.CheckEvent(c, now, r.who)
		if err != nil {
			return err
		}
		record.Record(e)
	}
	fmt.Fprintf(stderr, "%s: %s taken, %d in the record already\n", r.file, count(len(fresh), "check"), len(checks)-len(fresh))
	return nil
}

// list writes the plan.
func (r *rounding) list(ctx context.Context, stdout io.Writer) (err error) {
	record, err := store.OpenReadOnly(r.path)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, record.Close()) }()
	plan, err := gather.Round(ctx, record, r.ask, version())
	if err != nil {
		return err
	}
	write := func(w io.Writer) error {
		if r.format == "text" {
			_, err := io.WriteString(w, roundText(plan))
			return err
		}
		return plan.Document().Write(w, r.format, r.paper)
	}
	if r.output == "" {
		return write(stdout)
	}
	return wholeFile(r.output, write)
}

// roundText is the list for a terminal.
func roundText(p *report.Round) string {
	var b strings.Builder
	list := round.List(p.Entries)
	fmt.Fprintf(&b, "%s to check on %s, of %d known\n\n", count(len(list), "oven"), p.Ask.Day.Format(time.DateOnly), len(p.Entries))
	t := tabwriter.NewWriter(&b, 0, 0, 2, ' ', 0)
	if len(list) > 0 {
		fmt.Fprintln(t, "PLACE\tOVEN\tSTATUS\tDUE\tNEWEST CHECK\tOUTCOME THEN")
	}
	for _, e := range list {
		due, last, outcome := "at once", "none", ""
		if !e.Due.IsZero() {
			due = e.Due.Format(time.DateOnly)
		}
		if e.Last != nil {
			last, outcome = e.Last.On.Format(time.DateOnly), string(e.Last.Outcome)
			if outcome == "" {
				outcome = "not stated"
			}
		}
		place := e.Place
		if place == "" {
			place = "-"
		}
		fmt.Fprintf(t, "%s\t%s\t%s\t%s\t%s\t%s\n", place, e.ID, e.Status, due, last, outcome)
	}
	t.Flush()
	fmt.Fprintf(&b, "\n%s\n", caution)
	return b.String()
}
