package web

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/quantity"
)

func live(t *testing.T, body []byte) (u struct {
	Boot string
	Top  *topJSON
	Rows [][]any
}) {
	t.Helper()
	id, line, ok := strings.Cut(string(body), "\ndata: ")
	if !ok || !strings.HasPrefix(id, "id: ") || !strings.HasSuffix(line, "\n\n") || strings.Count(line, "\n") != 2 {
		t.Fatalf("not one event: %q", body)
	}
	if err := json.Unmarshal([]byte(line), &u); err != nil {
		t.Fatal(err)
	}
	return u
}

// overviewOf tells a stream what is new on the overview.
func overviewOf(s *Server) update {
	return func(shown uint64) ([]byte, uint64, bool, error) { return s.since(s.boards["mw-cm2"], shown) }
}

func TestStreamIsCoalesced(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFake(time.Now())
		s := newServer(f, func(o *Options) { o.Now = time.Now })
		ctx, cancel := context.WithTimeout(t.Context(), 10*time.Second)
		defer cancel()
		over := make(chan struct{})
		go func() { // a hundred samples a second
			defer close(over)
			tick := time.NewTicker(10 * time.Millisecond)
			defer tick.Stop()
			for i := 0; ; i++ {
				select {
				case <-ctx.Done():
					return
				case <-tick.C:
				}
				f.set(func(f *fakeStation) {
					f.stats[1] = seeing(1, f.stats[1].Post, quantity.PowerDensity(0.1+float64(i)/1000), time.Now())
				})
			}
		}()
		var sent [][]byte
		if err := follow(ctx, acquire.Timers{}, overviewOf(s), "x/", 0, func(b []byte) error { sent = append(sent, b); return nil }); err != nil {
			t.Fatal(err)
		}
		if n := len(sent); n < 18 || n > 21 {
			t.Errorf("%d updates in 10 s, want at most 2 a second, and nearly so many", n)
		}
		first, next := live(t, sent[0]), live(t, sent[1])
		if len(first.Rows) != 3 || first.Top == nil || first.Boot == "" {
			t.Errorf("the first update is not whole: %s", sent[0])
		}
		if len(next.Rows) != 1 || next.Rows[0][0] != 1.0 || next.Rows[0][1] != float64(rowValue) || next.Top != nil {
			t.Errorf("the next update tells more than what changed: %s", sent[1])
		}
		<-over
	})
}

func TestQuietStreamGivesSignsOfLife(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFake(time.Now())
		for i := range f.stats {
			f.stats[i] = blinded(f.stats[i], acquire.SilentNow, "no answer")
		}
		s := newServer(f, func(o *Options) { o.Now = time.Now })
		ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
		defer cancel()
		n := 0
		if err := follow(ctx, acquire.Timers{}, overviewOf(s), "x/", 0, func([]byte) error { n++; return nil }); err != nil {
			t.Fatal(err)
		}
		if n < 9 || n > 11 {
			t.Errorf("%d updates in 20 quiet seconds, want one each 2 s", n)
		}
	})
}

func TestManyStreamsAskTheStationOnce(t *testing.T) {
	f := newFake(noon())
	s := newServer(f)
	for range 100 {
		if _, _, _, err := s.since(s.boards["mw-cm2"], 0); err != nil {
			t.Fatal(err)
		}
	}
	if f.asked != 1 {
		t.Errorf("the station was asked %d times for one instant", f.asked)
	}
	for range 100 {
		if _, _, _, err := s.postUpdates(plainVoice(), "galley")(0); err != nil {
			t.Fatal(err)
		}
	}
	if f.asked != 2 {
		t.Errorf("for streams of a post the station was asked %d times for one instant", f.asked-1)
	}
}

func TestFaultSlowStreamIsDropped(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newServer(newFake(time.Now()), func(o *Options) { o.Now = time.Now })
		n := 0
		err := follow(t.Context(), acquire.Timers{}, overviewOf(s), "x/", 0, func([]byte) error { n++; return errors.New("i/o timeout") })
		if err == nil || n != 1 {
			t.Errorf("after a failed write: %v, %d writes", err, n)
		}
	})
}

// serve starts a real server whose streams end with the returned function.
func serve(t *testing.T, s *Server) (address string, end context.CancelFunc, done chan struct{}) {
	t.Helper()
	srv := httptest.NewUnstartedServer(nil)
	done = make(chan struct{}, maxStreams)
	handler := s.Handler()
	srv.Config.Handler = http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		handler.ServeHTTP(w, r)
		done <- struct{}{}
	})
	base, end := context.WithCancel(t.Context())
	srv.Config.BaseContext = func(net.Listener) context.Context { return base }
	srv.Start()
	t.Cleanup(func() { end(); srv.CloseClientConnections(); srv.Close() })
	return srv.Listener.Addr().String(), end, done
}

// dial opens a stream on a connection of its own.
func dial(t *testing.T, address, path string) net.Conn {
	t.Helper()
	c, err := net.Dial("tcp", address)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = c.Close() })
	if _, err := fmt.Fprintf(c, "GET %s HTTP/1.1\r\nHost: %s\r\n\r\n", path, address); err != nil {
		t.Fatal(err)
	}
	return c
}

func within(t *testing.T, d time.Duration, done <-chan struct{}, what string) {
	t.Helper()
	select {
	case <-done:
	case <-time.After(d):
		t.Fatalf("%s: not within %v", what, d)
	}
}

// A client that never reads is dropped by the write deadline, however much its
// kernel buffers.
func TestFaultClientThatDoesNotReadIsDropped(t *testing.T) {
	f := newFake(time.Now())
	s := newServer(f, func(o *Options) { o.Now = time.Now })
	s.patient = 200 * time.Millisecond
	f.padding = strings.Repeat("x", 4<<20) // fills any buffer at once
	address, _, done := serve(t, s)
	dial(t, address, "/api/v1/live?post=galley")
	within(t, 20*time.Second, done, "drop a client that does not read")
	if n := len(s.streams); n != 0 {
		t.Errorf("%d streams are still counted", n)
	}
}

func TestFaultStreamsAreBoundedAndEndAtShutdown(t *testing.T) {
	s := newServer(newFake(time.Now()), func(o *Options) { o.Now = time.Now })
	address, end, done := serve(t, s)
	for range maxStreams {
		answer, err := http.ReadResponse(bufio.NewReader(dial(t, address, "/api/v1/live")), nil)
		if err != nil || answer.StatusCode != 200 || answer.Header.Get("Content-Type") != "text/event-stream" {
			t.Fatalf("open a stream: %v %v", err, answer)
		}
	}
	answer, err := http.ReadResponse(bufio.NewReader(dial(t, address, "/api/v1/live")), nil)
	if err != nil {
		t.Fatal(err)
	}
	if answer.StatusCode != 503 || answer.Header.Get("Retry-After") == "" || answer.Header.Get("Content-Type") != "application/problem+json" {
		t.Errorf("stream %d: %d, Retry-After %q", maxStreams+1, answer.StatusCode, answer.Header.Get("Retry-After"))
	}
	within(t, time.Second, done, "refuse a stream")
	if page, err := http.Get("http://" + address + "/"); err != nil || page.StatusCode != 200 {
		t.Errorf("the page beside full streams: %v", err)
	} else {
		_ = page.Body.Close()
	}
	within(t, time.Second, done, "serve the page")
	end()
	late := time.After(2 * time.Second)
	for range maxStreams {
		select {
		case <-done:
		case <-late:
			t.Fatal("streams outlive the server's context by 2 s")
		}
	}
	if n := len(s.streams); n != 0 {
		t.Errorf("%d streams are still counted", n)
	}
}

// Who takes long to take an update gets them less often, always the newest, and as
// often as others when it is quick again.
func TestSlowStreamGetsFewer(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithTimeout(t.Context(), 2*time.Minute)
		defer cancel()
		begun := time.Now()
		var slow, quick, older int
		next := func(uint64) ([]byte, uint64, bool, error) {
			return []byte(time.Now().Format(time.RFC3339Nano)), 1, true, nil
		}
		err := follow(ctx, acquire.Timers{}, next, "start/", 0, func(event []byte) error {
			_, said, _ := strings.Cut(strings.TrimSpace(string(event)), "data: ")
			if said != time.Now().Format(time.RFC3339Nano) {
				older++
			}
			if time.Since(begun) < time.Minute {
				slow++
				time.Sleep(4 * time.Second) // the bubble's clock
			} else if time.Since(begun) > 90*time.Second {
				quick++
			}
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
		if slow > 12 || slow < 6 || quick < 57 || older > 0 {
			t.Errorf("%d updates in a slow minute, %d in a quick half, %d old ones", slow, quick, older)
		}
	})
}
