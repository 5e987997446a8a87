package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"io/fs"
	"math/rand/v2"
	"os"
	"slices"
	"strings"
	"time"

	"ovenward/acquire/quantity"
	"ovenward/acquire/store"
	"ovenward/cmd/internal/rows"
)

const exportHelp = `usage: ovenward export --storage.path=FOLDER [FLAGS]

Writes the samples of a record down, beside a running daemon or without one.

  --post=POST       only of this post; may be given several times
  --from=INSTANT    from this instant on, 2026-11-25T10:00:00Z, or a day (UTC)
  --to=INSTANT      to before this instant
  --format=FORMAT   csv (default), jsonl, or openmetrics, which
                    promtool tsdb create-blocks-from openmetrics reads
  --unit=UNIT       of the values: mW/cm2 (default; W/m2 in openmetrics), or any
                    other; V/m and A/m by way of the plane wave
  --raw             values as the probe indicated them, not corrected
  --output=FILE     (-o FILE) that is not there yet; standard output without it

What the probe said stands in every csv and jsonl row byte for byte. What is not
known is empty or null, never zero. In csv, said_hex holds what is no plain text.
`

// exporting is what the command line of export says.
type exporting struct {
	path     string
	posts    []string
	from, to time.Time
	format   string
	output   string
	values   rows.Values
}

// exportCommand writes samples down and returns the exit code.
func exportCommand(ctx context.Context, args []string, stdout, stderr io.Writer) int {
	e, err := parseExport(args)
	if err == nil {
		err = e.run(ctx, stdout, stderr)
	}
	return ended("export", exportHelp, err, stdout, stderr)
}

func parseExport(args []string) (e exporting, err error) {
	flags := flag.NewFlagSet("ovenward export", flag.ContinueOnError)
	flags.SetOutput(io.Discard)
	unit := ""
	flags.StringVar(&e.path, "storage.path", "", "")
	flags.Func("post", "", func(s string) error { e.posts = append(e.posts, s); return nil })
	flags.Func("from", "", instantFlag(&e.from))
	flags.Func("to", "", instantFlag(&e.to))
	flags.StringVar(&e.format, "format", "csv", "")
	flags.StringVar(&unit, "unit", "", "")
	flags.BoolVar(&e.values.Raw, "raw", false, "")
	flags.StringVar(&e.output, "output", "", "")
	flags.StringVar(&e.output, "o", "", "")
	if err := parse(flags, args); err != nil {
		return e, err
	}
	if unit == "" {
		unit = "mW/cm2"
		if e.format == "openmetrics" {
			unit = "W/m2"
		}
	}
	var known bool
	e.values.Unit, known = quantity.LookupUnit(unit)
	switch {
	case e.path == "":
		return e, errors.New("name the record's folder: --storage.path=FOLDER")
	case !known:
		return e, fmt.Errorf("--unit=%s is not known; write for example mW/cm2, W/m2 or V/m", unit)
	case !e.from.IsZero() && !e.to.IsZero() && !e.from.Before(e.to):
		return e, errors.New("--from is not before --to: nothing lies between")
	case !slices.Contains([]string{"csv", "jsonl", "openmetrics"}, e.format):
		return e, fmt.Errorf("there is no format %q; write csv, jsonl or openmetrics", e.format)
	}
	return e, nil
}

// instantFlag reads an instant, or a day as its first instant in UTC.
func instantFlag(into *time.Time) func(string) error {
	return func(s string) error {
		for _, layout := range []string{time.RFC3339Nano, time.DateOnly} {
			if t, err := time.Parse(layout, s); err == nil && t.Year() >= 1970 && t.Year() <= 2261 {
				*into = t.UTC()
				return nil
			}
		}
		return fmt.Errorf("write an instant with its zone such as 2026-11-25T10:00:00Z, or a day such as 2026-11-25")
	}
}

func (e exporting) run(ctx context.Context, stdout, stderr io.Writer) (err error) {
	record, err := store.OpenReadOnly(e.path)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, record.Close()) }()
	if e.posts, err = e.which(ctx, record); err != nil {
		return err
	}
	if e.output == "" {
		return e.write(ctx, record, stdout, stderr, newProgress(stderr, stdout))
	}
	return wholeFile(e.output, func(f io.Writer) error { return e.write(ctx, record, f, stderr, newProgress(stderr, nil)) })
}

// which returns the posts to write, each known to the record.
func (e exporting) which(ctx context.Context, record *store.Reader) ([]string, error) {
	all, err := record.Posts(ctx)
	if err != nil || len(e.posts) == 0 {
		return all, err
	}
	for _, p := range e.posts {
		if !slices.Contains(all, p) {
			return nil, fmt.Errorf("there is no post %q in the record; it has %s", p, strings.Join(all, ", "))
		}
	}
	slices.Sort(e.posts)
	return slices.Compact(e.posts), nil
}

// write gives all rows to the encoder, as often as it wants them.
func (e exporting) write(ctx context.Context, record *store.Reader, w, stderr io.Writer, p *progressBar) error {
	enc, err := rows.NewEncoder(e.format, w, e.values)
	if err != nil {
		return err
	}
	p.passes = enc.Passes()
	defer p.end()
	x := &exporter{record: record, versions: map[int64]placedAt{}, corrections: map[int64]derivation{}}
	parts := float64(enc.Passes() * len(e.posts))
	for pass := range enc.Passes() {
		for i, post := range e.posts {
			begun := float64(pass*len(e.posts) + i)
			from, to, err := e.extent(ctx, record, post)
			if err != nil {
				return err
			}
			for s, err := range record.Samples(ctx, post, e.from, to) {
				if isDamage(err) {
					if pass == 0 {
						fmt.Fprintln(stderr, "ovenward export: left out:", err)
					}
					continue
				}
				if err != nil {
					return err
				}
				if from.IsZero() {
					from = s.At
				}
				r, err := x.row(ctx, post, s)
				if err != nil {
					return err
				}
				if err := enc.Add(pass, &r); err != nil {
					return fmt.Errorf("write a row: %w", err)
				}
				p.at(func() float64 { return (begun + part(s.At, from, to)) / parts })
			}
		}
	}
	if err := enc.Close(); err != nil {
		return fmt.Errorf("write the last rows: %w", err)
	}
	return nil
}

// extent is what an export covers of a post. It ends with the newest sample there
// is now, so that it ends although a daemon writes on, and every pass is the same.
func (e *exporting) extent(ctx context.Context, record *store.Reader, post string) (from, to time.Time, err error) {
	if !e.to.IsZero() {
		return e.from, e.to, nil
	}
	_, newest, err := record.Newest(ctx, post)
	if err != nil || newest.IsZero() {
		return from, to, err
	}
	return e.from, newest.Add(1), nil
}

func part(at, from, to time.Time) float64 {
	if !from.Before(to) {
		return 1
	}
	return float64(at.Sub(from)) / float64(to.Sub(from))
}

// wholeFile makes a file that is whole or not there, and touches no other.
func wholeFile(path string, write func(io.Writer) error) (err error) {
	taken := func() error {
		if _, err := os.Lstat(path); err == nil {
			return fmt.Errorf("%s is there already: name a file that is not", path)
		}
		return nil
	}
	if err := taken(); err != nil {
		return err
	}
	f, err := os.OpenFile(fmt.Sprintf("%s.%08x.part", path, rand.Uint32()), os.O_CREATE|os.O_WRONLY|os.O_EXCL, 0o640)
	if err != nil {
		var why *fs.PathError
		if errors.As(err, &why) {
			err = why.Err // of a name that nobody gave
		}
		return fmt.Errorf("make %s: %w: name a file in a folder that is there and may be written to", path, err)
	}
	defer func() {
		if gone := os.Remove(f.Name()); !errors.Is(gone, fs.ErrNotExist) {
			err = errors.Join(err, gone)
		}
	}()
	if err = write(f); err == nil {
		err = f.Sync()
	}
	if err = errors.Join(err, f.Close()); err != nil {
		return err
	}
	if err = os.Link(f.Name(), path); err == nil { // which, unlike a renaming, replaces nothing
		return nil
	}
	if err := taken(); err != nil {
		return err
	}
	if err = os.Rename(f.Name(), path); err != nil { // the file system has no links
		return fmt.Errorf("give the file its name: %w", err)
	}
	return nil
}
