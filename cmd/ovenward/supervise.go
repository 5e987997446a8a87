package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net/http"
	"time"

	sdnotify "github.com/coreos/go-systemd/v22/daemon"

	"ovenward/cmd/internal/watchdog"
)

// How long loops may take to come round. What they wait for outside has an alarm
// of its own: a probe that says nothing (silent, stale: the station looks at each
// post beside the goroutine that waits at its port), a receiver that does not
// answer, a disk that is full or does not answer.
const (
	thinkBound = 2 * time.Minute  // of those that wait for nothing outside; the slowest comes round every 30 s
	diskBound  = 10 * time.Minute // of those that write, beside the excuse of an alarm
	readBound  = 30 * time.Minute // of those that may read days of the record at once
	askEvery   = 10 * time.Second // the page, whether it answers
	lookEvery  = 10 * time.Second // at all loops, where nobody supervises
)

// supervisor is who started this program and wants to hear from it. Its zero value
// is nobody.
type supervisor struct {
	send  func(state string) error // in the words of sd_notify(3); nil: nobody listens
	every time.Duration            // within which the watchdog must be fed; 0: there is none
}

// systemd is the service manager that the environment names.
func systemd() (supervisor, error) {
	every, err := sdnotify.SdWatchdogEnabled(false)
	if err != nil {
		err = fmt.Errorf("reading WATCHDOG_USEC and WATCHDOG_PID: %w", err)
	}
	return supervisor{every: every, send: func(state string) error {
		_, err := sdnotify.SdNotify(false, state)
		return err
	}}, err
}

// tell tells the supervisor, if there is one. Where it does not hear, the log does.
func (s supervisor) tell(log *slog.Logger, state string) {
	if s.send == nil {
		return
	}
	if err := s.send(state); err != nil {
		log.Warn("the service manager was not told", "state", state, "error", err)
	}
}

// watchdog makes one that feeds the supervisor three times as often as it must.
func (s supervisor) watchdog(log *slog.Logger, now func() time.Time) *watchdog.Watchdog {
	o := watchdog.Options{Every: lookEvery, Log: log, Now: now}
	if s.every > 0 && s.send != nil {
		o.Every = min(s.every/3, lookEvery)
		o.Feed = func() error { return s.send(sdnotify.SdNotifyWatchdog) }
	}
	return watchdog.New(o)
}

// status is a line for whoever asks the service manager what runs.
func (d *daemon) status() string {
	return fmt.Sprintf("watching %s of %s, page and metrics at %s", count(len(d.file.Posts), "post"), d.file.Site.Name, d.Addr())
}

// recordErr says why the record cannot be written; an alarm tells the same.
func (h *home) recordErr() error {
	if h.record == nil {
		return nil // it is being opened
	}
	return h.record.Err()
}

// healthy says why this program should be looked at.
func (h *home) healthy() error {
	err := h.record.Err()
	for _, l := range h.dog.Late() {
		err = errors.Join(err, fmt.Errorf("%s did not come round for %s: start this program again", l.Name, l.For.Round(time.Second)))
	}
	return err
}

// askPage asks the page every now and then whether it answers. It does so past the
// network: visitors who take all connections are no reason to start again.
func (h *home) askPage(ctx context.Context, round func()) error {
	t := time.NewTicker(askEvery)
	defer t.Stop()
	for {
		r, err := http.NewRequestWithContext(ctx, http.MethodGet, "/-/ready", nil)
		if err != nil {
			return err
		}
		h.serving.Load().handler.ServeHTTP(nobody{}, r) // any answer is one
		round()
		select {
		case <-t.C:
		case <-ctx.Done():
			return nil
		}
	}
}

// nobody is where an answer goes that only had to be given.
type nobody struct{}

func (nobody) Header() http.Header         { return http.Header{} }
func (nobody) WriteHeader(int)             {}
func (nobody) Write(p []byte) (int, error) { return len(p), nil }
