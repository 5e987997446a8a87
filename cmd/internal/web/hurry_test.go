package web

import (
	"bufio"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"
)

// hurrying serves over real connections, with little patience.
func hurrying(t *testing.T, body, answer time.Duration, change ...func(*Options)) *httptest.Server {
	t.Helper()
	s := newServer(newFake(noon()), append([]func(*Options){func(o *Options) { o.Now = time.Now }}, change...)...)
	s.bodyIn, s.answerIn = body, answer
	h := httptest.NewServer(s.Handler())
	t.Cleanup(h.Close)
	return h
}

// A visitor who sends a body a byte at a time, or never, is given up.
func TestSlowBodyIsGivenUp(t *testing.T) {
	h := hurrying(t, 200*time.Millisecond, time.Minute)
	c, err := net.Dial("tcp", h.Listener.Addr().String())
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	fmt.Fprintf(c, "POST /api/v1/posts/galley/zero HTTP/1.1\r\nHost: %s\r\nContent-Type: application/json\r\nContent-Length: 100\r\n\r\n{", c.RemoteAddr())
	if err := c.SetReadDeadline(time.Now().Add(20 * time.Second)); err != nil {
		t.Fatal(err)
	}
	answer, err := io.ReadAll(c) // until the server hangs up
	if err != nil {
		t.Fatalf("the connection is still held: %v, after %q", err, answer)
	}
	if strings.Contains(string(answer), " 200 ") {
		t.Errorf("half a body was taken: %s", answer)
	}
}

// A visitor who takes no answer is given up, so that handlers end.
func TestAnswerThatIsNotTakenIsGivenUp(t *testing.T) {
	ended := make(chan error, 1)
	h := hurrying(t, time.Minute, 200*time.Millisecond, func(o *Options) {
		o.Metrics = http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
			var err error
			for piece := make([]byte, 1<<20); err == nil; {
				_, err = w.Write(piece)
			}
			ended <- err
		})
	})
	c, err := net.Dial("tcp", h.Listener.Addr().String())
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	fmt.Fprintf(c, "GET /metrics HTTP/1.1\r\nHost: %s\r\n\r\n", c.RemoteAddr())
	select {
	case <-ended:
	case <-time.After(20 * time.Second):
		t.Fatal("the handler still writes")
	}
}

// Once a body has come, its deadline is over: an answer that takes longer is not
// cut off, and the connection serves the next request.
func TestDeadlinesEndWithWhatTheyBound(t *testing.T) {
	slow := func(o *Options) {
		o.Metrics = http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
			body, err := io.ReadAll(r.Body)
			if err != nil {
				t.Error(err)
			}
			select {
			case <-r.Context().Done():
				t.Error("the request ended with its body's deadline")
			case <-time.After(400 * time.Millisecond):
			}
			_, _ = w.Write(body)
		})
	}
	h := hurrying(t, 100*time.Millisecond, 10*time.Second, slow)
	c, err := net.Dial("tcp", h.Listener.Addr().String())
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	in := bufio.NewReader(c)
	for range 2 {
		fmt.Fprintf(c, "GET /metrics HTTP/1.1\r\nHost: %s\r\nContent-Length: 4\r\n\r\nword", c.RemoteAddr())
		a, err := http.ReadResponse(in, nil)
		if err != nil {
			t.Fatal(err)
		}
		if body, err := io.ReadAll(a.Body); err != nil || string(body) != "word" {
			t.Errorf("%q, %v", body, err)
		}
	}
}
