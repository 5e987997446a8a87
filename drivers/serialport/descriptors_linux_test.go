package serialport

import (
	"context"
	"errors"
	"os"
	"slices"
	"strings"
	"testing"

	"golang.org/x/sys/unix"

	"ovenward/drivers"
	"ovenward/drivers/driverstest"
)

// pending returns how many bytes wait in the input of the terminal at path.
func pending(path string) (int, error) {
	fd, err := unix.Open(path, unix.O_RDWR|unix.O_NOCTTY|unix.O_NONBLOCK|unix.O_CLOEXEC, 0)
	if err != nil {
		return 0, err
	}
	n, err := unix.IoctlGetInt(fd, unix.TIOCINQ)
	return n, errors.Join(err, unix.Close(fd))
}

func descriptors(t *testing.T) []string {
	t.Helper()
	entries, err := os.ReadDir("/proc/self/fd")
	if err != nil {
		t.Fatal(err)
	}
	var out []string
	for _, e := range entries {
		target, _ := os.Readlink("/proc/self/fd/" + e.Name()) // the directory itself is closed by now
		out = append(out, e.Name()+" "+target)
	}
	return out
}

// number is that of what descriptors lists.
func number(d string) (fd int) {
	for _, c := range d[:strings.IndexByte(d, ' ')] {
		fd = fd*10 + int(c-'0')
	}
	return fd
}

// TestLowDescriptorsAreLeftToPorts: what a port takes of the numbers that the library can
// have bounds how many ports and visitors there may be.
func TestLowDescriptorsAreLeftToPorts(t *testing.T) {
	p := driverstest.OpenPTY(t)
	before := descriptors(t)
	open(t, Options{Path: p.Path})
	low, high := 0, 0
	for _, d := range descriptors(t) {
		switch {
		case slices.Contains(before, d) || strings.HasSuffix(d, " "): // the directory
		case number(d) < maxDescriptor:
			low++
		default:
			high++
		}
	}
	if low != 4 || high != 2 {
		t.Errorf("%d low descriptors and %d high ones, want 4, the lock, the port and a pipe, and 2, epoll and timer", low, high)
	}
}

// TestNoDescriptorIsLost opens and closes, in every way that opening can end.
func TestNoDescriptorIsLost(t *testing.T) {
	p := driverstest.OpenPTY(t)
	on := true
	round := func() {
		l, err := Dial(Options{Path: p.Path})(context.Background())
		if err != nil {
			t.Fatal(err)
		}
		if _, err := Dial(Options{Path: p.Path})(context.Background()); !errors.Is(err, drivers.ErrBusy) {
			t.Fatalf("Dial: %v, want ErrBusy", err)
		}
		if err := errors.Join(l.Close(), l.Close()); err != nil {
			t.Fatal(err)
		}
		for _, o := range []Options{{Path: p.Path, DTR: &on}, {Path: os.DevNull}, {Path: p.Path + "x"}} {
			if l, err := Dial(o)(context.Background()); err == nil {
				t.Fatalf("Dial(%+v) opened: %v", o, l.Close())
			}
		}
	}
	round()
	before := descriptors(t)
	for range 100 {
		round()
	}
	if after := descriptors(t); len(after) != len(before) {
		t.Errorf("%d descriptors, %d before:\n%s", len(after), len(before), strings.Join(after, "\n"))
	}
}

// TestDescriptorsAreNotInherited: a child process that keeps the port open
// would keep a replugged adapter from its old name.
func TestDescriptorsAreNotInherited(t *testing.T) {
	p := driverstest.OpenPTY(t)
	before := map[string]bool{}
	for _, d := range descriptors(t) {
		before[d] = true
	}
	open(t, Options{Path: p.Path})
	found := 0
	for _, d := range descriptors(t) {
		fd := number(d)
		flags, err := unix.FcntlInt(uintptr(fd), unix.F_GETFD, 0)
		if before[d] || err != nil {
			continue
		}
		found++
		if flags&unix.FD_CLOEXEC == 0 {
			t.Errorf("descriptor %s is inherited by child processes", d)
		}
	}
	if found < 4 {
		t.Errorf("%d new descriptors, want 4: the lock, the port, a pipe", found)
	}
}
