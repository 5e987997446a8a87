// Package tcplink is the Link over a raw TCP connection, as serial servers and
// some instruments offer: bytes pass as they are, nothing is negotiated.
//
// Times are instants of the clock in Options. It is the only package between
// probe and record that imports net, and it can hold up nothing but the one
// probe that is reached through it: each wait has a deadline. It must not listen,
// and must not look up or reach anything but the address it was given.
package tcplink

import (
	"context"
	"errors"
	"fmt"
	"net"
	"os"
	"strconv"
	"strings"
	"time"

	"ovenward/drivers"
	"ovenward/drivers/stream"
)

// Prefix begins the name of a port that is reached by TCP.
const Prefix = "tcp://"

// Options describe a connection. Names in the errors are those of the
// configuration.
type Options struct {
	Port   string        // "tcp://host:port"
	Settle time.Duration // from connecting to the first byte sent; what comes before its end is dropped
	Quiet  time.Duration // silence before a request
	Tap    stream.Tap    // sees all that passes; may be nil
	Now    func() time.Time
}

const (
	patience  = 5 * time.Second  // for a connection to come about
	keepAlive = 10 * time.Second // between probes of a silent connection
)

// Address reads "tcp://host:port".
func Address(port string) (string, error) {
	address, ok := strings.CutPrefix(port, Prefix)
	host, number, err := net.SplitHostPort(address)
	n, numberErr := strconv.ParseUint(number, 10, 16)
	if !ok || err != nil || host == "" || numberErr != nil || n == 0 || strings.ContainsAny(host, " /@?#") {
		return "", fmt.Errorf(`%q is no TCP port: write "tcp://host:port", with a port from 1 to 65535`, port)
	}
	return address, nil
}

// Dial returns the Dialer of the connection that o describes. A host that is not
// there, or refuses, is drivers.ErrAbsent.
func Dial(o Options) drivers.Dialer {
	return func(ctx context.Context) (drivers.Link, error) {
		address, err := Address(o.Port)
		if err != nil {
			return nil, err
		}
		d := net.Dialer{Timeout: patience, KeepAliveConfig: net.KeepAliveConfig{
			Enable: true, Idle: keepAlive, Interval: keepAlive, Count: 3}}
		conn, err := d.DialContext(ctx, "tcp", address)
		if err != nil {
			return nil, fmt.Errorf("connect to %s: %w (%v); check the address, and whether the serial server is up and lets another client in",
				o.Port, drivers.ErrAbsent, err)
		}
		if o.Settle > 0 {
			timer := time.NewTimer(o.Settle)
			defer timer.Stop()
			select {
			case <-timer.C:
			case <-ctx.Done():
				return nil, errors.Join(fmt.Errorf("wait for the instrument on %s to settle: %w", o.Port, ctx.Err()), conn.Close())
			}
		}
		l := stream.New(stream.Options{Name: o.Port, Quiet: o.Quiet, Tap: o.Tap, Now: o.Now}, &carrier{conn})
		if _, _, err := l.Send(nil, time.Time{}); err != nil { // drops what came before
			return nil, errors.Join(err, l.Close())
		}
		return l, nil
	}
}

// carrier is the stream.Line over a connection.
type carrier struct{ conn net.Conn }

// shortest is the least wait that still reads what has come: a deadline that is
// past reads nothing.
const shortest = 200 * time.Microsecond

func (c *carrier) Read(p []byte, wait time.Duration) (int, error) {
	if err := c.conn.SetReadDeadline(time.Now().Add(max(wait, shortest))); err != nil {
		return 0, err
	}
	n, err := c.conn.Read(p)
	if n > 0 || errors.Is(err, os.ErrDeadlineExceeded) {
		return n, nil
	}
	return n, err
}

func (c *carrier) Write(p []byte, wait time.Duration) (int, error) {
	if err := c.conn.SetWriteDeadline(time.Now().Add(wait)); err != nil {
		return 0, err
	}
	n, err := c.conn.Write(p)
	switch {
	case errors.Is(err, os.ErrDeadlineExceeded) && n > 0:
		// Half a request is on its way and cannot be called back: begin anew.
		return n, fmt.Errorf("%w: the other end took %d of %d bytes in time", drivers.ErrGone, n, len(p))
	case errors.Is(err, os.ErrDeadlineExceeded):
		return 0, drivers.ErrTimeout
	}
	return n, err
}

// Drop can do nothing: what a connection took is on its way.
func (c *carrier) Drop() {}

// Close cuts the connection without waiting for what has not left.
func (c *carrier) Close() error {
	if t, ok := c.conn.(*net.TCPConn); ok {
		_ = t.SetLinger(0) // a connection that cannot is closed all the same
	}
	return c.conn.Close()
}
