// Package drivers says what every instrument driver is: a Protocol, which is
// pure (bytes in, bytes out), and a Link, which carries the bytes and stamps
// them. A driver emits what the device said, when it said it: no caching, no
// gap filling, no derived values, no unit conversion. Units travel as the
// words the device used; numbers travel as the decimal digits it sent.
//
// Package drivers knows nothing of acquire, and must not.
package drivers

import (
	"context"
	"errors"
	"time"
)

// Protocol speaks one instrument's language. It does no input or output, asks
// no clock and keeps no state, so it can be fuzzed alone and shared freely.
type Protocol interface {
	// Request returns the bytes that ask for one reading, or nothing when the
	// instrument talks by itself. The caller must not change them.
	Request() []byte

	// Split finds the first whole frame in buf. It returns how many bytes to
	// consume and the frame without its terminator, a part of buf. (0, nil)
	// asks for more bytes; (n, nil) drops n bytes that can hold no frame. A
	// frame that grows past its bound is handed out as it is, for Parse to
	// refuse, so that nothing received goes unseen.
	Split(buf []byte) (advance int, frame []byte)

	// Parse reads one frame into r, which is large and used again: nothing of what was there
	// stays. An error means that the frame holds no reading, and r means nothing then; over-range and
	// fault are readings, not errors. Parse keeps no reference to frame.
	Parse(frame []byte, r *Reading) error
}

// Reading is one answer of an instrument, as it was said.
type Reading struct {
	Value Decimal // the number said
	Unit  string  // the unit as said, or as the configuration states it

	HasValue bool // false when the instrument said a status but no number
	HasAxes  bool // a total is not the driver's to make: Value is what was said as one
	HasTemp  bool
	Status   Status

	Axes        [3]Decimal // what it said of each axis, in Unit
	Temperature Decimal    // of the instrument, in TemperatureUnit
	// TemperatureUnit is "°C" (also when it is empty), "°F" or "K".
	TemperatureUnit string
	Battery         Decimal
	BatteryUnit     string // "V" or "%"; empty: nothing was said
}

// Identity is who an instrument says it is.
type Identity struct {
	Maker, Model, Serial, Firmware string
}

// Identified is a Protocol whose instrument can be asked who it is. It is asked
// at every connect, before anything else.
type Identified interface {
	IdentityRequest() []byte
	// ParseIdentity reads a frame that Split found after that request.
	ParseIdentity(frame []byte) (Identity, error)
}

// Troubled is a Protocol whose instrument keeps a list of its own errors.
type Troubled interface {
	TroubleRequest() []byte
	// ParseTrouble reads one entry; an empty text says that the list is empty.
	ParseTrouble(frame []byte) (text string, err error)
}

// Status holds what an instrument says of its own reading; 0 is a plain one.
type Status uint8

const (
	OverRange  Status = 1 << iota // the field is above what the instrument can show
	Fault                         // the instrument declares itself unfit
	BatteryLow                    // the battery wants changing; the value still counts
)

// Frame is one whole answer with the instants that bound when it was made.
type Frame struct {
	Bytes    []byte    // without terminator; valid until the link's next call
	Departed time.Time // when the request left; zero for an instrument that talks by itself
	Arrived  time.Time // when the first byte of the frame was seen
	Behind   int       // bytes that were seen with it in one read, from that first one on; 0: not known
}

// Link carries frames to and from one instrument. One goroutine owns it; only
// that goroutine may call it.
type Link interface {
	// Send drops what arrived unasked (dropped says how many bytes), then
	// writes request whole before the deadline, and says when it left.
	Send(request []byte, deadline time.Time) (departed time.Time, dropped int, err error)

	// Receive waits until at least one frame is whole, or the deadline passes
	// (ErrTimeout), and appends to dst all frames that are whole by then.
	// Bytes of a frame still growing are kept for the next call.
	Receive(split func(buf []byte) (advance int, frame []byte), deadline time.Time, dst []Frame) ([]Frame, error)

	// Close gives the port back. It may be called twice.
	Close() error
}

// Dialer opens a link. It gives up when ctx ends.
type Dialer func(ctx context.Context) (Link, error)

// What can be wrong with a link. Errors that Dialer and Link return wrap one
// of these where it applies; the text says what was attempted and what to do.
var (
	ErrTimeout = errors.New("no answer in time")
	ErrGone    = errors.New("the port went away")
	ErrAbsent  = errors.New("no such port")
	ErrBusy    = errors.New("the port is in use")
)
