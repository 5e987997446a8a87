package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"

	"ovenward/drivers/simulate"
)

const simulateHelp = `ovenward simulate serves one invented probe of the model kitchen on a tty of
its own until it is interrupted, for tests and demonstrations.

Usage: ovenward simulate [flags]

  --protocol=textline  what the probe speaks: textline (it answers "READ?" with
                       lines like 0.412,mW/cm2,OK), scpi (READ?, READ:ALL?) or
                       modbus (RTU, unit 1; registers 0-1 float32, 2 status)
  --say=axes,temperature,battery
                       put these behind the status of each line of textline, in
                       this order: x, y, z in mW/cm2, °C, per cent
  --link=PATH          make PATH a symbolic link to the tty while it runs
  --truth=FILE         write CSV lines to FILE, one for each answer: instant
                       (CLOCK_REALTIME, ns), true field in the mean over a
                       mains cycle, expected probe output (lag and zero in,
                       noise out), both W/m²; goes on with an earlier one
  --probe=probe-2      which probe: probe-1 (counter), probe-2 (pantry, whose
                       seam fails after 25 s) or probe-3 (staff room)
  --seed=1             what the ovens do and the noise, repeatable
  --speed=1            kitchen seconds in one second
  --stream=RATE        the probe talks by itself, RATE times a second ("10Hz")
`

// simulateFlags is what the command line of simulate says.
type simulateFlags struct {
	protocol, link, truth, probe string
	say                          []string
	seed                         uint64
	speed, stream                float64 // stream in Hz; 0: answers queries
}

// simulateCommand serves one simulated probe until ctx ends. It returns the
// exit code: 0 or 1.
func simulateCommand(ctx context.Context, args []string, stdout, stderr io.Writer) int {
	flags, err := parseSimulateFlags(args)
	if err == nil {
		err = serveSimulated(ctx, flags, stdout)
	}
	return ended("simulate", simulateHelp, err, stdout, stderr)
}

func parseSimulateFlags(args []string) (simulateFlags, error) {
	var f simulateFlags
	set := flag.NewFlagSet("ovenward simulate", flag.ContinueOnError)
	set.SetOutput(io.Discard) // the caller tells errors and help
	set.StringVar(&f.protocol, "protocol", "textline", "")
	set.StringVar(&f.link, "link", "", "")
	set.StringVar(&f.truth, "truth", "", "")
	set.StringVar(&f.probe, "probe", "probe-2", "")
	set.Uint64Var(&f.seed, "seed", 1, "")
	set.Float64Var(&f.speed, "speed", 1, "")
	rate := set.String("stream", "", "")
	say := set.String("say", "", "")
	if err := parseSome(set, args); err != nil {
		return f, err
	}
	if set.NArg() > 0 {
		return f, fmt.Errorf("there is no use for %q; it takes flags only, see ovenward simulate --help", set.Arg(0))
	}
	if !slices.Contains(simulate.Languages(), f.protocol) {
		return f, fmt.Errorf("--protocol=%s: the simulated probe does not speak that; it speaks %s", f.protocol, strings.Join(simulate.Languages(), ", "))
	}
	if !(f.speed > 0 && f.speed <= 1e6) {
		return f, fmt.Errorf("--speed=%g: give kitchen seconds in one second, more than 0, at most 1000000", f.speed)
	}
	if *say != "" {
		f.say = strings.Split(*say, ",")
	}
	var err error
	f.stream, err = parseRate(*rate)
	if err == nil && f.stream > 0 && f.protocol != simulate.Textline {
		err = fmt.Errorf("--stream: a probe that speaks %s answers only; leave --stream out, or --protocol", f.protocol)
	}
	for _, what := range f.say {
		if !slices.Contains(simulate.Extras(), what) {
			return f, fmt.Errorf("--say=%s: the simulated probe cannot say %q; it can say %s", *say, what, strings.Join(simulate.Extras(), ","))
		}
	}
	if len(f.say) > 0 && f.protocol != simulate.Textline {
		err = errors.Join(err, fmt.Errorf("--say is of --protocol=textline; leave it out with %s", f.protocol))
	}
	return f, err
}

// parseRate reads a rate like "10Hz" or "0.5 Hz" in Hz; nothing is 0 Hz.
func parseRate(text string) (float64, error) {
	if text == "" {
		return 0, nil
	}
	number, ok := strings.CutSuffix(text, "Hz")
	hz, err := strconv.ParseFloat(strings.TrimSpace(number), 64)
	if !ok || err != nil || !(hz >= 0.001 && hz <= 1000) || math.IsNaN(hz) {
		return 0, fmt.Errorf(`--stream=%s: give a rate from 0.001Hz to 1000Hz, with its unit, as in "10Hz"`, text)
	}
	return hz, nil
}

// serveSimulated runs the probe that the flags describe until ctx ends.
func serveSimulated(ctx context.Context, f simulateFlags, stdout io.Writer) error {
	options := simulate.ModelKitchen(f.seed, f.speed)
	probes, err := onlyProbe(options.Probes, f)
	if err != nil {
		return err
	}
	options.Probes = probes
	if f.truth == "" {
		return runSimulated(ctx, options, f, stdout)
	}
	truth, err := simulate.OpenTruthFile(f.truth)
	if err != nil {
		return err
	}
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	var failed error // of the one goroutine that serves the probe; read after it has ended
	options.OnAnswer = func(a simulate.Answer) {
		if err := truth.Add(a); err != nil && failed == nil {
			failed = err
			cancel()
		}
	}
	err = runSimulated(ctx, options, f, stdout)
	return errors.Join(err, failed, truth.Close())
}

// runSimulated serves the one probe of options on a tty, linked as the flags
// say, until ctx ends.
func runSimulated(ctx context.Context, options simulate.Options, f simulateFlags, stdout io.Writer) error {
	kitchen, err := simulate.New(options)
	if err != nil {
		return err
	}
	if err := kitchen.Listen(); err != nil {
		return err
	}
	tty, _ := kitchen.Port(f.probe)
	if tty == "" {
		return errors.Join(errors.New("this system gives no pty, so no other process could reach the probe; "+
			"run ovenward alone instead, which keeps its model kitchen in process"), kitchen.Close())
	}
	ready := fmt.Sprintf("simulated probe %s of the %s on %s", f.probe, kitchen.Site(), tty)
	remove := func() error { return nil }
	if f.link != "" {
		if remove, err = simulate.LinkTTY(tty, f.link); err != nil {
			return errors.Join(err, kitchen.Close())
		}
		ready += ", linked as " + f.link
	}
	fmt.Fprintln(stdout, ready)
	return errors.Join(kitchen.Run(ctx), remove())
}

// onlyProbe returns the probe that the flags name, as they want it.
func onlyProbe(all []simulate.ProbeSpec, f simulateFlags) ([]simulate.ProbeSpec, error) {
	var ids []string
	for _, p := range all {
		if p.ID == f.probe {
			p.Stream, p.Language, p.Says = f.stream, f.protocol, f.say
			return []simulate.ProbeSpec{p}, nil
		}
		ids = append(ids, p.ID)
	}
	return nil, fmt.Errorf("--probe=%s: the model kitchen has no such probe; it has %s", f.probe, strings.Join(ids, ", "))
}
