package hidraw

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"syscall"
	"time"

	"golang.org/x/sys/unix"

	"ovenward/drivers"
	"ovenward/drivers/hid"
	"ovenward/drivers/stream"
)

// maxReport is more than any report has, in bytes.
const maxReport = 4096

// Dial returns the Dialer of the device that o describes.
func Dial(o Options) drivers.Dialer {
	return func(ctx context.Context) (drivers.Link, error) {
		if err := ctx.Err(); err != nil {
			return nil, fmt.Errorf("open %s: %w", o.Path, err)
		}
		if o.Resolve != nil {
			var err error
			if o.Path, err = o.Resolve(); err != nil {
				return nil, err
			}
		}
		f, err := open(o.Path)
		if err != nil {
			return nil, err
		}
		return stream.New(stream.Options{Name: o.Path, Quiet: o.Quiet, Tap: o.Tap, Now: o.Now}, &carrier{file: f}), nil
	}
}

// open opens the device and locks it against every other of us.
func open(path string) (*os.File, error) {
	f, err := os.OpenFile(path, os.O_RDWR|syscall.O_NOCTTY|syscall.O_NONBLOCK, 0)
	switch {
	case errors.Is(err, fs.ErrNotExist), errors.Is(err, syscall.ENXIO), errors.Is(err, syscall.ENODEV):
		return nil, fmt.Errorf("open %s: %w; plug the instrument in, or correct the path", path, drivers.ErrAbsent)
	case errors.Is(err, fs.ErrPermission):
		return nil, fmt.Errorf("open %s: %w; let the user that runs ovenward read and write it by a udev rule (ovenward ports proposes one)", path, fs.ErrPermission)
	case err != nil:
		return nil, fmt.Errorf("open %s: %w", path, err)
	}
	if err := errors.Join(f.SetDeadline(time.Time{}), lock(f, path)); err != nil {
		return nil, errors.Join(fmt.Errorf("open %s: %w", path, err), f.Close())
	}
	return f, nil
}

func lock(f *os.File, path string) error {
	raw, err := f.SyscallConn()
	if err != nil {
		return err
	}
	var locked error
	err = raw.Control(func(fd uintptr) { locked = unix.Flock(int(fd), unix.LOCK_EX|unix.LOCK_NB) })
	if errors.Is(locked, unix.EWOULDBLOCK) {
		locked = fmt.Errorf("%w: %s is held by another process; stop it or choose another port", drivers.ErrBusy, path)
	}
	return errors.Join(err, locked)
}

// carrier is the stream.Line over a device.
type carrier struct {
	file *os.File
	buf  [maxReport]byte
	rest []byte // of an envelope larger than was read of it
	room []byte
}

// shortest is the least wait that still reads what has come.
const shortest = 200 * time.Microsecond

func (c *carrier) Read(p []byte, wait time.Duration) (int, error) {
	if len(c.rest) == 0 {
		if err := c.file.SetReadDeadline(time.Now().Add(max(wait, shortest))); err != nil {
			return 0, err
		}
		n, err := c.file.Read(c.buf[:])
		if errors.Is(err, os.ErrDeadlineExceeded) {
			return 0, nil
		}
		if err == nil && n == 0 {
			err = io.EOF
		}
		if err != nil {
			return 0, err
		}
		c.room = hid.Envelope(c.room[:0], c.buf[:n])
		c.rest = c.room
	}
	n := copy(p, c.rest)
	c.rest = c.rest[n:]
	return n, nil
}

// Write sends p as one report, which the device takes whole or not at all.
func (c *carrier) Write(p []byte, wait time.Duration) (int, error) {
	if err := c.file.SetWriteDeadline(time.Now().Add(wait)); err != nil {
		return 0, err
	}
	n, err := c.file.Write(p)
	if errors.Is(err, os.ErrDeadlineExceeded) {
		return n, drivers.ErrTimeout
	}
	return n, err
}

// Drop can do nothing.
func (c *carrier) Drop() {}

func (c *carrier) Close() error { return c.file.Close() }
