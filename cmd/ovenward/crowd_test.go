package main

import (
	"bufio"
	"fmt"
	"net"
	"net/http"
	"net/http/httptest"
	"testing"
	"time"
)

// A server takes as many connections as it may, tells those past that to come
// again, and takes others once one has gone.
func TestFaultCrowdIsBounded(t *testing.T) {
	t.Parallel()
	for _, secure := range []bool{false, true} {
		crowdIsBounded(t, secure)
	}
}

// crowded serves a crowd of so many at most, and says how to come to it.
func crowded(t *testing.T, secure bool, most int) (dial func() (net.Conn, error)) {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	visitors := newCrowd(l, most)
	srv := httptest.NewUnstartedServer(visitors.turnAway(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { w.WriteHeader(http.StatusNoContent) })))
	_ = srv.Listener.Close()
	srv.Listener, srv.Config.ConnContext = visitors, visitors.know
	dial = func() (net.Conn, error) { return net.Dial("tcp", l.Addr().String()) }
	if secure {
		srv.StartTLS()
		plain := dial
		dial = func() (net.Conn, error) {
			c, err := plain()
			if err != nil {
				return nil, err
			}
			return tlsOver(c, srv), nil
		}
	} else {
		srv.Start()
	}
	t.Cleanup(func() { srv.CloseClientConnections(); srv.Close() })
	return dial
}

func crowdIsBounded(t *testing.T, secure bool) {
	t.Helper()
	most := map[bool]int{false: maxConnections, true: 3}[secure]
	dial := crowded(t, secure, most)
	var open []net.Conn
	ask := func() *http.Response {
		t.Helper()
		c, err := dial()
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { _ = c.Close() })
		open = append(open, c)
		if _, err := fmt.Fprint(c, "GET / HTTP/1.1\r\nHost: x\r\n\r\n"); err != nil {
			t.Fatal(err)
		}
		answer, err := http.ReadResponse(bufio.NewReader(c), nil)
		if err != nil {
			t.Fatal(err)
		}
		return answer
	}
	for i := range most {
		if a := ask(); a.StatusCode != http.StatusNoContent {
			t.Fatalf("TLS %v: connection %d of %d: %d", secure, i+1, most, a.StatusCode)
		}
	}
	for range 3 {
		a := ask()
		if a.StatusCode != http.StatusServiceUnavailable || a.Header.Get("Retry-After") == "" || !a.Close ||
			a.Header.Get("Content-Type") != "application/problem+json" || a.Header.Get("Content-Security-Policy") == "" {
			t.Errorf("TLS %v: past the bound: %d %v, closes %v", secure, a.StatusCode, a.Header, a.Close)
		}
	}
	_ = open[0].Close()
	for late := time.Now().Add(10 * time.Second); ; {
		if a := ask(); a.StatusCode == http.StatusNoContent {
			break
		}
		if time.Now().After(late) {
			t.Fatalf("TLS %v: none was let in after one had gone", secure)
		}
	}
}

// Whoever is past the bound and asks nothing does not stay.
func TestFaultTurnedAwayDoNotStay(t *testing.T) {
	t.Parallel()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	visitors := newCrowd(l, 0)
	t.Cleanup(func() { _ = visitors.Close() })
	c, err := net.Dial("tcp", l.Addr().String())
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	in, err := visitors.Accept()
	if err != nil {
		t.Fatal(err)
	}
	defer in.Close()
	_ = c.SetReadDeadline(time.Now().Add(turnedAwayIn + 10*time.Second))
	if _, err := c.Read(make([]byte, 1)); err == nil || err.Error() != "EOF" {
		t.Errorf("a connection past the bound that asks nothing: %v, want it closed", err)
	}
}
