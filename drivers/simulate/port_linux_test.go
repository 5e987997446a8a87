package simulate

import (
	"bufio"
	"context"
	"os"
	"strings"
	"sync/atomic"
	"syscall"
	"testing"
	"time"
	"unsafe"
)

const patience = 10 * time.Second

// onTTY runs a kitchen on ptys until the test ends.
func onTTY(t *testing.T, o Options) *Kitchen {
	t.Helper()
	k := build(t, o)
	if err := k.Listen(); err != nil {
		t.Fatal(err)
	}
	if k.InProcess() {
		t.Fatal("no pty on Linux")
	}
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- k.Run(ctx) }()
	t.Cleanup(func() {
		cancel()
		select {
		case err := <-ended:
			if err != nil {
				t.Error(err)
			}
		case <-time.After(patience):
			t.Error("the kitchen does not end")
		}
	})
	return k
}

// client opens a tty as a plain file, with a deadline on all it does.
func client(t *testing.T, path string) *os.File {
	t.Helper()
	f, err := os.OpenFile(path, os.O_RDWR|syscall.O_NOCTTY, 0)
	if err != nil {
		t.Fatal(err)
	}
	if err := f.SetDeadline(time.Now().Add(patience)); err != nil {
		t.Fatal(err)
	}
	return f
}

func converse(t *testing.T, f *os.File, pieces ...string) string {
	t.Helper()
	for _, piece := range pieces {
		if _, err := f.WriteString(piece); err != nil {
			t.Fatal(err)
		}
	}
	line, err := bufio.NewReader(f).ReadString('\n')
	if err != nil {
		t.Fatal(err)
	}
	if !strings.HasSuffix(line, "\r\n") {
		t.Fatalf("line %q does not end in CR LF: the tty is not raw", line)
	}
	return strings.TrimSuffix(line, "\r\n")
}

func TestTTYClientLeavesAndComesBack(t *testing.T) {
	k := onTTY(t, ModelKitchen(1, 1))
	for _, p := range k.Probes() {
		path, dial := k.Port(p.Spec().ID)
		if path == "" || dial != nil {
			t.Fatalf("%s: path %q, dialer given: %v", p.Spec().ID, path, dial != nil)
		}
		for range 3 {
			f := client(t, path)
			decode(t, converse(t, f, "READ?\n"))
			decode(t, converse(t, f, "RE", "AD", "?", "\n"))
			if err := f.Close(); err != nil {
				t.Fatal(err)
			}
		}
	}
}

func TestTTYOfAFastKitchen(t *testing.T) {
	k := onTTY(t, ModelKitchen(1, 1000))
	path, _ := k.Port("probe-2")
	f := client(t, path)
	defer func() { _ = f.Close() }()
	for began := time.Now(); time.Since(began) < patience; {
		if s := decode(t, converse(t, f, "READ?\n")); s.value > 50 { // the seam fails at 45 s
			return
		}
	}
	t.Errorf("10 s at 1000 times the speed, and the seam has not failed")
}

func TestTTYNobodyReads(t *testing.T) {
	const wait = 500 // lines, some four times what may be left unread
	var said atomic.Int64
	full := make(chan struct{})
	latest := make(chan string, 100000)
	o := Scripted(1, 1, Pattern{On: time.Second, Level: 50})
	o.Probes[0].Stream, o.Probes[0].Decimals, o.Probes[0].NoiseSD = 1000, 6, 1
	o.OnAnswer = func(a Answer) {
		latest <- a.Line
		if said.Add(1) == wait {
			close(full)
		}
	}
	k := onTTY(t, o)
	select {
	case <-full:
	case <-time.After(patience):
		t.Fatalf("only %d lines said: the instrument waits for a client", said.Load())
	}
	path, _ := k.Port("probe-1")
	f := client(t, path)
	defer func() { _ = f.Close() }()
	r := bufio.NewReader(f)
	if _, err := r.ReadString('\n'); err != nil { // may have lost its beginning
		t.Fatal(err)
	}
	line, err := r.ReadString('\n')
	if err != nil {
		t.Fatal(err)
	}
	for n := 0; ; n++ {
		select {
		case l := <-latest:
			if l+lineEnd == line {
				if n < wait-2*mostUnread/len(line) {
					t.Errorf("a new client reads line %d when %d had been said", n, wait)
				}
				return
			}
		case <-time.After(patience):
			t.Fatalf("line %q was never said", line)
		}
	}
}

func TestTTYForgetsADeadClientsExclusiveUse(t *testing.T) {
	const tiocexcl, tiocgexcl = 0x540c, 0x80045440 // asm-generic/ioctls.h
	port, err := Listen()
	if err != nil {
		t.Fatal(err)
	}
	read := make(chan struct{})
	go func() {
		defer close(read)
		_, _ = port.Read(make([]byte, 10)) // until Close
	}()
	f := client(t, port.Path())
	raw, err := f.SyscallConn()
	if err != nil {
		t.Fatal(err)
	}
	held := func(request uintptr) bool {
		var is int32
		var errno syscall.Errno
		if err := raw.Control(func(fd uintptr) {
			_, _, errno = syscall.Syscall(syscall.SYS_IOCTL, fd, request, uintptr(unsafe.Pointer(&is)))
		}); err != nil || errno != 0 {
			t.Fatal(err, errno)
		}
		return is != 0
	}
	held(tiocexcl)
	if !held(tiocgexcl) {
		t.Fatal("the tty is not in exclusive use to begin with")
	}
	deadline, tick := time.After(patience), time.NewTicker(10*time.Millisecond)
	defer tick.Stop()
	for held(tiocgexcl) {
		select {
		case <-tick.C:
		case <-deadline:
			t.Fatal("the tty stays in exclusive use")
		}
	}
	_ = f.Close()
	if err := port.Close(); err != nil {
		t.Error(err)
	}
	<-read
}
