package main

import (
	"net"
	"strings"
	"testing"
	"time"
)

// heard listens as a service manager does, and returns what it is told.
func heard(t *testing.T) <-chan string {
	t.Helper()
	path := t.TempDir() + "/notify"
	c, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: path, Net: "unixgram"})
	if err != nil {
		t.Fatal(err)
	}
	said, done := make(chan string), make(chan struct{})
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		buf := make([]byte, 4096)
		for {
			n, err := c.Read(buf)
			if err != nil {
				return
			}
			select {
			case said <- string(buf[:n]):
			case <-done:
				return
			}
		}
	}()
	t.Cleanup(func() { close(done); c.Close(); <-ended })
	t.Setenv("NOTIFY_SOCKET", path)
	return said
}

// next is what the service manager is told next.
func next(t *testing.T, said <-chan string) string {
	t.Helper()
	select {
	case s := <-said:
		return s
	case <-time.After(20 * time.Second):
		t.Fatal("the service manager was told nothing for 20 s")
		return ""
	}
}

// Neither a probe that is not there nor receivers that nobody reaches keep the
// daemon from being ready, or its watchdog from being fed: they are alarms.
func TestServiceManagerIsTold(t *testing.T) {
	said := heard(t)
	t.Setenv("WATCHDOG_USEC", "300000")
	file := configured(t, t.TempDir()+"/no-such-port", `
[[webhook]]
id = "duty"
url = "http://127.0.0.1:1/"

[[remote_write]]
id = "fleet"
url = "http://127.0.0.1:1/"
`)
	p := program(t, "run", "--config.file="+file, "--storage.path="+t.TempDir(), "--web.listen-address=127.0.0.1:0")
	first := next(t, said)
	for first == "WATCHDOG=1" {
		first = next(t, said)
	}
	if !strings.HasPrefix(first, "READY=1\nSTATUS=watching 1 post of Larkfield House, page and metrics at 127.0.0.1:") {
		t.Errorf("told first: %q", first)
	}
	for range 10 {
		if s := next(t, said); s != "WATCHDOG=1" {
			t.Fatalf("told %q while it runs", s)
		}
	}
	p.terminate(t)
	for s := next(t, said); s != "STOPPING=1"; s = next(t, said) {
		if s != "WATCHDOG=1" {
			t.Fatalf("told %q before it stopped", s)
		}
	}
}

// What asks the page is a loop like all others, and a page that answers lets it
// come round; the daemon says so itself.
func TestHangingLoopIsUnhealthy(t *testing.T) {
	r := startDaemon(t, settings{})
	if err := r.healthy(); err != nil {
		t.Errorf("unhealthy at the start: %v", err)
	}
	r.dog.Loop("a test's loop", -time.Second, nil)
	if err := r.healthy(); err == nil || !strings.Contains(err.Error(), "a test's loop did not come round") {
		t.Errorf("a loop that hangs: %v", err)
	}
}
