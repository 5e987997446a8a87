// Package stream is the Link over anything that carries a stream of bytes: it
// keeps deadlines, stamps what leaves and arrives, gathers bytes into frames,
// and holds the silence that an instrument wants before a request.
//
// Times are instants of the clock in Options. The package opens nothing and
// knows neither ports nor networks, nor what the bytes mean; the Line below it
// does the one, the Protocol above it the other.
package stream

import (
	"errors"
	"fmt"
	"io/fs"
	"time"

	"ovenward/drivers"
)

const (
	// BufferSize bounds in bytes what is held of unfinished frames.
	BufferSize = 64 << 10

	// drainRounds bounds the reads, of up to 4 kB each, by which Send drops
	// what arrived unasked, for an instrument may talk without end.
	drainRounds = 256

	// emptyReads is how many reads may return nothing before their time is up.
	// A port that was pulled out does so without end on some systems.
	emptyReads = 100
)

// Line carries bytes one way and the other. It is used by one goroutine.
type Line interface {
	// Read reads what has come, and waits no longer than wait for anything;
	// (0, nil) says that nothing came.
	Read(p []byte, wait time.Duration) (int, error)

	// Write writes what is taken at once, and waits no longer than wait for
	// anything to be taken. (0, nil) asks to try again; drivers.ErrTimeout says
	// that nothing was taken.
	Write(p []byte, wait time.Duration) (int, error)

	// Drop forgets what was written and has not left, where it can.
	Drop()

	// Close gives the line back.
	Close() error
}

// Tap is shown all bytes that pass, as they pass: sent to the instrument or not,
// and when. It must keep no reference to b, and must not wait.
type Tap func(sent bool, b []byte, at time.Time)

// Options describe a link.
type Options struct {
	Name string // of the port, in errors

	// Quiet is how long the line must have been silent before a request is
	// written, both ways. What comes meanwhile is dropped as unasked.
	Quiet time.Duration

	Tap Tap // may be nil

	// Timing is what the line does to instants; zero: nothing is known.
	Timing drivers.Timing

	// Now stamps requests and frames, and is the clock of the deadlines; it
	// must run at the rate of real time. Default time.Now.
	Now func() time.Time
}

// Link is the drivers.Link over a Line.
type Link struct {
	path  string
	line  Line
	now   func() time.Time
	quiet time.Duration
	tap   Tap

	buf        []byte
	start, end int    // buf[start:end] is received and not handed out
	marks      []mark // when the bytes of buf came, by rising position

	departed time.Time // when the last request left
	active   time.Time // when the line last carried anything; not zero once it did
	timing   drivers.Timing
	closed   bool
}

// mark says that the bytes from position from on were seen at the instant at.
type mark struct {
	from int
	at   time.Time
}

// New returns the link over line, which it owns from now on.
func New(o Options, line Line) *Link {
	l := &Link{path: o.Name, line: line, now: o.Now, quiet: o.Quiet, tap: o.Tap, timing: o.Timing, buf: make([]byte, BufferSize)}
	if l.now == nil {
		l.now = time.Now
	}
	return l
}

// Timing implements drivers.Timed.
func (l *Link) Timing() drivers.Timing { return l.timing }

// Send implements drivers.Link. The instant of departure is that just before
// the last bytes were given to the system, so that it is never after the true
// one. An empty request only drops what arrived.
func (l *Link) Send(request []byte, deadline time.Time) (departed time.Time, dropped int, err error) {
	if l.closed {
		return time.Time{}, 0, l.afterClose("write")
	}
	dropped = l.end - l.start
	l.start, l.end, l.marks = 0, 0, l.marks[:0]
	l.departed = time.Time{}
	more, err := l.drain()
	dropped += more
	if err != nil || len(request) == 0 {
		return time.Time{}, dropped, err
	}
	more, err = l.hush(deadline)
	dropped += more
	if err != nil {
		return time.Time{}, dropped, err
	}
	if departed, err = l.write(request, deadline); err != nil {
		return time.Time{}, dropped, err
	}
	l.departed, l.active = departed, departed
	return departed, dropped, nil
}

// drain drops what has arrived.
func (l *Link) drain() (dropped int, err error) {
	for range drainRounds {
		n, err := l.line.Read(l.buf, 0)
		if err != nil {
			return dropped, l.gone("read", err)
		}
		if n == 0 {
			break
		}
		l.saw(l.buf[:n])
		dropped += n
	}
	return dropped, nil
}

// saw notes that b has come just now.
func (l *Link) saw(b []byte) {
	l.active = l.now()
	if l.tap != nil {
		l.tap(false, b, l.active)
	}
}

// hush waits until the line has been silent for the quiet time.
func (l *Link) hush(deadline time.Time) (dropped int, err error) {
	if l.quiet <= 0 || l.active.IsZero() {
		return 0, nil
	}
	for {
		now := l.now()
		left := l.active.Add(l.quiet).Sub(now)
		if left <= 0 {
			return dropped, nil
		}
		if !now.Before(deadline) {
			return dropped, fmt.Errorf("write %s: %w: the line was never quiet for %v; lengthen timeout, or look at what talks on it",
				l.path, drivers.ErrTimeout, l.quiet)
		}
		n, err := l.line.Read(l.buf, min(left, deadline.Sub(now)))
		if err != nil {
			return dropped, l.gone("read", err)
		}
		if n > 0 {
			l.saw(l.buf[:n])
			dropped += n
		}
	}
}

// write gives request to the system whole, before the deadline.
func (l *Link) write(request []byte, deadline time.Time) (departed time.Time, err error) {
	for sent := 0; sent < len(request); {
		departed = l.now()
		left := deadline.Sub(departed)
		var n int
		if left > 0 {
			n, err = l.line.Write(request[sent:], left)
			if n > 0 && l.tap != nil {
				l.tap(true, request[sent:sent+n], departed)
			}
			sent += n
		} else {
			err = drivers.ErrTimeout
		}
		switch {
		case errors.Is(err, drivers.ErrTimeout):
			l.line.Drop() // half a request must not go out before the next one
			return time.Time{}, fmt.Errorf("write %s: %w: the port took %d of %d bytes; check the cable and the instrument",
				l.path, drivers.ErrTimeout, sent, len(request))
		case err != nil:
			return time.Time{}, l.gone("write", err)
		}
	}
	return departed, nil
}

// Receive implements drivers.Link. All frames that follow a request carry its
// departure. A frame's arrival is the instant of the read that brought the
// first byte of what split consumed for it.
func (l *Link) Receive(split func([]byte) (int, []byte), deadline time.Time, dst []drivers.Frame) ([]drivers.Frame, error) {
	if l.closed {
		return dst, l.afterClose("read")
	}
	l.compact()
	frames := l.cut(split, dst)
	for empty := 0; len(frames) == len(dst); {
		l.compact() // nothing is handed out yet
		left := max(deadline.Sub(l.now()), 0)
		n, err := l.line.Read(l.buf[l.end:], left)
		if err != nil {
			return dst, l.gone("read", err)
		}
		if n > 0 {
			empty = 0
			l.saw(l.buf[l.end : l.end+n])
			l.marks = append(l.marks, mark{l.end, l.active})
			l.end += n
			frames = l.cut(split, dst)
		} else if empty++; empty > emptyReads {
			return dst, l.gone("read", errors.New("reads return nothing at once"))
		}
		if len(frames) == len(dst) && left == 0 {
			return dst, l.silent()
		}
	}
	return frames, nil
}

// compact moves the unfinished frame to the front of the buffer and keeps the
// marks of its bytes.
func (l *Link) compact() {
	if l.start == 0 {
		return
	}
	copy(l.buf, l.buf[l.start:l.end])
	kept := l.marks[:0]
	for i, m := range l.marks {
		if m.from >= l.end || i+1 < len(l.marks) && l.marks[i+1].from <= l.start {
			continue
		}
		kept = append(kept, mark{max(m.from-l.start, 0), m.at})
	}
	l.start, l.end, l.marks = 0, l.end-l.start, kept
	if l.end == 0 {
		l.marks = l.marks[:0]
	}
}

// cut hands out the frames that are whole. A buffer full of one unfinished
// frame is handed out as it is, so that the protocol refuses it.
func (l *Link) cut(split func([]byte) (int, []byte), dst []drivers.Frame) []drivers.Frame {
	for i := 0; l.start < l.end; {
		rest := l.buf[l.start:l.end:l.end]
		n, frame := split(rest)
		if n <= 0 && len(rest) == len(l.buf) {
			n, frame = len(rest), rest
		}
		if n <= 0 {
			break
		}
		for i+1 < len(l.marks) && l.marks[i+1].from <= l.start {
			i++
		}
		if frame != nil {
			read := l.end // where the read ends that brought the first byte
			if i+1 < len(l.marks) {
				read = l.marks[i+1].from
			}
			dst = append(dst, drivers.Frame{Bytes: frame, Departed: l.departed, Arrived: l.marks[i].at, Behind: read - l.start})
		}
		l.start += min(n, len(rest))
	}
	return dst
}

// silent says what came, if not a frame, before the deadline.
func (l *Link) silent() error {
	if n := l.end - l.start; n > 0 {
		return fmt.Errorf("read %s: %w: %d bytes came, but no whole frame; check baud rate, parity and terminator",
			l.path, drivers.ErrTimeout, n)
	}
	return fmt.Errorf("read %s: %w", l.path, drivers.ErrTimeout)
}

// gone tells of a port that must be opened anew. The library gives its
// 'closed' for a port that was pulled out, too, so any error here means that.
func (l *Link) gone(attempt string, err error) error {
	if errors.Is(err, drivers.ErrGone) {
		return fmt.Errorf("%s %s: %w", attempt, l.path, err)
	}
	return fmt.Errorf("%s %s: %w (%v); check plug, cable and power of the instrument", attempt, l.path, drivers.ErrGone, err)
}

func (l *Link) afterClose(attempt string) error {
	return fmt.Errorf("%s %s: %w", attempt, l.path, fs.ErrClosed)
}

// Close implements drivers.Link. Output still waiting is dropped, for the
// system would else wait for it to leave.
func (l *Link) Close() error {
	if l.closed {
		return nil
	}
	l.closed = true
	l.line.Drop()
	if err := l.line.Close(); err != nil {
		return fmt.Errorf("close %s: %w", l.path, err)
	}
	return nil
}
