package main

import (
	"bytes"
	"context"
	"encoding/json"
	"io"
	"log/slog"
	"net/http"
	"strings"
	"sync"
	"testing"
	"time"
)

// logged is a log that a test can read while it is written.
type logged struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (l *logged) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.Write(p)
}

func (l *logged) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.String()
}

// running is a daemon at work inside a test.
type running struct {
	*daemon
	log    *logged
	cancel context.CancelFunc
	done   chan error
}

// startDaemon runs a daemon on a free port until the test ends.
func startDaemon(t *testing.T, s settings) *running {
	t.Helper()
	s.listen = "127.0.0.1:0"
	r := &running{log: &logged{}, done: make(chan error, 1)}
	d, err := newDaemon(s, slog.New(slog.NewTextHandler(r.log, nil)), time.Now)
	if err != nil {
		t.Fatal(err)
	}
	r.daemon = d
	ctx, cancel := context.WithCancel(context.Background())
	r.cancel = cancel
	go func() { r.done <- d.Run(ctx) }()
	t.Cleanup(func() {
		r.stop(t)
		if t.Failed() {
			t.Log("the daemon said:\n" + r.log.String())
		}
	})
	return r
}

// stop ends the daemon and holds it to the two seconds it promises.
func (r *running) stop(t *testing.T) {
	t.Helper()
	if r.cancel == nil {
		return
	}
	r.cancel()
	r.cancel = nil
	select {
	case err := <-r.done:
		if err != nil {
			t.Errorf("the daemon ended with: %v", err)
		}
	case <-time.After(10 * time.Second):
		t.Fatal("the daemon did not stop")
	}
}

func (r *running) get(t *testing.T, path string) string {
	t.Helper()
	resp, err := http.Get("http://" + r.Addr() + path)
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	body, err := io.ReadAll(resp.Body)
	if err != nil {
		t.Fatal(err)
	}
	return string(body)
}

// waitFor asks again and again until ok says so.
func waitFor(t *testing.T, within time.Duration, what string, ok func() bool) {
	t.Helper()
	deadline := time.After(within)
	tick := time.NewTicker(100 * time.Millisecond)
	defer tick.Stop()
	for !ok() {
		select {
		case <-tick.C:
		case <-deadline:
			t.Fatalf("after %v still waiting for %s", within, what)
		}
	}
}

// TestModelKitchenAlarm is the main job on the embedded default: within two
// minutes the failing seal is an alarm on the page, in the log, in the metrics
// and in the record.
func TestModelKitchenAlarm(t *testing.T) {
	t.Parallel()
	r := startDaemon(t, settings{})
	const series = `ovenward_alarm_active{oven="pantry",post="pantry-door",probe="probe-2",rule="exceeds",site="model kitchen"} 1`
	waitFor(t, 2*time.Minute, "the alarm in the metrics", func() bool {
		return strings.Contains(r.get(t, "/metrics"), series)
	})
	m := r.get(t, "/metrics")
	for _, want := range []string{"ovenward_simulated 1", `ovenward_probe_up{oven="pantry",post="pantry-door",probe="probe-2",site="model kitchen"} 1`} {
		if !strings.Contains(m, want) {
			t.Errorf("the metrics lack %s", want)
		}
	}
	if page := r.get(t, "/"); !strings.Contains(page, "Stop using this oven") || !strings.Contains(page, "Pantry oven") {
		t.Error("the page does not say which oven to stop using")
	}
	if log := r.log.String(); !strings.Contains(log, "rule=exceeds") || !strings.Contains(log, "post=pantry-door") {
		t.Error("the log does not tell of the alarm")
	}
	var alarms any
	if err := json.Unmarshal([]byte(r.get(t, "/api/v1/alarms")), &alarms); err != nil {
		t.Errorf("the API's alarms: %v", err)
	}
	for _, post := range []string{"counter-door", "staff-room-door"} {
		if strings.Contains(m, `post="`+post+`",rule="exceeds",site="model kitchen"} 1`) {
			t.Errorf("%s is said to exceed too", post)
		}
	}
	began := time.Now()
	r.stop(t)
	if took := time.Since(began); took > 2*time.Second {
		t.Errorf("stopping took %v, want at most 2 s", took)
	}
}
