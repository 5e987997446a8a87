package main

import (
	"bufio"
	"context"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"
	"unicode/utf8"
)

func TestSimulateHelpFitsAScreen(t *testing.T) {
	var out, errs strings.Builder
	if code := simulateCommand(t.Context(), []string{"--help"}, &out, &errs); code != 0 || errs.Len() > 0 {
		t.Fatalf("exit code %d, error %q", code, errs.String())
	}
	lines := strings.Split(strings.TrimSuffix(out.String(), "\n"), "\n")
	if len(lines) > 23 {
		t.Errorf("%d lines, want at most 23 for a screen of 24", len(lines))
	}
	for _, l := range lines {
		if utf8.RuneCountInString(l) > 79 {
			t.Errorf("too wide: %q", l)
		}
	}
}

func TestSimulateRefuses(t *testing.T) {
	file := filepath.Join(t.TempDir(), "mine")
	if err := os.WriteFile(file, []byte("mine\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, test := range []struct{ arg, want string }{
		{"--protocol=morse", "it speaks textline, scpi, modbus"},
		{"--probe=probe-9", "it has probe-1, probe-2, probe-3"},
		{"--speed=0", "more than 0"},
		{"--speed=NaN", "more than 0"},
		{"--seed=-1", "invalid value"},
		{"--stream=10", `as in "10Hz"`},
		{"--stream=0Hz", "0.001Hz to 1000Hz"},
		{"--stream=NaNHz", "0.001Hz to 1000Hz"},
		{"--say=axes,mood", `cannot say "mood"; it can say axes,temperature,battery`},
		{"--nonsense", "see ovenward simulate --help"},
		{"nonsense", "it takes flags only"},
		{"--truth=" + file, "holds something else"},
		{"--link=" + file, "not a link"},
	} {
		t.Run(test.arg, func(t *testing.T) {
			var out, errs strings.Builder
			code := simulateCommand(t.Context(), []string{test.arg}, &out, &errs)
			if code != 1 || !strings.Contains(errs.String(), test.want) || strings.Count(errs.String(), "\n") != 1 {
				t.Errorf("exit code %d, error %q; want 1 and one line with %q", code, errs.String(), test.want)
			}
			if strings.Contains(out.String(), "simulated probe") {
				t.Error("says it is ready")
			}
		})
	}
	if got, err := os.ReadFile(file); err != nil || string(got) != "mine\n" {
		t.Errorf("the file now holds %q (%v)", got, err)
	}
}

// ready tells when a command has written its first line.
type ready struct{ lines chan string }

func (r ready) Write(b []byte) (int, error) {
	r.lines <- string(b)
	return len(b), nil
}

func TestSimulateServes(t *testing.T) {
	dir := t.TempDir()
	link, truth := filepath.Join(dir, "probe"), filepath.Join(dir, "truth.csv")
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	out, errs, code := ready{make(chan string, 1)}, ready{make(chan string, 1)}, make(chan int, 1)
	go func() { code <- simulateCommand(ctx, []string{"--link=" + link, "--truth=" + truth}, out, errs) }()
	select {
	case line := <-out.lines:
		if !strings.HasPrefix(line, "simulated probe probe-2 of the model kitchen on /dev/") || !strings.HasSuffix(line, ", linked as "+link+"\n") {
			t.Errorf("says %q", line)
		}
	case line := <-errs.lines:
		if strings.Contains(line, "gives no pty") {
			cancel()
			<-code
			return // told so, as it must be on a system without ptys
		}
		t.Fatal(line)
	case <-time.After(10 * time.Second):
		t.Fatal("not ready in 10 s")
	}
	tty, err := os.OpenFile(link, os.O_RDWR, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = tty.Close() }()
	if err := tty.SetDeadline(time.Now().Add(10 * time.Second)); err != nil {
		t.Fatal(err)
	}
	answers := bufio.NewReader(tty)
	began := time.Now()
	for range 3 {
		if _, err := tty.WriteString("READ?\n"); err != nil {
			t.Fatal(err)
		}
		if line, err := answers.ReadString('\n'); err != nil || !strings.HasSuffix(line, ",mW/cm2,OK\r\n") {
			t.Fatalf("answers %q (%v)", line, err)
		}
	}
	cancel()
	if c := <-code; c != 0 {
		t.Errorf("exit code %d, want 0", c)
	}
	if _, err := os.Lstat(link); !os.IsNotExist(err) {
		t.Errorf("the link is left: %v", err)
	}
	b, err := os.ReadFile(truth)
	rows := strings.Split(strings.TrimSuffix(string(b), "\n"), "\n")
	if err != nil || len(rows) != 4 || rows[0] != "instant_ns,true_w_per_m2,expected_w_per_m2" {
		t.Fatalf("truth file %q (%v), want a header and three lines", b, err)
	}
	first, _, _ := strings.Cut(rows[1], ",")
	ns, err := strconv.ParseInt(first, 10, 64)
	if at := time.Unix(0, ns); err != nil || at.Before(began.Round(0)) || at.After(began.Round(0).Add(10*time.Second)) {
		t.Errorf("instant %s (%v), want nanoseconds just after %d", first, err, began.UnixNano())
	}
}
