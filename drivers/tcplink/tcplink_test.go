package tcplink

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"strings"
	"testing"
	"time"

	"ovenward/drivers"
)

func lines(buf []byte) (int, []byte) {
	if i := bytes.IndexByte(buf, '\n'); i >= 0 {
		return i + 1, buf[:i]
	}
	return 0, nil
}

func soon() time.Time { return time.Now().Add(10 * time.Second) }

// server gives one connection after the other to serve; it ends with t.
func server(t *testing.T, serve func(net.Conn)) (port string) {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	done := make(chan struct{})
	go func() {
		defer close(done)
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			serve(c)
			c.Close()
		}
	}()
	t.Cleanup(func() { l.Close(); <-done })
	return Prefix + l.Addr().String()
}

func open(t *testing.T, o Options) drivers.Link {
	t.Helper()
	l, err := Dial(o)(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { l.Close() })
	return l
}

func TestExchange(t *testing.T) {
	port := server(t, func(c net.Conn) {
		for n, s := 0, bufio.NewScanner(c); s.Scan(); n++ {
			fmt.Fprintf(c, "%s %d\nunasked\n", s.Text(), n)
		}
	})
	l := open(t, Options{Port: port})
	for n := range 20 {
		departed, _, err := l.Send([]byte("Q\n"), soon())
		if err != nil {
			t.Fatal(err)
		}
		got, err := l.Receive(lines, soon(), nil)
		if err != nil || string(got[0].Bytes) != fmt.Sprintf("Q %d", n) || !got[0].Departed.Equal(departed) || got[0].Arrived.Before(departed) {
			t.Fatalf("Receive: %v, %v, want answer %d", got, err, n)
		}
		for len(got) < 2 { // the line nobody asked for, so that the next question is not met by it
			if got, err = l.Receive(lines, soon(), got); err != nil {
				t.Fatal(err)
			}
		}
	}
	start := time.Now()
	if _, err := l.Receive(lines, start.Add(30*time.Millisecond), nil); !errors.Is(err, drivers.ErrTimeout) || time.Since(start) < 30*time.Millisecond {
		t.Errorf("Receive: %v after %v, want ErrTimeout after 30 ms", err, time.Since(start))
	}
}

func TestPeerGoes(t *testing.T) {
	port := server(t, func(c net.Conn) { io.WriteString(c, "half a li"); bufio.NewReader(c).ReadString('\n') })
	l := open(t, Options{Port: port})
	if _, _, err := l.Send([]byte("bye\n"), soon()); err != nil {
		t.Fatal(err)
	}
	if got, err := l.Receive(lines, soon(), nil); !errors.Is(err, drivers.ErrGone) || len(got) > 0 {
		t.Errorf("Receive: %+v, %v, want ErrGone and no frame", got, err)
	}
}

// TestWriteKeepsItsDeadline: a peer that reads nothing holds nothing up.
func TestWriteKeepsItsDeadline(t *testing.T) {
	leave := make(chan struct{})
	port := server(t, func(net.Conn) { <-leave })
	defer close(leave)
	l := open(t, Options{Port: port})
	start := time.Now()
	_, _, err := l.Send(make([]byte, 64<<20), start.Add(80*time.Millisecond))
	if took := time.Since(start); !errors.Is(err, drivers.ErrGone) || took > 2*time.Second {
		t.Errorf("Send: %v after %v, want ErrGone, for half a request cannot be called back", err, took)
	}
	if err := l.Close(); err != nil {
		t.Error(err)
	}
}

func TestNobodyThere(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	port := Prefix + l.Addr().String()
	l.Close()
	if _, err := Dial(Options{Port: port})(context.Background()); !errors.Is(err, drivers.ErrAbsent) || !strings.Contains(err.Error(), port) {
		t.Errorf("Dial: %v, want ErrAbsent with the address", err)
	}
}

func TestSettle(t *testing.T) {
	port := server(t, func(c net.Conn) {
		io.WriteString(c, "banner\n")
		if s := bufio.NewScanner(c); s.Scan() {
			io.WriteString(c, "answer\n")
			s.Scan()
		}
	})
	l := open(t, Options{Port: port, Settle: 100 * time.Millisecond})
	if _, _, err := l.Send([]byte("Q\n"), soon()); err != nil {
		t.Fatal(err)
	}
	if got, err := l.Receive(lines, soon(), nil); err != nil || string(got[0].Bytes) != "answer" {
		t.Errorf("Receive: %+v, %v, want the answer and not the banner", got, err)
	}
	ctx, cancel := context.WithTimeout(t.Context(), 20*time.Millisecond)
	defer cancel()
	if _, err := Dial(Options{Port: port, Settle: time.Hour})(ctx); !errors.Is(err, context.DeadlineExceeded) && !errors.Is(err, drivers.ErrAbsent) {
		t.Errorf("Dial: %v, want the context's end", err)
	}
}

func TestAddress(t *testing.T) {
	for s, want := range map[string]string{
		"tcp://server:4001": "server:4001", "tcp://[::1]:1": "[::1]:1", "tcp://192.0.2.7:65535": "192.0.2.7:65535",
		"tcp://:4001": "", "tcp://server": "", "tcp://server:0": "", "tcp://server:70000": "", "server:4001": "", "tcp://a b:1": "", "tcp://u@h:1": "",
	} {
		if got, err := Address(s); got != want || (err == nil) != (want != "") {
			t.Errorf("Address(%q) = %q, %v, want %q", s, got, err, want)
		}
	}
}
