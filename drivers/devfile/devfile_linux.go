package devfile

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"syscall"
	"time"

	"golang.org/x/sys/unix"

	"ovenward/drivers"
	"ovenward/drivers/stream"
)

// Dial returns the Dialer of the device that o describes. Errors wrap
// drivers.ErrAbsent, drivers.ErrBusy and fs.ErrPermission where these apply.
func Dial(o Options) drivers.Dialer {
	return func(ctx context.Context) (drivers.Link, error) {
		if err := ctx.Err(); err != nil {
			return nil, fmt.Errorf("open %s: %w", o.Path, err)
		}
		path := o.Path
		if o.Resolve != nil {
			var err error
			if path, err = o.Resolve(); err != nil {
				return nil, err
			}
		}
		f, err := open(path, o.Waits)
		if err != nil {
			return nil, err
		}
		if err := settle(ctx, o.Settle); err != nil {
			return nil, errors.Join(fmt.Errorf("wait for the instrument on %s to settle: %w", path, err), f.Close())
		}
		return stream.New(stream.Options{Name: path, Quiet: o.Quiet, Tap: o.Tap, Now: o.Now}, o.Line(f)), nil
	}
}

func settle(ctx context.Context, d time.Duration) error {
	if d <= 0 {
		return nil
	}
	timer := time.NewTimer(d)
	defer timer.Stop()
	select {
	case <-timer.C:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

// open opens the device and locks it against every other of us.
func open(path string, waits bool) (*os.File, error) {
	flags := os.O_RDWR | syscall.O_NOCTTY
	if !waits {
		flags |= syscall.O_NONBLOCK
	}
	f, err := os.OpenFile(path, flags, 0)
	switch {
	case errors.Is(err, fs.ErrNotExist), errors.Is(err, syscall.ENXIO), errors.Is(err, syscall.ENODEV):
		return nil, fmt.Errorf("open %s: %w; plug the instrument in, or correct the path", path, drivers.ErrAbsent)
	case errors.Is(err, fs.ErrPermission):
		return nil, fmt.Errorf("open %s: %w; let the user that runs ovenward read and write it by a udev rule (ovenward ports proposes one)", path, fs.ErrPermission)
	case err != nil:
		return nil, fmt.Errorf("open %s: %w", path, err)
	}
	if !waits {
		err = f.SetDeadline(time.Time{}) // an error when the file takes none
	}
	if err = errors.Join(err, lock(f)); err != nil {
		return nil, errors.Join(fmt.Errorf("open %s: %w", path, err), f.Close())
	}
	return f, nil
}

func lock(f *os.File) error {
	raw, err := f.SyscallConn()
	if err != nil {
		return err
	}
	var locked error
	err = raw.Control(func(fd uintptr) { locked = unix.Flock(int(fd), unix.LOCK_EX|unix.LOCK_NB) })
	if errors.Is(locked, unix.EWOULDBLOCK) {
		locked = fmt.Errorf("%w: it is held by another process; stop that one, or choose another port", drivers.ErrBusy)
	}
	return errors.Join(err, locked)
}
