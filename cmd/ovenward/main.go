// Command ovenward reads power-density probes beside microwave ovens, records
// every reading, judges it against the limit that applies, and tells when a
// field stays above it or a probe has gone blind. It advises; it is no safety
// interlock. Power densities are W/m² inside and mW/cm² where people read.
package main

import (
	"context"
	"fmt"
	"io"
	"os"
	"os/signal"
	"runtime"
	"strings"
	"syscall"
)

func main() {
	runtime.MemProfileRate = 0 // nobody asks for a profile of memory, whose table takes 1 MB
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	context.AfterFunc(ctx, stop) // a second signal ends the program at once
	code := dispatch(ctx, os.Args[1:], os.Stdout, os.Stderr)
	stop()
	os.Exit(code)
}

// command is one thing ovenward can do.
type command struct {
	name, what string
	run        func(ctx context.Context, args []string, stdout, stderr io.Writer) int
}

// commands lists them all, in the order of the help.
func commands() []command {
	return []command{
		{"run", "watch the posts of a configuration, or the model kitchen (the default)", runCommand},
		{"doctor", "look at ports, permissions, clock, disk, calibration, couriers; say what to mend", doctorCommand},
		{"check", "say what is wrong with a configuration, and where", withoutContext(checkCommand)},
		{"read", "try a probe without a configuration, or listen to an unknown line", readCommand},
		{"ports", "list what is plugged in, opening nothing", withoutContext(portsCommand)},
		{"alarm", "list, acknowledge, shelve and reset alarms of the running daemon", alarmCommand},
		{"notify", "try the couriers, or print what was told to whom", notifyCommand},
		{"simulate", "serve one simulated probe on a terminal line", simulateCommand},
		{"export", "write samples of a record down as CSV, JSON Lines or OpenMetrics", exportCommand},
		{"import", "take samples from such a CSV or JSON Lines file into a record", importCommand},
		{"budget", "show what makes the values of a post uncertain", withoutContext(budgetCommand)},
		{"convert", `convert a quantity: ovenward convert "1 mW/cm2" "V/m"`, withoutContext(convertCommand)},
		{"limits", "print the built-in limits at a frequency, with their sources", withoutContext(limitsCommand)},
		{"verify", "check that a record is as it was recorded, or rebuild a broken one", verifyCommand},
		{"backup", "copy the record, beside a running daemon", backupCommand},
		{"soak", "plan, start, pause, count and end soak tests on the running daemon", soakCommand},
		{"survey", "guide a survey of an oven's door, on the running daemon", surveyCommand},
		{"report", "print a record: monitoring, certificates, surveys; PDF, HTML, CSV, JSON", reportCommand},
		{"round", "list which ovens are due, and take in results of earlier checks", roundCommand},
		{"standoff", "fit a walk back from an oven, and say where levels are reached", withoutContext(standoffCommand)},
		{"clock", "keep a file of whether the clock is synchronised; a service of the packages does", clockCommand},
	}
}

func withoutContext(f func([]string, io.Writer, io.Writer) int) func(context.Context, []string, io.Writer, io.Writer) int {
	return func(_ context.Context, args []string, stdout, stderr io.Writer) int { return f(args, stdout, stderr) }
}

// dispatch runs the command that args name and returns the exit code.
func dispatch(ctx context.Context, args []string, stdout, stderr io.Writer) int {
	name := "run"
	if len(args) > 0 && !strings.HasPrefix(args[0], "-") {
		name, args = args[0], args[1:]
	} else if len(args) > 0 && (args[0] == "--help" || args[0] == "-help" || args[0] == "-h") {
		name = "help"
	} else if len(args) > 0 && (args[0] == "--version" || args[0] == "-version") {
		name = "version"
	}
	switch name {
	case "help":
		return helpCommand(args, stdout, stderr)
	case "version":
		fmt.Fprintf(stdout, "ovenward %s\n", version())
		return 0
	}
	for _, c := range commands() {
		if c.name == name {
			return c.run(ctx, args, stdout, stderr)
		}
	}
	fmt.Fprintf(stderr, "ovenward: there is no command %q; see ovenward --help\n", name)
	return 1
}

// helpCommand prints what the program says of itself: for people, for a shell, or as
// a manual page.
func helpCommand(args []string, stdout, stderr io.Writer) int {
	text, isShell := "", false
	if len(args) == 1 {
		text, isShell = strings.CutPrefix(args[0], "--completion=")
	}
	switch {
	case isShell:
		if err := completion(stdout, text, tellAll()); err != nil {
			return fail(stderr, "%v", err)
		}
	case len(args) == 1 && args[0] == "--manual":
		manual(stdout, tellAll())
	default:
		usage(stdout)
	}
	return 0
}

func usage(w io.Writer) {
	fmt.Fprint(w, `Ovenward reads power-density probes beside microwave ovens, records and judges each reading, and
tells of a field above its limit or a blind probe. Without a command: the simulated model kitchen.
Usage: ovenward [COMMAND] [FLAGS]; COMMAND --help says more. Also: --version, help --manual, clock.
`)
	for _, c := range commands() {
		if c.name != "clock" { // nobody types it: a service is named in the line above
			fmt.Fprintf(w, "  %-10s %s\n", c.name, c.what)
		}
	}
	fmt.Fprint(w, strings.ReplaceAll(caution, "\n", " ")+"\n")
}

// caution stands wherever somebody could rely on what Ovenward says.
const caution = "Ovenward advises. It is no safety interlock and no substitute for a qualified\nperson or local codes."
