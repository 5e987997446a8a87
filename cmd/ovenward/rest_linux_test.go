package main

import (
	"bufio"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/store"
	"ovenward/drivers/driverstest"
)

// built makes a program as it is shipped.
func built(b *testing.B, of string) string {
	b.Helper()
	path := filepath.Join(b.TempDir(), "program")
	build := exec.Command("go", "build", "-trimpath", "-ldflags=-s -w", "-o", path, of)
	build.Env = append(os.Environ(), "CGO_ENABLED=0")
	if out, err := build.CombinedOutput(); err != nil {
		b.Fatalf("%s: %v", out, err)
	}
	return path
}

// shipped starts the program as it is shipped, on this record and configuration,
// and returns its address and how long it took until it had a sample.
func shipped(b *testing.B, path, config, record string) (cmd *exec.Cmd, base string, first time.Duration) {
	b.Helper()
	base = "127.0.0.1:" + driverstest.FreePort(b)
	cmd = exec.Command(path, "--config.file="+config, "--storage.path="+record, "--web.listen-address="+base)
	base = "http://" + base
	begun := time.Now()
	if err := cmd.Start(); err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { _ = cmd.Process.Signal(os.Interrupt); _ = cmd.Wait() })
	for {
		if got, err := http.Get(base + "/api/v1/posts"); err == nil {
			var all struct {
				Posts []struct {
					At string `json:"value_at"`
				}
			}
			err := json.NewDecoder(got.Body).Decode(&all)
			got.Body.Close()
			if err == nil && len(all.Posts) > 0 && all.Posts[0].At != "" {
				return cmd, base, time.Since(begun)
			}
		}
		if time.Since(begun) > time.Minute {
			b.Fatal("no sample within a minute")
		}
		time.Sleep(time.Millisecond)
	}
}

// onePost is a configuration of one post whose probe is asked ten times a second.
func onePost(b *testing.B, dir string) string {
	b.Helper()
	config := filepath.Join(dir, "one.toml")
	text := strings.ReplaceAll(manyPosts(kitchenOf(b, 1)), `poll = "10 ms"`, `poll = "100 ms"`)
	if err := os.WriteFile(config, []byte(text), 0o600); err != nil {
		b.Fatal(err)
	}
	return config
}

// BenchmarkAtRest is the daemon with one probe at 10 Hz, scraped each second, with
// a page open: its memory at the end, after three minutes and the most of it from the
// second minute on, the share of a core that it took in that time, and the size of the
// program. Beside it stands a bare server with client_golang, scraped at the same time
// and as often. The full count is 45 minutes: a page of the record is full in them.
func BenchmarkAtRest(b *testing.B) {
	dir := b.TempDir()
	program := built(b, ".")
	info, err := os.Stat(program)
	if err != nil {
		b.Fatal(err)
	}
	if info.Size() > 30e6 {
		b.Errorf("the program has %d bytes, and may have 30 MB", info.Size())
	}
	cmd, base, _ := shipped(b, program, onePost(b, dir), filepath.Join(dir, "record"))
	bare, beside := bareServer(b)
	updates := pageOpen(b, base)
	const first = 60
	seconds := counts(180, 45*60)
	var before, bareBefore time.Duration
	var begun time.Time
	most := int64(0)
	for i := range seconds {
		if i == first {
			before, _ = spent(b, cmd.Process.Pid)
			bareBefore, _ = spent(b, bare)
			begun = time.Now()
		}
		<-time.After(time.Second)
		fetch(b, base+"/metrics")
		fetch(b, beside)
		if i > first+5 { // what only the start needed was let go of
			_, resident := spent(b, cmd.Process.Pid)
			most = max(most, resident)
		}
	}
	after, resident := spent(b, cmd.Process.Pid)
	bareAfter, bareResident := spent(b, bare)
	share := 100 / time.Since(begun).Seconds()
	if n := updates(); n < seconds {
		b.Errorf("the page got %d updates in %d s", n, seconds)
	}
	b.ReportMetric(0, "ns/op")
	b.ReportMetric(float64(resident)/1e6, "MB")
	b.ReportMetric(float64(most)/1e6, "MB-most")
	b.ReportMetric(share*(after-before).Seconds(), "%core")
	b.ReportMetric(float64(bareResident)/1e6, "MB-bare")
	b.ReportMetric(share*(bareAfter-bareBefore).Seconds(), "%core-bare")
	b.ReportMetric(float64(info.Size())/1e6, "MB-binary")
}

// bareServer starts a server that does nothing but to be scraped.
func bareServer(b *testing.B) (pid int, url string) {
	b.Helper()
	address := "127.0.0.1:" + driverstest.FreePort(b)
	cmd := exec.Command(built(b, "./testdata/bare"), address)
	if err := cmd.Start(); err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { _ = cmd.Process.Kill(); _ = cmd.Wait() })
	url = "http://" + address + "/metrics"
	for begun := time.Now(); ; time.Sleep(time.Millisecond) {
		got, err := http.Get(url)
		if err == nil {
			got.Body.Close()
			return cmd.Process.Pid, url
		}
		if time.Since(begun) > time.Minute {
			b.Fatal(err)
		}
	}
}

// pageOpen follows the page as a browser does; updates closes it, and says how many
// came.
func pageOpen(b *testing.B, base string) (updates func() int) {
	b.Helper()
	ctx, stop := context.WithCancel(b.Context())
	request, err := http.NewRequestWithContext(ctx, http.MethodGet, base+"/api/v1/live", nil)
	if err != nil {
		b.Fatal(err)
	}
	page, err := http.DefaultClient.Do(request)
	if err != nil {
		b.Fatal(err)
	}
	counted := make(chan int, 1)
	go func() {
		n := 0
		for lines := bufio.NewScanner(page.Body); lines.Scan(); {
			if strings.HasPrefix(lines.Text(), "data:") {
				n++
			}
		}
		counted <- n
	}()
	return func() int {
		stop()
		page.Body.Close()
		return <-counted
	}
}

func fetch(b *testing.B, url string) {
	b.Helper()
	got, err := http.Get(url)
	if err != nil {
		b.Fatal(err)
	}
	_, _ = io.Copy(io.Discard, got.Body)
	got.Body.Close()
}

// spent reads the processor time and the resident memory, bytes, of a process.
func spent(b testing.TB, pid int) (time.Duration, int64) {
	b.Helper()
	stat, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", pid))
	if err != nil {
		b.Fatal(err)
	}
	_, rest, _ := strings.Cut(string(stat), ") ")
	f := strings.Fields(rest)
	number := func(i int) int64 {
		n, err := strconv.ParseInt(f[i], 10, 64)
		if err != nil {
			b.Fatal(err)
		}
		return n
	}
	const tick = 10 * time.Millisecond // of Linux, for programs
	return time.Duration(number(11)+number(12)) * tick, number(21) * int64(os.Getpagesize())
}

// BenchmarkStart is from the start of the program to its first sample, with a
// record that holds a year of one post at 1 Hz.
func BenchmarkStart(b *testing.B) {
	dir := b.TempDir()
	program, config, record := built(b, "."), onePost(b, dir), filepath.Join(dir, "record")
	aYear(b, config, record)
	for b.Loop() {
		cmd, _, first := shipped(b, program, config, record)
		b.ReportMetric(first.Seconds(), "s-to-first-sample")
		if err := cmd.Process.Kill(); err != nil {
			b.Fatal(err)
		}
		_ = cmd.Wait()
	}
	b.ReportMetric(0, "ns/op")
}

// aYear fills the record of the configuration's post.
func aYear(b *testing.B, config, path string) {
	b.Helper()
	d, err := newDaemon(settings{configFile: config, storagePath: path, listen: "127.0.0.1:0"}, slog.New(slog.DiscardHandler), time.Now)
	if err != nil {
		b.Fatal(err)
	}
	posts := []acquire.Post{*d.station.Stats()[0].Post}
	if err := d.Close(); err != nil {
		b.Fatal(err)
	}
	s, err := store.Open(path, store.Options{})
	if err != nil {
		b.Fatal(err)
	}
	if err := s.Register(posts, time.Now()); err != nil {
		b.Fatal(err)
	}
	const year = 365 * 24 * 3600
	begin := time.Now().Add(-(year + 60) * time.Second)
	batch := make([]acquire.Sample, 1000)
	for n := 0; n < year; n += len(batch) {
		for s.Stats().Pending > 100_000 {
			time.Sleep(time.Millisecond)
		}
		for i := range batch {
			x := &batch[i]
			x.Seq, x.At = int64(n+i+1), begin.Add(time.Duration(n+i)*time.Second)
			x.Reading.Value.Digits, x.Reading.Value.Exp, x.Reading.Unit, x.Reading.HasValue = int64(n+i)%30, -3, "mW/cm2", true
			x.Said = fmt.Appendf(x.Said[:0], "0.%03d,mW/cm2,OK", (n+i)%30)
		}
		s.Append(0, batch)
	}
	if err := s.Close(); err != nil {
		b.Fatal(err)
	}
}
