package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"log/slog"
	"os"
	"os/signal"
	"runtime/debug"
	"strings"
	"syscall"
	"time"

	"ovenward/config"
)

// defaultListen is a fixed name: tools rely on it.
const defaultListen = "127.0.0.1:24500"

// runCommand watches until ctx ends. It returns 0 after a clean stop, 1 when
// it could not start, had to give up, or could not record all that it sampled.
func runCommand(ctx context.Context, args []string, stdout, stderr io.Writer) int {
	var s settings
	var level slog.Level
	flags, format := runFlags(&s, &level)
	err := parse(flags, args)
	if err != nil {
		if errors.Is(err, flag.ErrHelp) {
			runUsage(stdout, flags)
			return 0
		}
		return fail(stderr, "%v", err)
	}
	if *format != "text" && *format != "json" {
		return fail(stderr, "--log.format=%s is not known: use text or json", *format)
	}
	if s.configFile != "" && s.storagePath == "" {
		return fail(stderr, "--config.file needs --storage.path: name the folder that keeps the record")
	}
	lines := newLogWriter(stderr)
	defer lines.Close()
	log := newLog(lines, *format, level)
	if s.supervisor, err = systemd(); err != nil {
		log.Warn("the watchdog of the service manager is not fed", "error", err)
	}
	// From the start on: a reload that is asked for meanwhile is done after it.
	hangup := make(chan os.Signal, 1)
	signal.Notify(hangup, syscall.SIGHUP)
	defer signal.Stop(hangup)
	collectSooner()
	s.ease = newEase()
	d, err := newDaemon(s, log, time.Now)
	if err != nil {
		return startFailed(lines, err)
	}
	d.hangup = hangup
	announce(log, d)
	if err := d.Run(ctx); err != nil {
		return fail(lines, "%v", err)
	}
	if s := d.record.Stats(); s.Lost+s.Refused+s.LostEvents > 0 || s.Pending > 0 {
		log.Warn("stopped; not all that was sampled is in the record", "samples lost", s.Lost, "samples pending", s.Pending,
			"events lost", s.LostEvents, "rows refused", s.Refused)
		return 1
	}
	log.Info("stopped; everything sampled is committed")
	return 0
}

// runFlags are the flags of ovenward run, which fill s and level; format is that of the log.
func runFlags(s *settings, level *slog.Level) (flags *flag.FlagSet, format *string) {
	flags = flag.NewFlagSet("ovenward run", flag.ContinueOnError)
	flags.SetOutput(io.Discard)
	flags.StringVar(&s.configFile, "config.file", "", "`FILE` that says what to watch; without it the model kitchen, which is simulated")
	flags.StringVar(&s.storagePath, "storage.path", "", "`FOLDER` of the record; needed with --config.file")
	flags.StringVar(&s.listen, "web.listen-address", defaultListen, "`HOST:PORT` of page and metrics")
	flags.StringVar(&s.webConfig, "web.config.file", "", "`FILE` with TLS and users, as Prometheus' exporter-toolkit reads it")
	flags.StringVar(&s.recordWire, "record-wire", "", "`FILE` to keep what passes on the probe's line, byte for byte; with several probes FILE.ID.EXT")
	flags.StringVar(&s.clockFile, "clock.file", "", "`FILE` of ovenward clock, read where this program may not ask the kernel about its clock")
	flags.Func("log.level", "`LEVEL`: debug, info (the default), warn or error", func(word string) error {
		if level.UnmarshalText([]byte(word)) != nil {
			return errors.New("use debug, info, warn or error")
		}
		return nil
	})
	format = flags.String("log.format", "text", "`FORMAT`: text or json")
	return flags, format
}

// newLog makes a log in a format, text or json.
func newLog(to io.Writer, format string, level slog.Level) *slog.Logger {
	o := &slog.HandlerOptions{Level: level}
	if format == "json" {
		return slog.New(slog.NewJSONHandler(to, o))
	}
	return slog.New(slog.NewTextHandler(to, o))
}

// collectSooner has garbage collected when it is half of what lives, unless GOGC says
// otherwise. Beside nine tenths that saves 0.4 to 0.7 MB at rest, and takes a twentieth
// of the processor time more.
func collectSooner() {
	if os.Getenv("GOGC") == "" {
		debug.SetGCPercent(50)
	}
}

// parse reads a command line that has flags only, and refuses what is left over.
func parse(flags *flag.FlagSet, args []string) error {
	if err := parseSome(flags, args); err != nil {
		return err
	}
	if flags.NArg() > 0 {
		return fmt.Errorf("%q is not expected here; see %s --help", flags.Arg(0), flags.Name())
	}
	return nil
}

// parseSome reads the flags up to what is none.
func parseSome(flags *flag.FlagSet, args []string) error {
	if err := flags.Parse(args); err != nil {
		return fmt.Errorf("%w; see %s --help", err, flags.Name())
	}
	return nil
}

// ended tells how a command ended, and returns its exit code: with its help where
// that was asked for.
func ended(name, help string, err error, stdout, stderr io.Writer) int {
	switch {
	case err == nil:
		return 0
	case errors.Is(err, flag.ErrHelp):
		fmt.Fprint(stdout, help)
		return 0
	}
	fmt.Fprintf(stderr, "ovenward %s: %v\n", name, err)
	return 1
}

func announce(log *slog.Logger, d *daemon) {
	scheme := "http"
	if d.settings.webConfig != "" {
		scheme = "http or https, as --web.config.file says"
	}
	log.Info("the page is served", "address", d.Addr(), "scheme", scheme, "open", "http://"+d.Addr()+"/")
	log.Info(strings.ReplaceAll(caution, "\n", " "))
}

func runUsage(w io.Writer, flags *flag.FlagSet) {
	fmt.Fprint(w, "Usage: ovenward run [FLAGS]\n\nWatches the posts of a configuration, or the model kitchen when none is named.\n\n")
	flags.VisitAll(func(f *flag.Flag) {
		name, what := flag.UnquoteUsage(f)
		if f.DefValue != "" {
			what += " (default " + f.DefValue + ")"
		}
		fmt.Fprintf(w, "  --%s=%s\n        %s\n", f.Name, name, what)
	})
	fmt.Fprintf(w, "\n%s\n", caution)
}

// startFailed prints why the program cannot start, a line for each mistake of
// the configuration.
func startFailed(w io.Writer, err error) int {
	var problems config.Problems
	if errors.As(err, &problems) {
		for _, p := range problems {
			fmt.Fprintln(w, p)
		}
		return 1
	}
	return fail(w, "%v", err)
}

func fail(w io.Writer, format string, args ...any) int {
	fmt.Fprintf(w, "ovenward: "+format+"\n", args...)
	return 1
}

// released is the version of a package; cmd/ovenward/package has the linker set it.
var released string

// version is that of a package, or what the Go toolchain wrote into the program.
func version() string {
	if released != "" {
		return released
	}
	if info, ok := debug.ReadBuildInfo(); ok && info.Main.Version != "" {
		return info.Main.Version
	}
	return "(devel)"
}
