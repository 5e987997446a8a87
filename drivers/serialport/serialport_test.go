package serialport

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"ovenward/drivers"
)

func TestCheckNamesEachFault(t *testing.T) {
	for name, c := range map[string]struct {
		o    Options
		want []string
	}{
		"nothing": {Options{}, []string{"path:"}},
		"all": {Options{Baud: -1, DataBits: 9, Parity: "evn", StopBits: "3", Settle: -1},
			[]string{"path:", "baud: -1", "data_bits: 9", `parity: "evn"`, `stop_bits: "3"`, "settle:"}},
	} {
		t.Run(name, func(t *testing.T) {
			err := c.o.Check()
			_, dialErr := Dial(c.o)(context.Background())
			for _, want := range c.want {
				if err == nil || !strings.Contains(err.Error(), want) {
					t.Errorf("Check: %v, want %q in it", err, want)
				}
				if dialErr == nil || !strings.Contains(dialErr.Error(), want) {
					t.Errorf("Dial: %v, want %q in it", dialErr, want)
				}
			}
		})
	}
	for _, parity := range []string{"", "none", "even", "odd", "mark", "space"} {
		for _, stop := range []string{"", "1", "1.5", "2"} {
			if err := (Options{Path: "p", Parity: parity, StopBits: stop}).Check(); err != nil {
				t.Errorf("parity %q, stop bits %q: %v", parity, stop, err)
			}
		}
	}
}

func TestExplain(t *testing.T) {
	for _, c := range []struct {
		err  error
		is   error
		says string
	}{
		{syscall.ENOENT, drivers.ErrAbsent, "plug the instrument in"},
		{syscall.ENXIO, drivers.ErrAbsent, "plug the instrument in"},
		{syscall.EBUSY, drivers.ErrBusy, "/dev/ttyX is held by another process; stop it or choose another port"},
		{errHeld, drivers.ErrBusy, "/dev/ttyX is held by another process; stop it or choose another port"},
		{syscall.EACCES, fs.ErrPermission, "group dialout"},
	} {
		got := explain("/dev/ttyX", fmt.Errorf("wrapped: %w", c.err))
		if !errors.Is(got, c.is) || !strings.Contains(got.Error(), c.says) {
			t.Errorf("%v: %q, want %v, saying %q", c.err, got, c.is, c.says)
		}
	}
}

func TestAbsentPort(t *testing.T) {
	path := filepath.Join(t.TempDir(), "ttyUSB0")
	_, err := Dial(Options{Path: path})(context.Background())
	if !errors.Is(err, drivers.ErrAbsent) || !strings.Contains(err.Error(), path) {
		t.Errorf("Dial: %v, want ErrAbsent with the path", err)
	}
}

func TestDialGivesUpWithItsContext(t *testing.T) {
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	start := time.Now()
	_, err := Dial(Options{Path: "/dev/null", Settle: time.Hour})(ctx)
	if !errors.Is(err, context.Canceled) || time.Since(start) > time.Second {
		t.Errorf("Dial: %v after %v, want context.Canceled at once", err, time.Since(start))
	}
}
