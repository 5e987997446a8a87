package main

import (
	"bufio"
	"context"
	"fmt"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

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

// BenchmarkStation is the program as it is shipped at its largest load, 64 probes asked a
// hundred times a second and judged against three limits each, over terminals and
// with a record on disk. The probes are simulated in a process of their own. It
// reports the processor time of the program in cores, of which it may take 0.5, and its
// memory, of which it may take 100 MB at any time; the full count is 45 minutes, in
// which the longest window is full, and a page of each record thirteen times.
func BenchmarkStation(b *testing.B) {
	const probes, rate = 64, 100
	if b.N > 1 {
		b.Skip("measured already")
	}
	dir := b.TempDir()
	path := filepath.Join(dir, "many.toml")
	if err := os.WriteFile(path, []byte(manyPosts(kitchenOf(b, probes))), 0o600); err != nil {
		b.Fatal(err)
	}
	cmd, base, _ := shipped(b, built(b, "."), path, filepath.Join(dir, "record"))
	<-time.After(3 * time.Second) // until all ports are open
	seconds := counts(10, 45*60)
	samples, missed := polled(b, base)
	cpu, first := spent(b, cmd.Process.Pid)
	began, most := time.Now(), first
	for range seconds {
		<-time.After(time.Second)
		_, resident := spent(b, cmd.Process.Pid)
		most = max(most, resident)
	}
	cpu2, last := spent(b, cmd.Process.Pid)
	samples2, missed2 := polled(b, base)
	took := time.Since(began)
	if most > 100e6 {
		b.Errorf("it takes %.0f MB of memory, the bound is 100", float64(most)/1e6)
	}
	b.ReportMetric(0, "ns/op")
	b.ReportMetric(float64(first)/1e6, "MB-first")
	b.ReportMetric(float64(most)/1e6, "MB-most")
	b.ReportMetric(float64(last)/1e6, "MB")
	b.ReportMetric(float64(cpu2-cpu)/float64(took), "cores")
	b.ReportMetric((samples2-samples)/took.Seconds(), "samples/s")
	b.ReportMetric((missed2-missed)/(probes*rate*took.Seconds()), "missed")
}

// polled says how many samples all posts have, and how many slots brought none.
func polled(b *testing.B, base string) (samples, missed float64) {
	b.Helper()
	got, err := http.Get(base + "/metrics")
	if err != nil {
		b.Fatal(err)
	}
	defer got.Body.Close()
	for lines := bufio.NewScanner(got.Body); lines.Scan(); {
		series, text, _ := strings.Cut(lines.Text(), "} ")
		of := &samples
		switch {
		case strings.HasPrefix(series, "ovenward_samples_total{"):
		case strings.HasPrefix(series, "ovenward_read_errors_total{"):
			of = &missed
		default:
			continue
		}
		n, err := strconv.ParseFloat(text, 64)
		if err != nil {
			b.Fatal(err)
		}
		*of += n
	}
	if samples == 0 {
		b.Fatal("the program shows no samples")
	}
	return samples, missed
}
