package main

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	past "ovenward/acquire/cycle/history"
	"ovenward/acquire/store"
	"ovenward/cmd/internal/report"
	"ovenward/cmd/internal/report/gather"
)

const reportHelp = `usage: ovenward report monitoring|certificates|survey|standoff|soak -o FILE [FLAGS]

Prints what a record holds, beside a running daemon or without one. FILE ends in .pdf, .html,
.csv or .json, and is not there yet. The same data makes the same bytes.

  --storage.path=FOLDER   of the record; not for standoff
  --paper=A4|Letter       of PDF, and of HTML when it is printed; A4
monitoring: cover, gaps, outcomes, means with bounds, maxima, alarms, chart
  --post=POST             only of this post; may be given several times
  --oven=OVEN             only of posts at this oven
  --from=INSTANT          2026-11-25T10:00:00Z, of a whole second, or a day (UTC); 30 days earlier
  --to=INSTANT            to before this instant; behind the newest sample
certificates: of all probes, with what is due and overdue
  --to=INSTANT            as of this instant; of the newest sample
survey: of an oven's door
  --id=SURVEY --oven=OVEN the newest that has ended when --id is left out
  --form=KEY=VALUE        fills in the inspection form; may be given several times
soak: of a soak test: --id=ID, as of --to=INSTANT, summed up --per=run, hour or day (default)
                          from --from=INSTANT on, where 10 000 runs or hours are too many
standoff: of a walk back, fitted as ovenward standoff does
  --walk=FILE.csv         its marks; --day=DAY on which it was walked; both are needed
  --level= --limit= --frequency= --floor=    as of ovenward standoff
  --site= --oven= --place= --load= --door= --by=TEXT   what the page shall say of it
`

// reporting is what the command line of report says.
type reporting struct {
	kind, path, output, format  string
	paper                       report.Paper
	posts                       []string
	oven, id                    string
	from, to, day               time.Time
	fields                      report.Form
	walk                        string
	levels                      levels
	limit, frequency, floor     string
	per                         string
	site, place, load, door, by string
}

// kinds lists the reports that the command makes.
func kinds() []string { return []string{"monitoring", "certificates", "survey", "standoff", "soak"} }

// reportCommand makes a report and returns the exit code.
func reportCommand(ctx context.Context, args []string, stdout, stderr io.Writer) int {
	r, err := parseReport(args)
	if err == nil {
		err = r.run(ctx, stderr)
	}
	return ended("report", reportHelp, err, stdout, stderr)
}

func parseReport(args []string) (r reporting, err error) {
	flags := flag.NewFlagSet("ovenward report", flag.ContinueOnError)
	flags.SetOutput(io.Discard)
	text := func(into *string, names ...string) {
		for _, n := range names {
			flags.StringVar(into, n, "", "")
		}
	}
	paper := flags.String("paper", "A4", "")
	text(&r.path, "storage.path")
	text(&r.output, "o", "output")
	text(&r.oven, "oven")
	text(&r.id, "id")
	text(&r.walk, "walk")
	text(&r.per, "per")
	text(&r.limit, "limit")
	text(&r.frequency, "frequency")
	text(&r.floor, "floor")
	text(&r.site, "site")
	text(&r.place, "place")
	text(&r.load, "load")
	text(&r.door, "door")
	text(&r.by, "by")
	flags.Var(&r.levels, "level", "")
	flags.Func("post", "", func(s string) error { r.posts = append(r.posts, s); return nil })
	flags.Func("from", "", instantFlag(&r.from))
	flags.Func("to", "", instantFlag(&r.to))
	flags.Func("day", "", instantFlag(&r.day))
	flags.Func("form", "", formFlag(&r.fields))
	if len(args) > 0 && !strings.HasPrefix(args[0], "-") {
		r.kind, args = args[0], args[1:]
	}
	if err := parse(flags, args); err != nil {
		return r, err
	}
	if r.paper, err = report.PaperOf(*paper); err != nil {
		return r, fmt.Errorf("--paper: %w", err)
	}
	return r, r.check()
}

// check says what the command line lacks.
func (r *reporting) check() (err error) {
	switch {
	case !slices.Contains(kinds(), r.kind):
		if r.kind == "" {
			return fmt.Errorf("name the report to make: one of %s; see ovenward report --help", strings.Join(kinds(), ", "))
		}
		return fmt.Errorf("there is no report %q; write one of %s", r.kind, strings.Join(kinds(), ", "))
	case r.output == "":
		return errors.New("name the file to make: -o FILE.pdf, .html, .csv or .json")
	case r.kind != "standoff" && r.path == "":
		return errors.New("name the record's folder: --storage.path=FOLDER")
	case r.kind == "monitoring" && r.from.After(time.Now()):
		return fmt.Errorf("--from=%s lies in the future, of which nothing is recorded: write an instant that is past", r.from.UTC().Format(time.RFC3339))
	case r.kind == "soak" && r.id == "":
		return errors.New("name the soak test: --id=ID")
	case r.per != "" && (r.kind != "soak" || !slices.Contains([]string{"run", "hour", "day"}, r.per)):
		return fmt.Errorf("--per=%s: a report of a soak test is summed up by run, hour or day", r.per)
	case r.kind == "standoff" && r.walk == "":
		return errors.New("name the file of the marks: --walk=FILE.csv")
	case r.kind == "standoff" && r.day.IsZero():
		return errors.New("say on which day it was walked, for the report must say so: --day=2026-11-25")
	case r.kind == "standoff" && r.day.After(time.Now().Add(eastmost)):
		return fmt.Errorf("--day=%s lies in the future: write the day on which it was walked", r.day.Format(time.DateOnly))
	}
	r.format, err = report.FormatOf(r.output)
	return err
}

// eastmost is by how much clocks are ahead of UTC at most.
const eastmost = 14 * time.Hour

// formFlag reads one field of the inspection form.
func formFlag(f *report.Form) func(string) error {
	return func(s string) error {
		key, value, ok := strings.Cut(s, "=")
		all := map[string]*string{"type": &f.Type, "agency": &f.Agency, "owner": &f.Owner, "maker": &f.Maker, "brand": &f.Brand, "model": &f.Model, "serial": &f.Serial,
			"manufactured": &f.Manufactured, "label": &f.Label, "location": &f.Location, "uses": &f.UsesPerDay, "runs-open": &f.RunsOpen, "opening": &f.DoorOpening,
			"service": &f.LastService, "line-voltage": &f.LineVoltage, "remarks": &f.Remarks}
		into := all[key]
		if !ok || into == nil {
			var names []string
			for k := range all {
				names = append(names, k)
			}
			slices.Sort(names)
			return fmt.Errorf("write KEY=VALUE, with one of these keys: %s", strings.Join(names, ", "))
		}
		*into = value
		return nil
	}
}

func (r *reporting) run(ctx context.Context, stderr io.Writer) error {
	if _, err := os.Lstat(r.output); err == nil {
		return fmt.Errorf("%s is there already: name a file that is not", r.output)
	}
	d, err := r.document(ctx, stderr)
	if err != nil {
		return err
	}
	return wholeFile(r.output, func(w io.Writer) error { return d.Write(w, r.format, r.paper) })
}

func (r *reporting) document(ctx context.Context, stderr io.Writer) (d *report.Document, err error) {
	if r.kind == "standoff" {
		return r.standoff()
	}
	record, err := store.OpenReadOnly(r.path)
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, record.Close()) }()
	return r.fromRecord(ctx, record, stderr)
}

func (r *reporting) fromRecord(ctx context.Context, record *store.Reader, stderr io.Writer) (*report.Document, error) {
	switch r.kind {
	case "certificates":
		return documentOf(gather.Certificates(ctx, record, r.to, version()))
	case "survey":
		s, err := gather.Survey(ctx, record, r.id, r.oven, version())
		if err == nil {
			s.Form = r.fields
		}
		return documentOf(s, err)
	}
	if r.kind == "soak" {
		return documentOf(gather.Soak(ctx, record, gather.SoakQuery{ID: r.id, From: r.from, By: r.to, Per: past.Per(r.per), Zone: time.UTC, Version: version()}))
	}
	posts, err := gather.PostsAt(ctx, record, r.posts, r.oven)
	if err != nil {
		return nil, err
	}
	bar := newProgress(stderr, nil)
	m, err := gather.Monitoring(ctx, record, gather.Query{Posts: posts, From: r.from, To: r.to, Version: version(), Progress: bar.share})
	bar.gone()
	return documentOf(m, err)
}

// standoff fits the walk back as ovenward standoff does.
func (r *reporting) standoff() (*report.Document, error) {
	s, err := readStandoff(r.walk, r.limit, r.frequency, r.floor)
	if err == nil {
		err = s.fit(r.levels)
	}
	if err != nil {
		return nil, err
	}
	data, err := os.ReadFile(r.walk)
	if err != nil {
		return nil, fmt.Errorf("reading the walk: %w", err)
	}
	digest := sha256.Sum256(data)
	out := report.StandOff{Site: r.site, Oven: r.oven, Place: r.place, Load: r.load, Door: r.door, By: r.by, Day: r.day, File: filepath.Base(r.walk), SHA256: hex.EncodeToString(digest[:]),
		Result: s.result, Remarks: s.remarks(), Version: version()}
	return out.Document(), nil
}
