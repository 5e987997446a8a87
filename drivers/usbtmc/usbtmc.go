// Package usbtmc is the Link over a USB test and measurement device as Linux shows
// it (/dev/usbtmcN): one write is one message to the instrument, one read is its
// reply. What the messages mean is a Protocol's matter: lines of text, or SCPI.
//
// It has been tested over stand-ins for the device file, and has not been tried on
// hardware. It reads only after a request, since an instrument that is read
// unasked counts that as an error of ours. Linux only.
package usbtmc

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"syscall"
	"time"

	"ovenward/drivers"
	"ovenward/drivers/devfile"
	"ovenward/drivers/stream"
)

// maxReply bounds a reply, in bytes.
const maxReply = 32 << 10

// Dial returns the Dialer of the device that o describes; Line and Waits are its
// own to say. end is what ends a line; it is added to a reply that lacks it, since
// the end of the message is one too.
func Dial(o devfile.Options, end string) drivers.Dialer {
	o.Waits = true
	o.Line = func(f *os.File) stream.Line {
		boundWait(f)
		return newCarrier(f, end)
	}
	return devfile.Dial(o)
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
	if errors.Is(r.err, syscall.ETIMEDOUT) || errors.Is(r.err, os.ErrDeadlineExceeded) {
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
