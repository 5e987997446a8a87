package devfile

import (
	"context"
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"ovenward/drivers"
	"ovenward/drivers/driverstest"
	"ovenward/drivers/stream"
)

// held is a line that only gives its device back.
type held struct{ *os.File }

func (held) Read([]byte, time.Duration) (int, error)      { return 0, nil }
func (held) Write(p []byte, _ time.Duration) (int, error) { return len(p), nil }
func (held) Drop()                                        {}

func line(f *os.File) stream.Line { return held{f} }

// TestOpen goes through Dial, over a terminal as the device file, either way of
// reading it.
func TestOpen(t *testing.T) {
	for _, waits := range []bool{true, false} {
		tty := driverstest.OpenPTY(t)
		o := Options{Path: "named", Waits: waits, Line: line, Settle: time.Millisecond,
			Resolve: func() (string, error) { return tty.Path, nil }}
		l, err := Dial(o)(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		o.Resolve, o.Path = nil, tty.Path
		if _, err := Dial(o)(t.Context()); !errors.Is(err, drivers.ErrBusy) || strings.Count(err.Error(), tty.Path) != 1 {
			t.Errorf("a second opening: %v, want ErrBusy and the path once", err)
		}
		if err := l.Close(); err != nil {
			t.Fatal(err)
		}
		if l, err = Dial(o)(t.Context()); err != nil {
			t.Errorf("after it was given back: %v", err)
		} else if err := l.Close(); err != nil {
			t.Error(err)
		}
	}
}

func TestDoesNotOpen(t *testing.T) {
	ended, cancel := context.WithCancel(t.Context())
	cancel()
	unsettled, cancel := context.WithTimeout(t.Context(), time.Millisecond)
	defer cancel()
	unknown := errors.New("no such device is plugged in")
	tty := driverstest.OpenPTY(t)
	for _, c := range []struct {
		name string
		ctx  context.Context
		o    Options
		want error
	}{
		{"absent", t.Context(), Options{Path: filepath.Join(t.TempDir(), "usbtmc0")}, drivers.ErrAbsent},
		{"not found by its identity", t.Context(), Options{Resolve: func() (string, error) { return "", unknown }}, unknown},
		{"the end has come", ended, Options{Path: tty.Path}, context.Canceled},
		{"the end comes while it settles", unsettled, Options{Path: tty.Path, Settle: time.Hour}, context.DeadlineExceeded},
	} {
		c.o.Line = line
		if _, err := Dial(c.o)(c.ctx); !errors.Is(err, c.want) {
			t.Errorf("%s: %v, want %v", c.name, err, c.want)
		}
	}
	if l, err := Dial(Options{Path: tty.Path, Line: line})(t.Context()); err != nil {
		t.Errorf("a device that did not settle is still held: %v", err)
	} else {
		l.Close()
	}
	if os.Geteuid() != 0 { // root may open everything
		path := filepath.Join(t.TempDir(), "hidraw0")
		if err := os.WriteFile(path, nil, 0); err != nil {
			t.Fatal(err)
		}
		if _, err := Dial(Options{Path: path, Line: line})(t.Context()); !errors.Is(err, fs.ErrPermission) || !strings.Contains(err.Error(), "udev rule") {
			t.Errorf("without permission: %v", err)
		}
	}
}
