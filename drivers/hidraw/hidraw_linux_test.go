package hidraw

import (
	"errors"
	"os"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"ovenward/drivers"
	"ovenward/drivers/devfile"
	"ovenward/drivers/driverstest"
	"ovenward/drivers/hid"
	"ovenward/drivers/stream"
)

func soon() time.Time { return time.Now().Add(10 * time.Second) }

func meter(t *testing.T, request []byte) drivers.Protocol {
	t.Helper()
	p, err := hid.New(hid.Options{Request: request, Report: 3, Length: 6, Offset: 2, Width: 2, Signed: true,
		Scale: drivers.Decimal{Digits: 5, Exp: -3}, Unit: "mW/cm2", OverRange: []int64{32767}})
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// TestReports reads over a stand-in that keeps reports apart, as the device does.
func TestReports(t *testing.T) {
	fds, err := unix.Socketpair(unix.AF_UNIX, unix.SOCK_SEQPACKET|unix.SOCK_CLOEXEC|unix.SOCK_NONBLOCK, 0)
	if err != nil {
		t.Fatal(err)
	}
	instrument := os.NewFile(uintptr(fds[1]), "instrument")
	defer instrument.Close()
	l := stream.New(stream.Options{Name: "stand-in"}, &carrier{file: os.NewFile(uintptr(fds[0]), "device")})
	defer l.Close()
	p := meter(t, []byte{1, 0})
	if _, _, err := l.Send(p.Request(), soon()); err != nil {
		t.Fatal(err)
	}
	asked := make([]byte, 64)
	if n, err := instrument.Read(asked); err != nil || n != 2 || asked[0] != 1 {
		t.Fatalf("the instrument heard % x, %v", asked[:n], err)
	}
	for _, report := range [][]byte{{7, 1}, {3, 0, 0x10, 0x27, 0, 0}, {3, 0}, {3, 0, 0xff, 0x7f, 0, 0}} {
		if _, err := instrument.Write(report); err != nil {
			t.Fatal(err)
		}
	}
	var said []string
	for len(said) < 3 {
		frames, err := l.Receive(p.Split, soon(), nil)
		if err != nil {
			t.Fatal(err)
		}
		for _, f := range frames {
			r, err := driverstest.Parse(p, f.Bytes)
			switch {
			case err != nil:
				said = append(said, "refused")
			case r.Status == drivers.OverRange:
				said = append(said, "over")
			default:
				said = append(said, r.Value.String())
			}
		}
	}
	if said[0] != "50.000" || said[1] != "refused" || said[2] != "over" {
		t.Errorf("read %q, want 50.000, refused, over", said)
	}
	if _, err := l.Receive(p.Split, time.Now().Add(20*time.Millisecond), nil); !errors.Is(err, drivers.ErrTimeout) {
		t.Errorf("Receive: %v, want ErrTimeout", err)
	}
	instrument.Close()
	if _, err := l.Receive(p.Split, soon(), nil); !errors.Is(err, drivers.ErrGone) {
		t.Errorf("Receive: %v, want ErrGone", err)
	}
}

// TestDial goes through Dial, over a terminal as the device file.
func TestDial(t *testing.T) {
	tty := driverstest.OpenPTY(t)
	l, err := Dial(devfile.Options{Path: tty.Path})(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	p := meter(t, nil)
	tty.Send(t, "\x03\x00\x01\x00\x00\x00")
	frames, err := l.Receive(p.Split, soon(), nil)
	if err != nil || len(frames) != 1 {
		t.Fatalf("Receive: %v, %v", frames, err)
	}
	if r, err := driverstest.Parse(p, frames[0].Bytes); err != nil || r.Value.String() != "0.005" {
		t.Errorf("Parse: %+v, %v", r, err)
	}
}
