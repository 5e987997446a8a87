//go:build !unix

package serialport

import (
	"io"
	"time"
)

// hold holds nothing here: the system opens a port for one process only.
type hold struct{}

func holdPort(string) (*hold, error) { return &hold{}, nil }

func (h *hold) reserve() error { return nil }

func (h *hold) closeOnExec() {}

// write leaves the wait to the system. Flow control is off, so that the driver
// takes a request into its buffer at once.
func (h *hold) write(p port, b []byte, _ time.Duration) (int, error) {
	n, err := p.Write(b)
	if n == 0 && err == nil {
		err = io.ErrShortWrite
	}
	return n, err
}

func (h *hold) close() error { return nil }

// shortestWait is the least read time-out that the system keeps.
const shortestWait = time.Millisecond
