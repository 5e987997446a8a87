package serialport

import (
	"os"
	"path/filepath"
	"testing"
	"time"

	"go.bug.st/serial"
)

func TestByteTime(t *testing.T) {
	for _, c := range []struct {
		mode serial.Mode
		want time.Duration
	}{
		{serial.Mode{BaudRate: 9600, DataBits: 8}, 1041667 * time.Nanosecond},                                                     // 10 bits
		{serial.Mode{BaudRate: 9600, DataBits: 8, Parity: serial.EvenParity}, 1145833 * time.Nanosecond},                          // 11
		{serial.Mode{BaudRate: 1000, DataBits: 7, Parity: serial.OddParity, StopBits: serial.TwoStopBits}, 11 * time.Millisecond}, // 11
		{serial.Mode{BaudRate: 1000, DataBits: 5, StopBits: serial.OnePointFiveStopBits}, 7500 * time.Microsecond},                // 7.5
		{serial.Mode{BaudRate: 0, DataBits: 8}, 0},
	} {
		if got := byteTime(&c.mode); got != c.want {
			t.Errorf("byteTime(%+v) = %v, want %v", c.mode, got, c.want)
		}
	}
}

func TestTimingIsReadFromSysfs(t *testing.T) {
	sys := t.TempDir()
	// As the kernel lays it out: class/tty/NAME is a link into the device's own
	// folder, and device in it a link to the port of the adapter.
	port := filepath.Join(sys, "devices/usb1/1-2/1-2:1.0/ttyUSB3")
	node := filepath.Join(port, "tty/ttyUSB3")
	must := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	must(os.MkdirAll(node, 0o755))
	must(os.MkdirAll(filepath.Join(sys, "class/tty"), 0o755))
	must(os.Symlink(node, filepath.Join(sys, "class/tty/ttyUSB3")))
	must(os.Symlink(port, filepath.Join(node, "device")))
	mode := &serial.Mode{BaudRate: 9600, DataBits: 8}
	dev := t.TempDir()
	must(os.WriteFile(filepath.Join(dev, "ttyUSB3"), nil, 0o600))
	must(os.Symlink(filepath.Join(dev, "ttyUSB3"), filepath.Join(dev, "hatch"))) // as a udev rule names it

	if got := timingOf(filepath.Join(dev, "hatch"), sys, mode); got.Latency != 0 {
		t.Errorf("an adapter that tells nothing: %+v", got)
	}
	for text, want := range map[string]time.Duration{"16\n": 16 * time.Millisecond, "1": time.Millisecond, "soon\n": 0, "-3\n": 0, "": 0, "4000\n": 0} {
		must(os.WriteFile(filepath.Join(port, "latency_timer"), []byte(text), 0o600))
		got := timingOf(filepath.Join(dev, "hatch"), sys, mode)
		if got.Latency != want || got.ByteTime != 1041667 {
			t.Errorf("latency_timer %q: %+v, want %v", text, got, want)
		}
	}
	must(os.Remove(filepath.Join(port, "latency_timer")))
	must(os.WriteFile(filepath.Join(filepath.Dir(port), "latency_timer"), []byte("2\n"), 0o600))
	if got := timingOf(filepath.Join(dev, "hatch"), sys, mode); got.Latency != 2*time.Millisecond {
		t.Errorf("one level up: %+v", got)
	}
	if got := timingOf("/dev/pts/7", sys, mode); got.ByteTime != 0 || got.Latency != 0 {
		t.Errorf("a pty has no speed: %+v", got)
	}
	if got := timingOf(filepath.Join(dev, "ttyACM0"), sys, mode); got.ByteTime != 0 {
		t.Errorf("a ttyACM: %+v", got)
	}
}
