package acquire_test

import (
	"context"
	"log/slog"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/limit"
	"ovenward/drivers/driverstest"
	"ovenward/drivers/serialport"
	"ovenward/drivers/textline"
)

// exchanger, told "answer", answers each line on descriptor 3, as fast as it can;
// told a terminal and a number, asks so often, waits for each answer, and prints
// how many ns that took in all.
const exchanger = `
#define _GNU_SOURCE
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <poll.h>
#include <time.h>
#include <unistd.h>
static int line(int fd) {
	char b[256];
	for (;;) {
		struct pollfd p = {fd, POLLIN, 0};
		if (poll(&p, 1, -1) < 0) return 0;
		ssize_t n = read(fd, b, sizeof b);
		if (n <= 0) return 0;
		if (b[n - 1] == '\n') return 1;
	}
}
int main(int argc, char **argv) {
	if (strcmp(argv[1], "answer") == 0) {
		static const char a[] = "1.234,mW/cm2,OK\n";
		while (line(3)) if (write(3, a, sizeof a - 1) < 0) return 1;
		return 0;
	}
	int fd = open(argv[1], O_RDWR | O_NOCTTY);
	if (fd < 0) return 1;
	struct timespec from, to;
	clock_gettime(CLOCK_MONOTONIC, &from);
	for (long i = atol(argv[2]); i > 0; i--)
		if (write(fd, "READ?\n", 6) != 6 || !line(fd)) return 1;
	clock_gettime(CLOCK_MONOTONIC, &to);
	printf("%lld\n", (to.tv_sec - from.tv_sec) * 1000000000LL + to.tv_nsec - from.tv_nsec);
	return 0;
}
`

// BenchmarkQueryAndAnswer asks over one terminal as often as answers come: a loop
// in C, and the whole way through port, driver and station, which stamps, parses,
// judges and hands on. The instrument is the same process in both.
func BenchmarkQueryAndAnswer(b *testing.B) {
	source := filepath.Join(b.TempDir(), "exchanger.c")
	if err := os.WriteFile(source, []byte(exchanger), 0o600); err != nil {
		b.Fatal(err)
	}
	program := driverstest.Compile(b, source, "-O2")
	instrument := func(b *testing.B) string {
		p := driverstest.OpenPTY(b)
		answers := exec.Command(program, "answer")
		answers.ExtraFiles = []*os.File{p.Master}
		if err := answers.Start(); err != nil {
			b.Fatal(err)
		}
		b.Cleanup(func() { _ = answers.Process.Kill(); _ = answers.Wait() })
		return p.Path
	}
	b.Run("c", func(b *testing.B) {
		out, err := exec.Command(program, instrument(b), strconv.Itoa(b.N)).Output()
		if err != nil {
			b.Fatal(err)
		}
		ns, err := strconv.ParseFloat(strings.TrimSpace(string(out)), 64)
		if err != nil {
			b.Fatal(err)
		}
		b.ReportMetric(ns/float64(b.N), "ns/op")
	})
	b.Run("station", func(b *testing.B) { throughStation(b, instrument(b)) })
}

// counting is a recorder that ends the watch when it has enough.
type counting struct {
	kept
	left int
	stop context.CancelFunc
}

func (c *counting) Append(_ int, batch []acquire.Sample) {
	if c.left -= len(batch); c.left <= 0 {
		c.stop()
	}
}

func throughStation(b *testing.B, path string) {
	proto, err := textline.New(textline.Options{Query: "READ?\n", Separator: ",", ValueColumn: 1, UnitColumn: 2, StatusColumn: 3,
		Units: []string{"mW/cm2"}, OK: []string{"OK"}})
	if err != nil {
		b.Fatal(err)
	}
	ctx, stop := context.WithCancel(b.Context())
	defer stop()
	s, err := acquire.New(acquire.Options{
		Posts: []acquire.Post{{ID: "door", Probe: acquire.Probe{ID: "probe-1", Protocol: proto, Dial: serialport.Dial(serialport.Options{Path: path}), Port: path,
			Period: time.Microsecond, Timeout: 100 * time.Millisecond, Range: 2000, Floor: 0.1, Axes: 3},
			Limit:     limit.Limit{ID: "test", Value: 1000, Basis: limit.EmissionInUse, Source: "invented for this benchmark"},
			Sustained: limit.SustainedRule{Unbroken: 3 * time.Second, Summed: 10 * time.Second, Within: time.Minute, Clear: 90 * time.Second},
			RunGap:    time.Minute, Silent: 10 * time.Second, Stale: 5 * time.Second, Stuck: time.Hour}},
		Recorder: &counting{left: b.N, stop: stop}, Past: func(int) (acquire.Past, error) { return acquire.Past{}, nil },
		Log: slog.New(slog.DiscardHandler), Now: time.Now, Sleeper: acquire.PreciseSleeper(),
	})
	if err != nil {
		b.Fatal(err)
	}
	b.ResetTimer()
	if err := s.Run(ctx); err != nil {
		b.Fatal(err)
	}
}
