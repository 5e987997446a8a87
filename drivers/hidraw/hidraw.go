// Package hidraw is the Link over a USB human interface device as Linux shows it
// raw (/dev/hidrawN): one read is one report, one write is one report to the
// device. Reports travel in the envelopes of package hid, which keeps them apart.
//
// It has been tested over stand-ins for the device file, and has not been tried on
// hardware. What a report means is not its matter. Linux only.
package hidraw

import (
	"errors"
	"io"
	"os"
	"time"

	"ovenward/drivers"
	"ovenward/drivers/devfile"
	"ovenward/drivers/hid"
	"ovenward/drivers/stream"
)

// maxReport is more than any report has, in bytes.
const maxReport = 4096

// Dial returns the Dialer of the device that o describes. Line and Waits are its
// own to say.
func Dial(o devfile.Options) drivers.Dialer {
	o.Line = func(f *os.File) stream.Line { return &carrier{file: f} }
	return devfile.Dial(o)
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
