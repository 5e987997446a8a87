package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"log/slog"
	"time"

	sdnotify "github.com/coreos/go-systemd/v22/daemon"

	"ovenward/acquire"
	"ovenward/acquire/clockfile"
)

// serviceClockFile is where the packaged services keep it.
const serviceClockFile = "/run/ovenward-clock/state"

const clockHelp = `usage: ovenward clock --file=F

Asks the kernel every 2 s whether the wall clock is synchronised, and writes what it says to F
until it is stopped: one line, for ovenward run --clock.file=F, which then needs no right to ask.
(The call that asks is the one that sets. The service ovenward-clock of the packages runs this,
so that ovenward.service is not let near the clock.) It sets nothing, and opens no port, no
network and no record.

What run reads there holds for 10 s. While it is older, of an earlier start of the machine,
unreadable or missing, or the clock was set since, samples are marked clock-unsure.

  --file=F  to write; everybody may read it. The services use /run/ovenward-clock/state
`

// clockKeeper keeps the file of what the kernel says of its clock.
type clockKeeper struct {
	file       string
	kernel     acquire.ClockSource
	clocks     clockfile.Clocks
	supervisor supervisor
	log        *slog.Logger
}

func clockCommand(ctx context.Context, args []string, stdout, stderr io.Writer) int {
	k := clockKeeper{kernel: acquire.SystemClock(), clocks: clockfile.SystemClocks, log: newLog(stderr, "text", slog.LevelInfo)}
	flags := flag.NewFlagSet("ovenward clock", flag.ContinueOnError)
	flags.SetOutput(io.Discard)
	flags.StringVar(&k.file, "file", "", "")
	err := parse(flags, args)
	switch {
	case err != nil:
	case k.file == "":
		err = errors.New("name the file to keep by --file=F; see ovenward clock --help")
	case k.kernel == nil:
		err = errors.New("this system cannot be asked whether its clock is synchronised")
	default:
		if k.supervisor, err = systemd(); err == nil {
			err = k.keep(ctx)
		}
	}
	return ended("clock", clockHelp, err, stdout, stderr)
}

// keep renews the file until ctx ends. A round that fails later is told and tried again:
// the file grows old, which says enough.
func (k clockKeeper) keep(ctx context.Context) error {
	if err := k.renew(); err != nil {
		return err
	}
	k.supervisor.tell(k.log, sdnotify.SdNotifyReady)
	every := clockfile.Every
	if k.supervisor.every > 0 {
		every = min(every, k.supervisor.every/3)
	}
	t := time.NewTicker(every)
	defer t.Stop()
	failed := false
	for {
		if k.supervisor.every > 0 {
			k.supervisor.tell(k.log, sdnotify.SdNotifyWatchdog)
		}
		select {
		case <-t.C:
		case <-ctx.Done():
			k.supervisor.tell(k.log, sdnotify.SdNotifyStopping)
			return nil
		}
		err := k.renew()
		switch {
		case err != nil && !failed:
			k.log.Error("the file is not renewed, so samples will be marked clock-unsure", "error", err)
		case err == nil && failed:
			k.log.Info("the file is renewed again", "file", k.file)
		}
		failed = err != nil
	}
}

func (k clockKeeper) renew() error {
	if err := clockfile.Renew(k.file, k.clocks, k.kernel); err != nil {
		return fmt.Errorf("keeping %s: %w", k.file, err)
	}
	return nil
}
