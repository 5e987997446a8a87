// Package contact reads contacts: things outside that are on or off, such as a switch
// at a door. A contact is a digital line that the kernel shows as a file, or a coil
// or discrete input of a Modbus server. What was read is told as it was; nothing is
// cached, and there is no opinion on what it means.
package contact

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"time"

	"ovenward/drivers"
)

// Reader reads a contact. One goroutine uses it.
type Reader interface {
	// Read asks once, and waits no longer than its time-out or ctx. After an error the
	// next Read begins anew.
	Read(ctx context.Context) (on bool, err error)
	Close() error
}

// File reads a digital line from a file that holds 0 or 1, as the kernel shows a line
// of a GPIO chip.
func File(path string) Reader { return &file{path: path} }

type file struct {
	path string
	open *os.File
}

// Read asks the kernel anew: the file is read from its begin each time.
func (f *file) Read(context.Context) (bool, error) {
	if f.open == nil {
		o, err := os.Open(f.path)
		if err != nil {
			return false, fmt.Errorf("open the digital line: %w", err)
		}
		f.open = o
	}
	var b [16]byte
	n, err := f.open.ReadAt(b[:], 0)
	if err != nil && !errors.Is(err, io.EOF) {
		return false, errors.Join(fmt.Errorf("read the digital line: %w", err), f.Close())
	}
	switch text := string(bytes.TrimSpace(b[:n])); text {
	case "0":
		return false, nil
	case "1":
		return true, nil
	default:
		return false, fmt.Errorf("read the digital line %s: it says %q, want 0 or 1: name the file that shows its value", f.path, text)
	}
}

func (f *file) Close() error {
	if f.open == nil {
		return nil
	}
	o := f.open
	f.open = nil
	return o.Close()
}

// Asker makes the question for a contact and reads the answer.
type Asker interface {
	Request() []byte
	Split(buf []byte) (advance int, frame []byte)
	On(frame []byte) (bool, error)
}

// Ask reads a contact over a link, which it opens when it needs it.
func Ask(dial drivers.Dialer, a Asker, timeout time.Duration, now func() time.Time) Reader {
	return &asked{dial: dial, asker: a, timeout: timeout, now: now}
}

type asked struct {
	dial    drivers.Dialer
	asker   Asker
	timeout time.Duration
	now     func() time.Time
	link    drivers.Link
	frames  []drivers.Frame
}

func (a *asked) Read(ctx context.Context) (on bool, err error) {
	if a.link == nil {
		if a.link, err = a.dial(ctx); err != nil {
			return false, fmt.Errorf("reach the contact: %w", err)
		}
	}
	defer func() {
		if err != nil {
			err = errors.Join(err, a.Close())
		}
	}()
	deadline := a.now().Add(a.timeout)
	if _, _, err = a.link.Send(a.asker.Request(), deadline); err != nil {
		return false, fmt.Errorf("ask the contact: %w", err)
	}
	if a.frames, err = a.link.Receive(a.asker.Split, deadline, a.frames[:0]); err != nil {
		return false, fmt.Errorf("hear the contact: %w", err)
	}
	if on, err = a.asker.On(a.frames[len(a.frames)-1].Bytes); err != nil {
		return false, fmt.Errorf("understand the contact: %w", err)
	}
	return on, nil
}

func (a *asked) Close() error {
	if a.link == nil {
		return nil
	}
	l := a.link
	a.link = nil
	return l.Close()
}
