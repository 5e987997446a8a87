package usbtmc

import (
	"bytes"
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

const (
	// setTimeout is the request USBTMC_IOCTL_SET_TIMEOUT of linux/usb/tmc.h,
	// _IOW(91, 10, __u32): from memory, not confirmed.
	setTimeout = 0x40045B0A

	// kernelWait is how long the kernel waits for a reply, in milliseconds. It
	// bounds how long a device that is gone can keep Close.
	kernelWait = 2000

	maxReply = 32 << 10 // bytes
)

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
		if o.Settle > 0 {
			timer := time.NewTimer(o.Settle)
			defer timer.Stop()
			select {
			case <-timer.C:
			case <-ctx.Done():
				return nil, errors.Join(fmt.Errorf("wait for the instrument on %s to settle: %w", o.Path, ctx.Err()), f.Close())
			}
		}
		return stream.New(stream.Options{Name: o.Path, Quiet: o.Quiet, Tap: o.Tap, Now: o.Now}, newCarrier(f, o.End)), nil
	}
}

// open opens the device and locks it against every other of us.
func open(path string) (*os.File, error) {
	f, err := os.OpenFile(path, os.O_RDWR|syscall.O_NOCTTY, 0)
	switch {
	case errors.Is(err, fs.ErrNotExist), errors.Is(err, syscall.ENXIO), errors.Is(err, syscall.ENODEV):
		return nil, fmt.Errorf("open %s: %w; plug the instrument in, or correct the path", path, drivers.ErrAbsent)
	case errors.Is(err, fs.ErrPermission):
		return nil, fmt.Errorf("open %s: %w; let the user that runs ovenward read and write it by a udev rule (ovenward ports proposes one)", path, fs.ErrPermission)
	case err != nil:
		return nil, fmt.Errorf("open %s: %w", path, err)
	}
	raw, err := f.SyscallConn()
	if err == nil {
		var locked error
		err = raw.Control(func(fd uintptr) {
			locked = unix.Flock(int(fd), unix.LOCK_EX|unix.LOCK_NB)
			// A stand-in for the device knows no such request.
			_ = unix.IoctlSetPointerInt(int(fd), setTimeout, kernelWait)
		})
		if errors.Is(locked, unix.EWOULDBLOCK) {
			locked = fmt.Errorf("%w: %s is held by another process; stop it or choose another port", drivers.ErrBusy, path)
		}
		err = errors.Join(err, locked)
	}
	if err != nil {
		return nil, errors.Join(err, f.Close())
	}
	return f, nil
}

// carrier is the stream.Line over a device. Its one goroutine does what the
// kernel may hold up: the write of a message, then the read of its reply.
type carrier struct {
	file    *os.File
	end     []byte
	asked   chan []byte
	written chan error
	replies chan reply
	done    chan struct{}

	owed    bool   // a reply is on its way
	writing bool   // the message is on its way to the device
	rest    []byte // of a reply larger than was read of it
}

type reply struct {
	bytes []byte
	err   error
}

func newCarrier(f *os.File, end string) *carrier {
	c := &carrier{file: f, end: []byte(end), asked: make(chan []byte), written: make(chan error, 1),
		replies: make(chan reply, 1), done: make(chan struct{})}
	go c.work()
	return c
}

func (c *carrier) work() {
	defer close(c.done)
	buf := make([]byte, maxReply)
	for message := range c.asked {
		n, err := c.file.Write(message)
		if err == nil && n < len(message) {
			err = fmt.Errorf("the device took %d of %d bytes", n, len(message))
		}
		c.written <- err
		if err != nil {
			continue
		}
		n, err = c.file.Read(buf)
		got := bytes.Clone(buf[:n])
		if err == nil && len(c.end) > 0 && !bytes.HasSuffix(got, c.end) {
			got = append(got, c.end...)
		}
		c.replies <- reply{got, err}
	}
}

// Read gives the reply that is owed; nothing is read unasked.
func (c *carrier) Read(p []byte, wait time.Duration) (int, error) {
	if len(c.rest) > 0 {
		n := copy(p, c.rest)
		c.rest = c.rest[n:]
		return n, nil
	}
	timer := time.NewTimer(wait)
	defer timer.Stop()
	var replies chan reply
	if c.owed {
		replies = c.replies
		select { // one that is there is taken even without a wait
		case r := <-replies:
			return c.take(p, r)
		default:
		}
	}
	select {
	case r := <-replies:
		return c.take(p, r)
	case <-timer.C:
		return 0, nil
	}
}

func (c *carrier) take(p []byte, r reply) (int, error) {
	c.owed = false
	if errors.Is(r.err, unix.ETIMEDOUT) || errors.Is(r.err, os.ErrDeadlineExceeded) {
		return 0, nil // the kernel's wait is over; the caller's own goes on
	}
	if r.err != nil {
		return 0, r.err
	}
	n := copy(p, r.bytes)
	c.rest = r.bytes[n:]
	return n, nil
}

// Write sends p as one message.
func (c *carrier) Write(p []byte, wait time.Duration) (int, error) {
	timer := time.NewTimer(wait)
	defer timer.Stop()
	if c.writing { // an earlier one, which was given up
		select {
		case err := <-c.written:
			if c.writing = false; err != nil {
				return 0, err
			}
			c.owed = true
		case <-timer.C:
			return 0, drivers.ErrTimeout
		}
	}
	if c.owed {
		select {
		case r := <-c.replies: // too late to be of use
			if _, err := c.take(nil, r); err != nil {
				return 0, err
			}
			c.rest = nil
		case <-timer.C:
			return 0, fmt.Errorf("%w: the device still waits for its last reply", drivers.ErrTimeout)
		}
	}
	c.asked <- bytes.Clone(p)
	c.writing = true
	select {
	case err := <-c.written:
		c.writing, c.owed = false, err == nil
		if err != nil {
			return 0, err
		}
		return len(p), nil
	case <-timer.C:
		return 0, drivers.ErrTimeout
	}
}

// Drop can do nothing: a message is taken whole or not at all.
func (c *carrier) Drop() {}

// Close closes the device and waits until the kernel has let go of it.
func (c *carrier) Close() error {
	err := c.file.Close()
	close(c.asked)
	<-c.done
	return err
}
