// Package serialport is the Link over a serial line: it opens a port by its
// path, holds it against everybody else, carries bytes and stamps them.
//
// Times are instants of the clock in Options; rates are in baud, widths in
// bits. The package is the only one that knows go.bug.st/serial. It does not
// look for ports, since opening a port to see what it is disturbs instruments
// that are in use, and it knows nothing of what the bytes mean.
package serialport

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"syscall"
	"time"

	"go.bug.st/serial"

	"ovenward/drivers"
	"ovenward/drivers/stream"
)

// Options describe a port. Names in the errors are those of the configuration.
type Options struct {
	Path string // as the system names it: /dev/ttyUSB0, COM3; a link is followed
	// Resolve, where set, is asked at every opening where the port is now; Path
	// is then only its name in errors.
	Resolve func() (string, error)

	Baud     int    // default 9600
	DataBits int    // 5 to 8; default 8
	Parity   string // none (default), even, odd, mark, space
	StopBits string // 1 (default), 1.5, 2

	// DTR and RTS set the lines after opening; nil leaves them as the system
	// sets them. A port that lacks a line which is asked for is not opened.
	DTR, RTS *bool

	// Settle is how long to wait after opening, for instruments that restart
	// when the port is opened. What comes before its end is dropped.
	Settle time.Duration

	// Quiet is how long the line must have been silent before a request.
	Quiet time.Duration

	Tap stream.Tap // sees all that passes after the opening; may be nil

	// Now stamps requests and frames, and is the clock of the deadlines; it
	// must run at the rate of real time. Default time.Now.
	Now func() time.Time

	// Sysfs is where the system tells of its devices; default /sys.
	Sysfs string
}

// port is what is used of a serial.Port.
type port interface {
	Read(p []byte) (int, error)
	Write(p []byte) (int, error)
	SetReadTimeout(d time.Duration) error
	ResetInputBuffer() error
	ResetOutputBuffer() error
	SetDTR(on bool) error
	SetRTS(on bool) error
	Close() error
}

// Check joins all that is wrong with o, as far as can be told without the port.
func (o Options) Check() error {
	var errs []error
	if o.Path == "" {
		errs = append(errs, errors.New("path: name the port, such as /dev/ttyUSB0"))
	}
	if o.Baud < 0 {
		errs = append(errs, fmt.Errorf("baud: %d, want a rate such as 9600", o.Baud))
	}
	if o.Quiet < 0 {
		errs = append(errs, fmt.Errorf("quiet: %v, want 0 s or more", o.Quiet))
	}
	if o.Settle < 0 {
		errs = append(errs, fmt.Errorf("settle: %v, want 0 s or more", o.Settle))
	}
	_, err := o.mode()
	return errors.Join(append(errs, err)...)
}

func (o Options) mode() (*serial.Mode, error) {
	m := &serial.Mode{BaudRate: o.Baud, DataBits: o.DataBits}
	if m.BaudRate == 0 {
		m.BaudRate = 9600
	}
	if m.DataBits == 0 {
		m.DataBits = 8
	}
	var errs []error
	if m.DataBits < 5 || m.DataBits > 8 {
		errs = append(errs, fmt.Errorf("data_bits: %d, want 5 to 8", o.DataBits))
	}
	switch o.Parity {
	case "", "none":
		m.Parity = serial.NoParity
	case "even":
		m.Parity = serial.EvenParity
	case "odd":
		m.Parity = serial.OddParity
	case "mark":
		m.Parity = serial.MarkParity
	case "space":
		m.Parity = serial.SpaceParity
	default:
		errs = append(errs, fmt.Errorf("parity: %q, want none, even, odd, mark or space", o.Parity))
	}
	switch o.StopBits {
	case "", "1":
		m.StopBits = serial.OneStopBit
	case "1.5":
		m.StopBits = serial.OnePointFiveStopBits
	case "2":
		m.StopBits = serial.TwoStopBits
	default:
		errs = append(errs, fmt.Errorf("stop_bits: %q, want 1, 1.5 or 2", o.StopBits))
	}
	return m, errors.Join(errs...)
}

// Dial returns the Dialer of the port that o describes. Its errors wrap
// drivers.ErrAbsent, drivers.ErrBusy or drivers.ErrGone where these apply.
func Dial(o Options) drivers.Dialer {
	return func(ctx context.Context) (drivers.Link, error) {
		l, err := dial(ctx, o, openSerial)
		if err != nil {
			return nil, err
		}
		return l, nil
	}
}

func openSerial(path string, m *serial.Mode) (port, error) {
	p, err := serial.Open(path, m)
	if err != nil {
		return nil, err
	}
	return p, nil
}

type opener func(path string, m *serial.Mode) (port, error)

func dial(ctx context.Context, o Options, open opener) (*stream.Link, error) {
	if err := o.Check(); err != nil {
		return nil, fmt.Errorf("open %q: %w", o.Path, err)
	}
	if err := ctx.Err(); err != nil {
		return nil, fmt.Errorf("open %s: %w", o.Path, err)
	}
	m, err := o.mode()
	if err != nil {
		return nil, err
	}
	if o.Resolve != nil {
		if o.Path, err = o.Resolve(); err != nil {
			return nil, err
		}
	}
	hold, err := holdPort(o.Path)
	if err != nil {
		return nil, explain(o.Path, err)
	}
	p, err := guardedOpen(open, o.Path, m, hold)
	if err != nil {
		return nil, errors.Join(explain(o.Path, err), hold.close())
	}
	if p, err = hold.waited(p); err != nil {
		return nil, fmt.Errorf("open %s: %w", o.Path, errors.Join(err, p.Close(), hold.close()))
	}
	l := newCarrier(p, hold)
	if err := l.prepare(ctx, o); err != nil {
		l.Drop()
		return nil, errors.Join(err, l.Close())
	}
	return stream.New(stream.Options{Name: o.Path, Quiet: o.Quiet, Tap: o.Tap, Now: o.Now, Timing: timingOf(o.Path, o.Sysfs, m)}, l), nil
}

// guardedOpen opens the port by the library and turns a panic into an error.
func guardedOpen(open opener, path string, m *serial.Mode, hold *hold) (p port, err error) {
	defer rescue(&err)
	if err := hold.reserve(); err != nil {
		return nil, err
	}
	p, err = open(path, m)
	hold.closeOnExec()
	return p, err
}

// prepare sets the lines, waits for the instrument to settle, and drops what
// came before, which is older than any stamp it could be given.
func (l *carrier) prepare(ctx context.Context, o Options) (err error) {
	defer rescue(&err)
	if o.DTR != nil {
		if err := l.port.SetDTR(*o.DTR); err != nil {
			return fmt.Errorf("set dtr of %s: %w; leave dtr out if the port has no such line", o.Path, err)
		}
	}
	if o.RTS != nil {
		if err := l.port.SetRTS(*o.RTS); err != nil {
			return fmt.Errorf("set rts of %s: %w; leave rts out if the port has no such line", o.Path, err)
		}
	}
	if o.Settle > 0 {
		timer := time.NewTimer(o.Settle)
		defer timer.Stop()
		select {
		case <-timer.C:
		case <-ctx.Done():
			return fmt.Errorf("wait for the instrument on %s to settle: %w", o.Path, ctx.Err())
		}
	}
	if err := l.port.ResetInputBuffer(); err != nil {
		return fmt.Errorf("flush %s: %w (%v); check plug, cable and power of the instrument", o.Path, drivers.ErrGone, err)
	}
	return nil
}

// explain says what an error of opening means and what to do.
func explain(path string, err error) error {
	var pe *serial.PortError
	code := serial.PortErrorCode(-1)
	if errors.As(err, &pe) {
		code = pe.Code()
	}
	switch {
	case errors.Is(err, fs.ErrNotExist), errors.Is(err, syscall.ENXIO), errors.Is(err, syscall.ENODEV),
		code == serial.PortNotFound:
		return fmt.Errorf("open %s: %w; plug the instrument in, or correct the path", path, drivers.ErrAbsent)
	case errors.Is(err, errHeld), errors.Is(err, syscall.EBUSY), code == serial.PortBusy:
		return fmt.Errorf("%w: %s is held by another process; stop it or choose another port", drivers.ErrBusy, path)
	case errors.Is(err, fs.ErrPermission), code == serial.PermissionDenied:
		return fmt.Errorf("open %s: %w; add the user that runs ovenward to the group dialout "+
			"(or to the group that owns the port) and log in anew", path, fs.ErrPermission)
	case code == serial.InvalidSerialPort:
		return fmt.Errorf("open %s: not a serial port, or it refuses these settings: %w", path, err)
	}
	return fmt.Errorf("open %s: %w", path, err)
}

// errHeld says that the lock on the port is taken.
var errHeld = errors.New("locked")

// rescue turns a panic of the serial library into an error.
func rescue(err *error) {
	if r := recover(); r != nil {
		*err = fmt.Errorf("%w: the serial library failed: %v", drivers.ErrGone, r)
	}
}
