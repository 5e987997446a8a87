package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"strings"
	"time"

	"ovenward/config"
	"ovenward/drivers/plugged"
	"ovenward/drivers/stream"
	"ovenward/drivers/wire"
)

const readHelp = `Tries a probe without a configuration: prints what it says, with instants, units,
quality and round-trip time. It records nothing and judges nothing.

Usage: ovenward read --driver=DRIVER --port=PORT [--set key=value]… [flags]
       ovenward read --listen --port=PATH

  --driver=textline  what the probe speaks: %s
  --port=PORT        where it is, as in the configuration: a path,
                     "usb:1234:abcd:SERIAL", "tcp://host:port", "replay:FILE"
  --set key=value    a key of the configuration's [[probe]] or of its driver's
                     table; give it again for each key. \r and \n in a text are
                     what they are in the file
  -n 20              how often (0: until Ctrl-C)
  --format=text      or json: one object a line
  --raw              show the bytes both ways, escaped
  --suggest          print the part of a configuration that does the same, and
                     read nothing
  --record-wire=FILE keep the bytes both ways in a file that is not there yet
  --listen           send nothing; say at which usual speeds the line looks like text
  --listen-time=1s   how long on each

For example:
  ovenward read --driver=textline --port=/dev/ttyUSB0 --set baud=9600 \
    --set 'query=READ?\n' --set value=1 --set unit=mW/cm2
`

// readFlags is what the command line of read says.
type readFlags struct {
	trial        config.Trial
	n            int
	format       string
	raw, suggest bool
	recordWire   string
	listen       bool
	listenTime   time.Duration
	tree         plugged.Tree
}

// readCommand tries a probe until it was read n times or ctx ends. It returns 0
// when there was a reading, or what was asked for was done; else 1.
func readCommand(ctx context.Context, args []string, stdout, stderr io.Writer) int {
	f, err := parseReadFlags(args)
	switch {
	case errors.Is(err, flag.ErrHelp):
		fmt.Fprintf(stdout, readHelp, strings.Join(config.Drivers(), ", "))
		return 0
	case err != nil:
	case f.listen:
		err = listen(ctx, f, stdout)
	default:
		err = read(ctx, f, stdout, stderr)
	}
	if err != nil {
		for line := range strings.Lines(err.Error()) {
			fmt.Fprintf(stderr, "ovenward read: %s\n", strings.TrimSuffix(line, "\n"))
		}
		return 1
	}
	return 0
}

func parseReadFlags(args []string) (readFlags, error) {
	var f readFlags
	set := flag.NewFlagSet("ovenward read", flag.ContinueOnError)
	set.SetOutput(io.Discard)
	set.StringVar(&f.trial.Driver, "driver", "", "")
	set.StringVar(&f.trial.Port, "port", "", "")
	set.Func("set", "", func(s string) error { f.trial.Set = append(f.trial.Set, s); return nil })
	set.IntVar(&f.n, "n", 20, "")
	set.StringVar(&f.format, "format", "text", "")
	set.BoolVar(&f.raw, "raw", false, "")
	set.BoolVar(&f.suggest, "suggest", false, "")
	set.StringVar(&f.recordWire, "record-wire", "", "")
	set.BoolVar(&f.listen, "listen", false, "")
	set.DurationVar(&f.listenTime, "listen-time", time.Second, "")
	if err := parseSome(set, args); err != nil {
		return f, err
	}
	switch {
	case set.NArg() > 0:
		return f, fmt.Errorf("there is no use for %q; see ovenward read --help", set.Arg(0))
	case f.trial.Port == "":
		return f, errors.New("say where the probe is, for example --port=/dev/ttyUSB0; ovenward ports lists what is plugged in")
	case f.listen:
	case f.trial.Driver == "":
		return f, fmt.Errorf("say what the probe speaks with --driver: %s; on an unknown line try --listen", strings.Join(config.Drivers(), ", "))
	}
	switch {
	case f.format != "text" && f.format != "json":
		return f, fmt.Errorf("--format=%s is not known: use text or json", f.format)
	case f.n < 0:
		return f, fmt.Errorf("-n %d: give how often to read, or 0 for until Ctrl-C", f.n)
	case f.listenTime < 10*time.Millisecond || f.listenTime > time.Hour:
		return f, fmt.Errorf("--listen-time=%s: give 10ms to 1h", f.listenTime)
	}
	return f, nil
}

// read tries the probe and prints what comes of it.
func read(ctx context.Context, f readFlags, stdout, stderr io.Writer) (err error) {
	c, block, err := f.trial.Read()
	if err != nil {
		return err
	}
	if c.Reach == config.ReachSimulated {
		return errors.New("the model kitchen runs only within ovenward run; ovenward simulate serves one of its probes on a line that can be read")
	}
	if f.suggest {
		if _, err := newTrial(c, f.tree, nil); err != nil {
			return err
		}
		_, err = io.WriteString(stdout, block)
		return err
	}
	w := &wires{path: f.recordWire, now: time.Now}
	defer func() { err = errors.Join(err, w.Close()) }()
	record, err := w.tap(c, "read")
	if err != nil {
		return err
	}
	out := newReadings(f.format, stdout)
	t, err := newTrial(c, f.tree, bothTaps(record, rawTap(f, stdout)))
	if err != nil {
		return err
	}
	t.tell, t.told = out.outcome, func(text string) { fmt.Fprintln(stderr, text) }
	err = t.run(ctx, f.n)
	if t.counts != (trialCounts{}) {
		fmt.Fprintln(stderr, t.counts)
	}
	switch {
	case err != nil:
		return err
	case t.counts.Readings == 0 && ctx.Err() == nil:
		return errors.New("no reading; look at the settings with --raw, or at the line with --listen")
	}
	return out.err
}

// rawTap shows what passes, in the form of a recording; nil when it is not asked
// for.
func rawTap(f readFlags, w io.Writer) stream.Tap {
	if !f.raw {
		return nil
	}
	var begun time.Time
	return func(sent bool, b []byte, at time.Time) {
		if begun.IsZero() {
			begun = at
		}
		fmt.Fprintln(w, wire.Line{Sent: sent, Bytes: b, At: at.Sub(begun), Timed: true})
	}
}

// bothTaps shows what passes to two.
func bothTaps(a, b stream.Tap) stream.Tap {
	switch {
	case a == nil:
		return b
	case b == nil:
		return a
	}
	return func(sent bool, p []byte, at time.Time) { a(sent, p, at); b(sent, p, at) }
}

// String sums a trial up in one line.
func (c trialCounts) String() string {
	var parts []string
	if c.Asked > 0 {
		parts = append(parts, count(c.Asked, "question"))
	}
	parts = append(parts, count(c.Readings, "reading"))
	if c.Late > 0 {
		parts = append(parts, fmt.Sprintf("%d of them late", c.Late))
	}
	if c.Unanswered > 0 {
		parts = append(parts, count(c.Unanswered, "question")+" without an answer")
	}
	if c.Refused > 0 {
		parts = append(parts, count(c.Refused, "answer")+" not understood")
	}
	if c.Dropped > 0 {
		parts = append(parts, count(c.Dropped, "byte")+" came unasked")
	}
	if c.Longest > 0 {
		parts = append(parts, fmt.Sprintf("round trip %s to %s", milliseconds(c.Shortest), milliseconds(c.Longest)))
	}
	return strings.Join(parts, ", ")
}

func milliseconds(d time.Duration) string { return fmt.Sprintf("%.2f ms", d.Seconds()*1e3) }
