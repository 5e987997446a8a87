package main

import (
	"bytes"
	"context"
	"errors"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/clockfile"
)

// A daemon that is told by a file how the clock fares marks its samples by that alone:
// whatever this machine's kernel says, which it does not ask.
func TestDaemonIsToldOfTheClock(t *testing.T) {
	dir := t.TempDir()
	line, file := dir+"/shelf", dir+"/state"
	simulated(t, line, dir+"/truth")
	tell := func(age time.Duration, said acquire.ClockState) {
		t.Helper()
		now, err := clockfile.SystemClocks()
		if err == nil {
			now.Since, now.Wall = now.Since-age, now.Wall.Add(-age)
			err = clockfile.Write(file, clockfile.Word{Asked: now, Said: said})
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	synced := acquire.ClockState{Synchronised: true, MaxError: 4 * time.Millisecond}
	r := startDaemon(t, settings{configFile: configured(t, line, ""), storagePath: t.TempDir(), clockFile: file})
	newest := func() acquire.Sample { return r.serving.Load().station.Stats()[0].Newest }
	marked := func(want bool, what string) {
		t.Helper()
		since := newest().At
		waitFor(t, 20*time.Second, what, func() bool {
			s := newest()
			return s.At.After(since) && s.Quality&acquire.ClockUnsure != 0 == want
		})
	}
	marked(true, "samples to be marked while there is no file")
	stop := make(chan struct{})
	done := make(chan struct{})
	tell(0, synced)
	go func() { // goes on telling, as the service does
		defer close(done)
		for {
			select {
			case <-time.After(clockfile.Every):
				tell(0, synced)
			case <-stop:
				return
			}
		}
	}()
	marked(false, "samples not to be marked while the file says that it is synchronised")
	if s := newest(); s.AtU < 4500*time.Microsecond || s.AtU > time.Second {
		t.Errorf("a stamp is sure to %v, and the file said 4 ms", s.AtU)
	}
	close(stop)
	<-done
	for _, c := range []struct {
		what string
		do   func()
	}{
		{"a word that was not renewed", func() { tell(time.Hour, synced) }},
		{"a clock that is not synchronised", func() { tell(0, acquire.ClockState{MaxError: time.Second}) }},
		{"half a word", func() { os.Truncate(file, 50) }},
		{"a file that is gone", func() { os.Remove(file) }},
	} {
		c.do()
		marked(true, "samples to be marked after "+c.what)
		tell(0, synced)
		marked(false, "samples not to be marked once there is a word again")
	}
	if said := r.log.String(); !strings.Contains(said, "systemctl restart ovenward-clock") || !strings.Contains(said, "samples are marked clock-unsure") {
		t.Errorf("the log says:\n%s", said)
	}
}

// The service tells what the kernel says, and its manager that it is well.
func TestClockService(t *testing.T) {
	said := heard(t)
	t.Setenv("WATCHDOG_USEC", "300000")
	file := filepath.Join(t.TempDir(), "state")
	p := program(t, "clock", "--file="+file)
	if s := next(t, said); s != "READY=1" {
		t.Fatalf("told first: %q", s)
	}
	before, err := clockfile.Source(file, clockfile.SystemClocks)()
	if err != nil {
		t.Errorf("ready without a word: %v", err)
	}
	kernel, err := acquire.SystemClock()()
	if err != nil || before.Synchronised != kernel.Synchronised {
		t.Errorf("it says %+v, and the kernel %+v, %v", before, kernel, err)
	}
	first, _ := os.ReadFile(file)
	for range 5 {
		if s := next(t, said); s != "WATCHDOG=1" {
			t.Fatalf("told %q while it runs", s)
		}
	}
	if now, err := os.ReadFile(file); err != nil || bytes.Equal(first, now) {
		t.Errorf("the word is not renewed: %q, %v", now, err)
	}
	p.terminate(t)
	for s := next(t, said); s != "STOPPING=1"; s = next(t, said) {
		if s != "WATCHDOG=1" {
			t.Fatalf("told %q before it stopped", s)
		}
	}
}

func TestClockServiceRefuses(t *testing.T) {
	for _, c := range []struct{ flag, want string }{{"--file=" + t.TempDir() + "/none/state", "no such file"}, {"--file=", "--file=F"}, {"--fill=x", "see ovenward clock --help"}} {
		var out, errs bytes.Buffer
		if code := dispatch(t.Context(), []string{"clock", c.flag}, &out, &errs); code != 1 || !strings.Contains(errs.String(), c.want) {
			t.Errorf("%s: %d, %s", c.flag, code, &errs)
		}
	}
}

// A round that fails is told once, and the next one is tried all the same.
func TestClockServiceGoesOn(t *testing.T) {
	file := filepath.Join(t.TempDir(), "state")
	synctest.Test(t, func(t *testing.T) {
		var log bytes.Buffer
		var asked atomic.Int64
		var fails atomic.Bool
		now := func() (clockfile.Instant, error) {
			return clockfile.Instant{Boot: "one", Since: time.Since(time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC)), Wall: time.Now()}, nil
		}
		k := clockKeeper{file: file, clocks: now, log: slog.New(slog.NewTextHandler(&log, nil)), kernel: func() (acquire.ClockState, error) {
			asked.Add(1)
			if fails.Load() {
				return acquire.ClockState{}, errors.New("no such call")
			}
			return acquire.ClockState{Synchronised: true}, nil
		}}
		done := make(chan error)
		ctx, cancel := context.WithCancel(t.Context())
		go func() { done <- k.keep(ctx) }()
		holds := func(want bool) {
			t.Helper()
			synctest.Wait()
			if s, err := clockfile.Source(file, now)(); (err == nil && s.Synchronised) != want {
				t.Errorf("after %d rounds: %+v, %v; want %v", asked.Load(), s, err, want)
			}
		}
		time.Sleep(time.Minute + time.Second)
		holds(true)
		if asked.Load() != 31 {
			t.Errorf("the kernel was asked %d times in a minute, want 31", asked.Load())
		}
		fails.Store(true)
		time.Sleep(8 * time.Second)
		holds(true)
		time.Sleep(8 * time.Second)
		holds(false)
		fails.Store(false)
		time.Sleep(clockfile.Every)
		holds(true)
		cancel()
		if err := <-done; err != nil {
			t.Error(err)
		}
		if n := strings.Count(log.String(), "\n"); n != 2 || !strings.Contains(log.String(), "no such call") || !strings.Contains(log.String(), "renewed again") {
			t.Errorf("the log says:\n%s", &log)
		}
	})
}
