package main

import (
	"context"
	"fmt"
	"log/slog"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"ovenward/drivers/simulate"
)

// asKitchen makes the test binary serve that many simulated probes.
const asKitchen = "OVENWARD_TEST_AS_KITCHEN"

// serveMany serves n probes on terminals, which it prints, until it is killed.
func serveMany(ctx context.Context, n int) error {
	o := simulate.ModelKitchen(1, 1)
	like := o.Probes[1]
	o.Probes = nil
	for i := range n {
		like.ID = fmt.Sprintf("probe-%d", i+1)
		o.Probes = append(o.Probes, like)
	}
	k, err := simulate.New(o)
	if err != nil {
		return err
	}
	if err := k.Listen(); err != nil {
		return err
	}
	for _, p := range o.Probes {
		path, _ := k.Port(p.ID)
		fmt.Println(path)
	}
	return k.Run(ctx)
}

// kitchenOf starts serveMany in a process of its own and returns the terminals.
func kitchenOf(b *testing.B, n int) []string {
	b.Helper()
	cmd := exec.Command(os.Args[0])
	cmd.Env = append(os.Environ(), fmt.Sprintf("%s=%d", asKitchen, n))
	out, err := cmd.StdoutPipe()
	if err != nil {
		b.Fatal(err)
	}
	cmd.Stderr = os.Stderr
	if err := cmd.Start(); err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { cmd.Process.Kill(); cmd.Wait() })
	paths := make([]string, n)
	for i := range paths {
		if _, err := fmt.Fscanln(out, &paths[i]); err != nil {
			b.Fatal(err)
		}
	}
	return paths
}

// manyPosts is a configuration of a post a port, each asked a hundred times a
// second and judged against three limits.
func manyPosts(ports []string) string {
	var c strings.Builder
	c.WriteString(`
[site]
name = "Larkfield House"
clock = "trusted"
[[limit]]
id = "in-use"
value = "5 mW/cm2"
distance = "50 mm"
basis = "emission in use"
source = "21 CFR 1030.10(c)(1)"
[[limit]]
id = "people"
builtin = "fcc-public"
[[limit]]
id = "house"
value = "2 mW/cm2"
averaging = "6 min"
basis = "exposure occupational"
source = "invented for this benchmark"
`)
	for i, port := range ports {
		fmt.Fprintf(&c, `
[[oven]]
id = "oven-%[1]d"
place = "kitchen"
frequency = "2450 MHz"
limit = "in-use"
[[probe]]
id = "probe-%[1]d"
driver = "textline"
port = %[2]q
baud = 115200
poll = "10 ms"
response = "1 s"
range = "20 mW/cm2"
floor = "0.02 mW/cm2"
axes = 3
  [probe.textline]
  query = "READ?\n"
  value = 1
  unit = 2
  status = 3
  ok = ["OK"]
  over_range = ["OVER"]
  battery_low = ["LOBAT"]
  fault = ["FAULT"]
[[post]]
id = "post-%[1]d"
oven = "oven-%[1]d"
probe = "probe-%[1]d"
distance = "50 mm"
limits = ["people", "house"]
`, i+1, port)
	}
	return c.String()
}

// BenchmarkStation is the whole daemon at its largest load, 64 probes asked a
// hundred times a second and judged against three limits each, over terminals and
// with a record on disk. The probes are simulated in a process of their own. It
// reports the processor time of the daemon in cores, of which it may take 0.5, and the memory of
// this process, of which it may take 100 MB; the full count lasts ten minutes.
func BenchmarkStation(b *testing.B) {
	const probes, rate = 64, 100
	span := time.Duration(counts(10, 600)) * time.Second
	if b.N > 1 {
		b.Skip("measured already")
	}
	dir := b.TempDir()
	path := filepath.Join(dir, "many.toml")
	if err := os.WriteFile(path, []byte(manyPosts(kitchenOf(b, probes))), 0o600); err != nil {
		b.Fatal(err)
	}
	s := settings{configFile: path, storagePath: filepath.Join(dir, "record"), listen: "127.0.0.1:0"}
	d, err := newDaemon(s, slog.New(slog.DiscardHandler), time.Now)
	if err != nil {
		b.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error)
	go func() { done <- d.Run(ctx) }()
	defer func() {
		cancel()
		if err := <-done; err != nil {
			b.Error(err)
		}
	}()
	have := func() (samples, missed uint64, cpu time.Duration) {
		for _, p := range d.station.Stats() {
			samples, missed = samples+uint64(p.Newest.Seq), missed+p.Counts.Missed+p.Counts.Unanswered
		}
		var u unix.Rusage
		if err := unix.Getrusage(unix.RUSAGE_SELF, &u); err != nil {
			b.Fatal(err)
		}
		return samples, missed, time.Duration(u.Utime.Nano() + u.Stime.Nano())
	}
	<-time.After(3 * time.Second) // until all ports are open
	samples, missed, cpu := have()
	resident := func() float64 {
		_, bytes := spent(b, os.Getpid())
		return float64(bytes) / 1e6
	}
	began, first, most := time.Now(), resident(), 0.0
	for time.Since(began) < span {
		<-time.After(time.Second)
		most = max(most, resident())
	}
	samples2, missed2, cpu2 := have()
	took := time.Since(began)
	if most > 100 {
		b.Errorf("it takes %.0f MB of memory, the bound is 100", most)
	}
	b.ReportMetric(0, "ns/op")
	b.ReportMetric(first, "MB-first")
	b.ReportMetric(most, "MB-most")
	b.ReportMetric(resident(), "MB")
	b.ReportMetric(float64(cpu2-cpu)/float64(took), "cores")
	b.ReportMetric(float64(samples2-samples)/took.Seconds(), "samples/s")
	b.ReportMetric(float64(missed2-missed)/(probes*rate*took.Seconds()), "missed")
}
