package main

import (
	"bufio"
	"fmt"
	"math/rand/v2"
	"net"
	"net/http"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"ovenward/acquire/alarm"
)

// badRequest is a request that nobody should send.
func badRequest(rnd *rand.Rand) string {
	pick := func(of ...string) string { return of[rnd.IntN(len(of))] }
	junk := func(n int) string {
		b := make([]byte, n)
		for i := range b {
			b[i] = byte(33 + rnd.IntN(94))
		}
		return string(b)
	}
	paths := []string{"/", "/api/v1/live?post=" + junk(9), "/api/v1/samples?post=pantry-door&from=" + junk(8), "/post/" + junk(12), "/../../etc/passwd",
		"/api/v1/posts/%00", "/metrics/" + junk(4), "/-/reload", "/api/v1/alarms/pantry-door.exceeds/acknowledge", "/api/v1/alarms/pantry-door.exceeds/reset",
		"/alarms/pantry-door.exceeds/acknowledge", "/static/..%2f..%2fgo.mod", "/%zz", "*", "//", "/" + strings.Repeat("a/", 1000)}
	body := pick("", "{", `{"who":`+strings.Repeat("[", 500), strings.Repeat("x", 70_000), junk(200), "\x00\xff\x00")
	head := pick("Host: x", "Host: 127.0.0.1", "Host: a\r\nHost: b", "Host: x\r\n"+junk(5)+" : y", "Host: x\r\nX-Long: "+strings.Repeat("y", 20_000),
		"Host: 127.0.0.1\r\nOrigin: http://elsewhere.example\r\nSec-Fetch-Site: cross-site", "Host: x\r\nTransfer-Encoding: gzip", "Host: x\r\nAuthorization: Basic "+junk(20))
	return fmt.Sprintf("%s %s %s\r\n%s\r\nContent-Type: %s\r\nContent-Length: %d\r\n\r\n%s", pick("GET", "POST", "PUT", "DELETE", "BREW", "get", junk(3)), pick(paths...),
		pick("HTTP/1.1", "HTTP/1.1", "HTTP/1.1", "HTTP/1.0", "HTTP/9.9", "JUNK"), head, pick("application/json", "text/plain", "application/x-www-form-urlencoded", junk(6)), len(body), body)
}

// pester sends n bad requests, from some clients at once, and counts the answers by status.
func pester(t *testing.T, addr string, n int) map[int]int {
	t.Helper()
	seed := uint64(time.Now().UnixNano())
	t.Log("seed", seed)
	var left atomic.Int64
	left.Store(int64(n))
	var mu sync.Mutex
	by := map[int]int{}
	var all sync.WaitGroup
	for client := range 8 {
		all.Go(func() {
			rnd := rand.New(rand.NewPCG(seed, uint64(client)))
			var conn net.Conn
			var in *bufio.Reader
			for left.Add(-1) >= 0 {
				if conn == nil {
					var err error
					if conn, err = net.Dial("tcp", addr); err != nil {
						t.Error(err)
						return
					}
					in = bufio.NewReader(conn)
				}
				_ = conn.SetDeadline(time.Now().Add(20 * time.Second))
				_, werr := conn.Write([]byte(badRequest(rnd)))
				status, stays := answerOf(in)
				mu.Lock()
				by[status]++
				mu.Unlock()
				if werr != nil || !stays {
					_ = conn.Close()
					conn = nil
				}
			}
			if conn != nil {
				_ = conn.Close()
			}
		})
	}
	all.Wait()
	return by
}

// answerOf reads one answer: its status, 0 where the line was closed without one,
// and whether the connection can be used again.
func answerOf(in *bufio.Reader) (status int, stays bool) {
	a, err := http.ReadResponse(in, nil)
	if err != nil {
		return 0, false
	}
	if strings.HasPrefix(a.Header.Get("Content-Type"), "text/event-stream") {
		return a.StatusCode, false
	}
	_, err = in.Discard(int(max(a.ContentLength, 0)))
	return a.StatusCode, err == nil && a.ContentLength >= 0 && !a.Close
}

// Bad requests, then streams and connections at and past their bounds with a replug
// in the middle: the alarm stands untouched, no answer of the probe is lost, each
// stream shows the replug, and neither a goroutine nor a descriptor stays.
func TestFaultCrowdsAndBadRequests(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	link, truthFile, record := filepath.Join(dir, "probe"), filepath.Join(dir, "truth.csv"), filepath.Join(dir, "record")
	probe := simulated(t, link, truthFile, "--speed=30")
	d := program(t, "run", "--storage.path="+record, "--web.listen-address=127.0.0.1:0", "--config.file="+configured(t, link, "\n[alarm]\nsilent = \"2 s\"\nstale = \"1 s\"\n"))
	addr := d.address(t)
	waitFor(t, 60*time.Second, "the alarm", func() bool { return strings.Contains(d.metrics(t, addr), exceedsActive) })
	http.DefaultClient.CloseIdleConnections()
	before := d.metrics(t, addr)
	fds := d.held(t)
	pestered(t, d, addr)
	streams, idle := besiege(t, addr)
	probe.terminate(t)
	waitFor(t, 30*time.Second, "the probe to be known silent", func() bool { return len(alarmsOf(t, record, alarm.Silent)) == 1 })
	// Before it comes back: a stream tells what is so at its beats, not what was between.
	told := listener(streams)
	told(t, "silent")
	probe = simulated(t, link, truthFile, "--speed=30")
	waitFor(t, 30*time.Second, "the probe to be back", func() bool { return len(alarmsOf(t, record, alarm.Silent)) >= 2 })
	told(t, "the limit\"") // the share of it that the row shows again
	for _, s := range append(streams, idle...) {
		_ = s.Close()
	}
	unbesieged(t, d, addr, fds, gauge(t, before, "go_goroutines"))
	late := counted(t, d.metrics(t, addr), `reason="unanswered"`) // of a machine that is busy otherwise; told, so not lost
	d.terminate(t)
	probe.terminate(t)
	samples, answers := readSamples(t, record), readTruth(t, truthFile)
	whole(t, samples)
	if lost := len(answers) - len(samples); lost < 0 || lost > 2+late {
		t.Errorf("%d samples of %d answers, %d late: want all but those, one at the pulling and one at the stop", len(samples), len(answers), late)
	}
	t.Logf("%d samples of %d answers, %d late", len(samples), len(answers), late)
	for _, why := range alarmsOf(t, record, alarm.Exceeds) {
		if why != alarm.Raised && why != alarm.Returned && why != alarm.ReturnedLatched && why != alarm.RaisedAgain {
			t.Errorf("the alarm was touched: %v", why)
		}
	}
	if strings.Contains(d.log.String(), "panic") {
		t.Error("a request made it panic")
	}
}

// pestered sends bad requests, and looks at what is answered and at the memory.
func pestered(t *testing.T, d *process, addr string) {
	t.Helper()
	resident := func() float64 { // by the kernel: the metrics' word may be some seconds old
		_, bytes := spent(t, d.cmd.Process.Pid)
		return float64(bytes) / 1e6
	}
	n, was, begun := counts(5_000, 1_000_000), resident(), time.Now()
	by := pester(t, addr, n)
	took := time.Since(begun)
	is := resident()
	t.Logf("%d bad requests in %v, %.0f a second, memory %.1f MB before and %.1f MB after, answers by status (0: closed without one): %v",
		n, took.Round(time.Millisecond), float64(n)/took.Seconds(), was, is, by)
	if is > was+16 {
		t.Errorf("memory grew from %.1f to %.1f MB", was, is)
	}
	for status := range by {
		if status >= 500 && status != http.StatusNotImplemented && status != http.StatusHTTPVersionNotSupported && status != http.StatusServiceUnavailable {
			t.Errorf("answered %d", status)
		}
	}
	if by[http.StatusBadRequest] == 0 || by[http.StatusNotFound] == 0 {
		t.Error("the requests were not bad enough")
	}
}

// besiege opens all streams that there may be, and then connections up to and past
// their bound, which ask for nothing or never end to ask.
func besiege(t *testing.T, addr string) (streams, idle []net.Conn) {
	t.Helper()
	open := func(said string) net.Conn {
		c, err := net.Dial("tcp", addr)
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { _ = c.Close() })
		if _, err := c.Write([]byte(said)); err != nil {
			t.Fatal(err)
		}
		return c
	}
	const stream = "GET /api/v1/live HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n"
	for {
		c := open(stream)
		_ = c.SetReadDeadline(time.Now().Add(20 * time.Second))
		head, err := bufio.NewReaderSize(c, 16).ReadString('\n')
		if err != nil {
			t.Fatalf("stream %d: %v", len(streams), err)
		}
		if strings.Contains(head, " 503 ") {
			_ = c.Close()
			break
		}
		streams = append(streams, c)
	}
	refused := 0
	for i := range maxConnections - len(streams) + 20 {
		c := open([]string{"", "GET / HT", "POST / HTTP/1.1\r\nHost: x\r\nContent-Length: 10\r\n\r\nx"}[i%3])
		if i >= maxConnections-len(streams) {
			_, _ = c.Write([]byte("GET / HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n"))
			_ = c.SetReadDeadline(time.Now().Add(20 * time.Second))
			if head, _ := bufio.NewReader(c).ReadString('\n'); strings.Contains(head, " 503 ") || head == "" {
				refused++
			}
			_ = c.Close()
			continue
		}
		idle = append(idle, c)
	}
	t.Logf("%d streams, %d connections, and %d past the bound turned away", len(streams), maxConnections, refused)
	if refused == 0 || len(streams) == 0 {
		t.Error("nobody was turned away")
	}
	return streams, idle
}

// listener returns what reads each stream up to a line that has a word in it.
func listener(streams []net.Conn) (told func(t *testing.T, word string)) {
	lines := make([]*bufio.Scanner, len(streams))
	for i, s := range streams {
		lines[i] = bufio.NewScanner(s)
		lines[i].Buffer(nil, 1<<20)
	}
	return func(t *testing.T, word string) {
		t.Helper()
		deadline := time.Now().Add(20 * time.Second)
		for i, l := range lines {
			_ = streams[i].SetReadDeadline(deadline)
			has := false
			for !has && l.Scan() {
				has = strings.Contains(l.Text(), word)
			}
			if !has {
				t.Fatalf("stream %d of %d was not told %q: %v", i, len(lines), word, l.Err())
			}
		}
	}
}

// unbesieged waits until all that the crowd took is given back.
func unbesieged(t *testing.T, d *process, addr string, wasFDs int, wasGoroutines float64) {
	t.Helper()
	var fds int
	var goroutines float64
	waitFor(t, 60*time.Second, "descriptors and goroutines to be given back", func() bool {
		if fds = d.held(t); fds > wasFDs+8 {
			t.Log("fds", fds, wasFDs)
			return false
		}
		goroutines = gauge(t, d.metrics(t, addr), "go_goroutines")
		return goroutines <= wasGoroutines+8
	})
	t.Logf("descriptors %d before, %d after; goroutines %g and %g", wasFDs, fds, wasGoroutines, goroutines)
}
