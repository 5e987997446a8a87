package usbtmc

import (
	"bytes"
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"ovenward/drivers"
	"ovenward/drivers/devfile"
	"ovenward/drivers/driverstest"
	"ovenward/drivers/stream"
)

func lines(buf []byte) (int, []byte) {
	if i := bytes.IndexByte(buf, '\n'); i >= 0 {
		return i + 1, buf[:i]
	}
	return 0, nil
}

func soon() time.Time { return time.Now().Add(10 * time.Second) }

// device is a stand-in that keeps messages apart, as the kernel's device does: a
// pair of sockets. The instrument's end is returned.
func device(t *testing.T) (drivers.Link, *os.File) {
	t.Helper()
	fds, err := unix.Socketpair(unix.AF_UNIX, unix.SOCK_SEQPACKET|unix.SOCK_CLOEXEC|unix.SOCK_NONBLOCK, 0)
	if err != nil {
		t.Fatal(err)
	}
	theirs := os.NewFile(uintptr(fds[1]), "instrument")
	l := stream.New(stream.Options{Name: "stand-in"}, newCarrier(os.NewFile(uintptr(fds[0]), "device"), "\n"))
	t.Cleanup(func() { l.Close(); theirs.Close() })
	return l, theirs
}

func say(t *testing.T, f *os.File, message string) {
	t.Helper()
	if _, err := f.WriteString(message); err != nil {
		t.Fatal(err)
	}
}

func hear(t *testing.T, f *os.File) string {
	t.Helper()
	b := make([]byte, 4096)
	f.SetReadDeadline(soon())
	n, err := f.Read(b)
	if err != nil {
		t.Fatal(err)
	}
	return string(b[:n])
}

func TestExchange(t *testing.T) {
	l, instrument := device(t)
	for _, c := range []struct{ said, want string }{{"0.412\n", "0.412"}, {"0.413", "0.413"}} { // the end of a message ends a line
		departed, _, err := l.Send([]byte("READ?\n"), soon())
		if err != nil {
			t.Fatal(err)
		}
		if got := hear(t, instrument); got != "READ?\n" {
			t.Errorf("the instrument heard %q", got)
		}
		say(t, instrument, c.said)
		got, err := l.Receive(lines, soon(), nil)
		if err != nil || len(got) != 1 || string(got[0].Bytes) != c.want || got[0].Arrived.Before(departed) {
			t.Errorf("Receive: %+v, %v, want %q", got, err, c.want)
		}
	}
}

// TestNothingIsReadUnasked: such a read is an error to an instrument.
func TestNothingIsReadUnasked(t *testing.T) {
	l, instrument := device(t)
	say(t, instrument, "unasked\n")
	if got, err := l.Receive(lines, time.Now().Add(50*time.Millisecond), nil); !errors.Is(err, drivers.ErrTimeout) {
		t.Errorf("Receive: %+v, %v, want ErrTimeout", got, err)
	}
}

// TestLateReply: it is never taken for the answer to the next question.
func TestLateReply(t *testing.T) {
	l, instrument := device(t)
	if _, _, err := l.Send([]byte("A?\n"), soon()); err != nil {
		t.Fatal(err)
	}
	if _, err := l.Receive(lines, time.Now().Add(20*time.Millisecond), nil); !errors.Is(err, drivers.ErrTimeout) {
		t.Fatalf("Receive: %v, want ErrTimeout", err)
	}
	if _, _, err := l.Send([]byte("B?\n"), time.Now().Add(20*time.Millisecond)); !errors.Is(err, drivers.ErrTimeout) {
		t.Fatalf("Send: %v, want ErrTimeout, as the first question is still open", err)
	}
	say(t, instrument, "late\n")
	if _, _, err := l.Send([]byte("C?\n"), soon()); err != nil {
		t.Fatal(err)
	}
	if a, c := hear(t, instrument), hear(t, instrument); a != "A?\n" || c != "C?\n" {
		t.Errorf("the instrument heard %q and %q", a, c)
	}
	say(t, instrument, "right\n")
	if got, err := l.Receive(lines, soon(), nil); err != nil || string(got[0].Bytes) != "right" {
		t.Errorf("Receive: %+v, %v, want the answer to the newest question", got, err)
	}
}

func TestUnplug(t *testing.T) {
	l, instrument := device(t)
	if _, _, err := l.Send([]byte("A?\n"), soon()); err != nil {
		t.Fatal(err)
	}
	hear(t, instrument)
	instrument.Close()
	if _, err := l.Receive(lines, soon(), nil); !errors.Is(err, drivers.ErrGone) {
		t.Errorf("Receive: %v, want ErrGone", err)
	}
	if err := errors.Join(l.Close(), l.Close()); err != nil {
		t.Error(err)
	}
	// Not counted alone: the runtime's own, which runs finalizers, comes and goes.
	all := make([]byte, 1<<20)
	all = all[:runtime.Stack(all, true)]
	if ours := slices.DeleteFunc(bytes.Split(all, []byte("\n\n")), func(g []byte) bool { return !bytes.Contains(g, []byte("ovenward/drivers/")) }); len(ours) != 1 {
		t.Errorf("%d goroutines beside this one are in the drivers:\n%s", len(ours)-1, all)
	}
}

// TestCloseWhileAReplyIsOwed ends the wait.
func TestCloseWhileAReplyIsOwed(t *testing.T) {
	l, instrument := device(t)
	if _, _, err := l.Send([]byte("A?\n"), soon()); err != nil {
		t.Fatal(err)
	}
	hear(t, instrument)
	start := time.Now()
	if err := l.Close(); err != nil || time.Since(start) > 5*time.Second {
		t.Errorf("Close: %v after %v", err, time.Since(start))
	}
}

// TestDial goes through Dial, over a terminal as the device file.
func TestDial(t *testing.T) {
	p := driverstest.OpenPTY(t)
	driverstest.Answer(t, p, "\n", func(int, string) string { return "1.5\n" })
	l, err := Dial(devfile.Options{Path: p.Path}, "\n")(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	if _, _, err := l.Send([]byte("Q\n"), soon()); err != nil {
		t.Fatal(err)
	}
	if got, err := l.Receive(lines, soon(), nil); err != nil || string(got[0].Bytes) != "1.5" {
		t.Errorf("Receive: %+v, %v", got, err)
	}
}

// TestRequestNumber holds the number of the request against the kernel's header.
func TestRequestNumber(t *testing.T) {
	source := filepath.Join(t.TempDir(), "number.c")
	text := "#include <stdio.h>\n#include <sys/ioctl.h>\n#include <linux/types.h>\n#include <linux/usb/tmc.h>\nint main(void) { printf(\"%lu\\n\", (unsigned long)USBTMC_IOCTL_SET_TIMEOUT); return 0; }\n"
	if err := os.WriteFile(source, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	said, err := exec.Command(driverstest.Compile(t, source)).Output()
	if err != nil {
		t.Fatal(err)
	}
	if got := strings.TrimSpace(string(said)); got != strconv.Itoa(setTimeout) {
		t.Errorf("the header says %s, want %d", got, setTimeout)
	}
}
