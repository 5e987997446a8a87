package simulate

import (
	"context"
	"errors"
	"fmt"
	"io"
	"sync"

	"ovenward/drivers"
)

// outlet is where a client reaches one probe.
type outlet struct {
	line io.ReadWriteCloser // the instrument's end
	path string             // of the tty; empty in process
	dial drivers.Dialer     // in process; nil with a tty
}

// Listen opens a line for each probe: a pty, or an in-process pipe where ptys
// do not exist or the options ask for one. It may be called again and does
// nothing then. After it, Run or Close must be called.
func (k *Kitchen) Listen() error {
	k.mu.Lock()
	defer k.mu.Unlock()
	if k.closed {
		return errors.New("opening lines for a simulated kitchen that has ended: build a new one")
	}
	if k.outlet != nil {
		return nil
	}
	outlets := make([]outlet, 0, len(k.probes))
	for range k.probes {
		outlets = append(outlets, k.open())
	}
	k.outlet = outlets
	return nil
}

func (k *Kitchen) open() outlet {
	if !k.options.InProcess {
		// Why there is no pty matters to nobody: InProcess tells that there is none.
		if port, err := Listen(); err == nil {
			return outlet{line: port, path: port.Path()}
		}
	}
	line, dial := Pipe(k.options.Now)
	return outlet{line: line, dial: dial}
}

// Port tells how to reach a probe after Listen: by the path of a tty, to be
// opened as a serial port, or, where path is empty, by dial within this
// process. Both are empty for a probe that is not there.
func (k *Kitchen) Port(probe string) (path string, dial drivers.Dialer) {
	k.mu.Lock()
	defer k.mu.Unlock()
	for i, o := range k.outlet {
		if k.probes[i].spec.ID == probe {
			return o.path, o.dial
		}
	}
	return "", nil
}

// InProcess tells whether a probe is served without a tty, after Listen.
func (k *Kitchen) InProcess() bool {
	k.mu.Lock()
	defer k.mu.Unlock()
	for _, o := range k.outlet {
		if o.path == "" {
			return true
		}
	}
	return false
}

// Run serves all probes (calling Listen if nobody has) until ctx ends, which
// gives nil, or one of their lines fails. Every line is closed and every
// goroutine has ended when it returns. A kitchen runs once.
func (k *Kitchen) Run(ctx context.Context) error {
	if err := k.Listen(); err != nil {
		return err
	}
	k.mu.Lock()
	outlets := k.outlet
	running := k.closed
	k.closed = true // from here on the lines belong to the goroutines below
	k.mu.Unlock()
	if running {
		return errors.New("running a simulated kitchen that has been run: build a new one")
	}
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	var all sync.WaitGroup
	failed := make([]error, len(k.probes))
	for i, p := range k.probes {
		all.Go(func() {
			failed[i] = p.Serve(ctx, outlets[i].line)
			cancel()
		})
	}
	all.Wait()
	if err := errors.Join(failed...); err != nil {
		return fmt.Errorf("running the simulated kitchen: %w", err)
	}
	return nil
}

// Close gives back the lines of a kitchen that Listen has opened and that will
// not run. It does nothing to one that has run.
func (k *Kitchen) Close() error {
	k.mu.Lock()
	defer k.mu.Unlock()
	if k.closed {
		return nil
	}
	k.closed = true
	var failed []error
	for _, o := range k.outlet {
		failed = append(failed, o.line.Close())
	}
	return errors.Join(failed...)
}
