package serialport

import (
	"errors"
	"time"
)

// carrier is the stream.Line over a serial port. It turns panics of the library
// into errors.
type carrier struct {
	port    port
	hold    *hold
	timeout time.Duration // as last set on the port
}

func newCarrier(p port, h *hold) *carrier { return &carrier{port: p, hold: h, timeout: -2} }

// Read reads once and waits no longer than wait.
func (l *carrier) Read(p []byte, wait time.Duration) (n int, err error) {
	defer rescue(&err)
	if wait = max(wait, shortestWait); wait != l.timeout {
		if err := l.port.SetReadTimeout(wait); err != nil {
			return 0, err
		}
		l.timeout = wait
	}
	return l.port.Read(p)
}

// Write writes what the port takes.
func (l *carrier) Write(p []byte, wait time.Duration) (n int, err error) {
	defer rescue(&err)
	return l.hold.write(l.port, p, wait)
}

// Drop drops output. A port that cannot do so is closed or in trouble, which
// the next call tells.
func (l *carrier) Drop() {
	var err error
	defer rescue(&err)
	_ = l.port.ResetOutputBuffer()
}

// Close closes the port, then gives up the lock.
func (l *carrier) Close() error { return errors.Join(l.closePort(), l.hold.close()) }

func (l *carrier) closePort() (err error) {
	defer rescue(&err)
	return l.port.Close()
}
