//go:build unix

package driverstest

import (
	"bufio"
	"bytes"
	"context"
	"io"
	"net"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"ovenward/drivers"
)

const peerPatience = 20 * time.Second

// Python finds a python3 that has a module: the system's, then the first in PATH.
func Python(t testing.TB, module string) string {
	t.Helper()
	var err error
	for _, name := range []string{"/usr/bin/python3", "python3"} {
		var path string
		if path, err = exec.LookPath(name); err == nil {
			if err = exec.Command(path, "-c", "import "+module).Run(); err == nil {
				return path
			}
		}
	}
	missing(t, "python3 with "+module, err)
	return ""
}

// Compile builds a C program against a library, and returns its path.
func Compile(t testing.TB, source string, flags ...string) string {
	t.Helper()
	cc := Program(t, "gcc")
	out := filepath.Join(t.TempDir(), "peer")
	said, err := exec.Command(cc, append([]string{"-O1", "-Wall", "-o", out, source}, flags...)...).CombinedOutput()
	if err != nil {
		if bytes.Contains(said, []byte("No such file")) || bytes.Contains(said, []byte("cannot find -l")) {
			missing(t, "library for "+source, err)
		}
		t.Fatalf("compile %s: %v\n%s", source, err, said)
	}
	return out
}

// Start runs a peer until the test ends, and waits until it says "ready".
func Start(t testing.TB, name string, args ...string) {
	t.Helper()
	cmd := exec.Command(name, args...)
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	var said collected
	cmd.Stderr = &said
	if err := cmd.Start(); err != nil {
		t.Fatalf("start %s: %v", name, err)
	}
	ready, ended := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(ended)
		told := false
		for s := bufio.NewScanner(out); s.Scan(); {
			if s.Text() == "ready" && !told {
				told = true
				close(ready)
			}
			_, _ = said.Write([]byte(s.Text() + "\n"))
		}
		_ = cmd.Wait()
	}()
	t.Cleanup(func() {
		_ = cmd.Process.Signal(syscall.SIGTERM)
		select {
		case <-ended:
		case <-time.After(2 * time.Second):
			_ = cmd.Process.Kill()
			<-ended
		}
		if t.Failed() {
			t.Logf("%s said:\n%s", name, said.String())
		}
	})
	select {
	case <-ready:
	case <-ended:
		t.Fatalf("%s ended before it was ready, and said:\n%s", name, said.String())
	case <-time.After(peerPatience):
		t.Fatalf("%s is not ready after %v, and said:\n%s", name, peerPatience, said.String())
	}
}

// collected is what a peer says, from its own goroutines.
type collected struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (c *collected) Write(p []byte) (int, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.b.Write(p)
}

func (c *collected) String() string {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.b.String()
}

// SerialPair has socat link two terminals, and returns their paths.
func SerialPair(t testing.TB) (near, far string) {
	t.Helper()
	socat := Program(t, "socat")
	dir := t.TempDir()
	near, far = filepath.Join(dir, "near"), filepath.Join(dir, "far")
	// The shell says when both are there, and ends with what it runs.
	Start(t, "/bin/sh", "-c", `"$0" pty,raw,echo=0,link="$1" pty,raw,echo=0,link="$2" & trap 'kill $!' TERM
while ! [ -e "$1" ] || ! [ -e "$2" ]; do sleep 0.02; done; echo ready; wait`, socat, near, far)
	return near, far
}

// FreePort returns a TCP port of this machine that nobody listens at.
func FreePort(t testing.TB) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	_, port, _ := strings.Cut(l.Addr().String(), ":")
	return port
}

// Ask sends a request over a link, and returns the frames of the answer.
func Ask(t testing.TB, l drivers.Link, p drivers.Protocol, request []byte) []drivers.Frame {
	t.Helper()
	deadline := time.Now().Add(10 * time.Second)
	if _, _, err := l.Send(request, deadline); err != nil {
		t.Fatalf("send % X: %v", request, err)
	}
	frames, err := l.Receive(p.Split, deadline, nil)
	if err != nil {
		t.Fatalf("answer to % X: %v", request, err)
	}
	return frames
}

// TCP is a plain link over TCP, for tests of protocols alone.
type TCP struct {
	conn net.Conn
	buf  []byte
}

// DialTCP connects to a port of this machine.
func DialTCP(t testing.TB, port string) *TCP {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), peerPatience)
	defer cancel()
	conn, err := (&net.Dialer{}).DialContext(ctx, "tcp", "127.0.0.1:"+port)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = conn.Close() })
	return &TCP{conn: conn}
}

// Send implements drivers.Link.
func (l *TCP) Send(request []byte, deadline time.Time) (time.Time, int, error) {
	dropped := len(l.buf)
	l.buf = nil
	_ = l.conn.SetDeadline(deadline)
	_, err := l.conn.Write(request)
	return time.Now(), dropped, err
}

// Receive implements drivers.Link.
func (l *TCP) Receive(split func([]byte) (int, []byte), deadline time.Time, dst []drivers.Frame) ([]drivers.Frame, error) {
	_ = l.conn.SetDeadline(deadline)
	chunk := make([]byte, 4096)
	for had := len(dst); ; {
		for len(l.buf) > 0 {
			n, frame := split(l.buf)
			if n == 0 {
				break
			}
			if frame != nil {
				dst = append(dst, drivers.Frame{Bytes: bytes.Clone(frame), Arrived: time.Now()})
			}
			l.buf = l.buf[n:]
		}
		if len(dst) > had {
			return dst, nil
		}
		n, err := l.conn.Read(chunk)
		l.buf = append(l.buf, chunk[:n]...)
		if err == io.EOF {
			return dst, drivers.ErrGone
		}
		if err != nil {
			return dst, drivers.ErrTimeout
		}
	}
}

// Close implements drivers.Link.
func (l *TCP) Close() error { return l.conn.Close() }
