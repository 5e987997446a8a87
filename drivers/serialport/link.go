package serialport

import (
	"errors"
	"fmt"
	"io/fs"
	"time"

	"ovenward/drivers"
)

const (
	// bufferSize bounds in bytes what is held of unfinished frames.
	bufferSize = 64 << 10

	// drainRounds bounds the reads, of up to 4 kB each, by which Send drops
	// what arrived unasked, for an instrument may talk without end.
	drainRounds = 256

	// emptyReads is how many reads may return nothing before their time is up.
	// A port that was pulled out does so without end on some systems.
	emptyReads = 100
)

// link is the drivers.Link over a serial port.
type link struct {
	path string
	port port
	hold *hold
	now  func() time.Time

	buf        []byte
	start, end int    // buf[start:end] is received and not handed out
	marks      []mark // when the bytes of buf came, by rising position

	timing   drivers.Timing
	departed time.Time     // when the last request left
	timeout  time.Duration // as last set on the port
	closed   bool
}

// mark says that the bytes from position from on were seen at the instant at.
type mark struct {
	from int
	at   time.Time
}

func newLink(o Options, p port, h *hold) *link {
	l := &link{path: o.Path, port: p, hold: h, now: o.Now, buf: make([]byte, bufferSize), timeout: -2}
	if l.now == nil {
		l.now = time.Now
	}
	return l
}

// Send implements drivers.Link. The instant of departure is that just before
// the last bytes were given to the system, so that it is never after the true
// one. An empty request only drops what arrived.
func (l *link) Send(request []byte, deadline time.Time) (departed time.Time, dropped int, err error) {
	if l.closed {
		return time.Time{}, 0, l.afterClose("write")
	}
	dropped = l.end - l.start
	l.start, l.end, l.marks = 0, 0, l.marks[:0]
	l.departed = time.Time{}
	for range drainRounds {
		n, err := l.read(l.buf, 0)
		if err != nil {
			return time.Time{}, dropped, l.gone("read", err)
		}
		if n == 0 {
			break
		}
		dropped += n
	}
	if len(request) == 0 {
		return time.Time{}, dropped, nil
	}
	if departed, err = l.write(request, deadline); err != nil {
		return time.Time{}, dropped, err
	}
	l.departed = departed
	return departed, dropped, nil
}

// write gives request to the system whole, before the deadline.
func (l *link) write(request []byte, deadline time.Time) (departed time.Time, err error) {
	for sent := 0; sent < len(request); {
		departed = l.now()
		left := deadline.Sub(departed)
		var n int
		if left > 0 {
			n, err = l.writeSome(request[sent:], left)
			sent += n
		} else {
			err = drivers.ErrTimeout
		}
		switch {
		case errors.Is(err, drivers.ErrTimeout):
			l.dropOutput() // half a request must not go out before the next one
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
func (l *link) Receive(split func([]byte) (int, []byte), deadline time.Time, dst []drivers.Frame) ([]drivers.Frame, error) {
	if l.closed {
		return dst, l.afterClose("read")
	}
	l.compact()
	frames := l.cut(split, dst)
	for empty := 0; len(frames) == len(dst); {
		l.compact() // nothing is handed out yet
		left := max(deadline.Sub(l.now()), 0)
		n, err := l.read(l.buf[l.end:], left)
		if err != nil {
			return dst, l.gone("read", err)
		}
		if n > 0 {
			empty = 0
			l.marks = append(l.marks, mark{l.end, l.now()})
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
func (l *link) compact() {
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
func (l *link) cut(split func([]byte) (int, []byte), dst []drivers.Frame) []drivers.Frame {
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
func (l *link) silent() error {
	if n := l.end - l.start; n > 0 {
		return fmt.Errorf("read %s: %w: %d bytes came, but no whole frame; check baud rate, parity and terminator",
			l.path, drivers.ErrTimeout, n)
	}
	return fmt.Errorf("read %s: %w", l.path, drivers.ErrTimeout)
}

// read reads once and waits no longer than wait; (0, nil) says that nothing
// came. A panic of the library comes back as an error.
func (l *link) read(p []byte, wait time.Duration) (n int, err error) {
	defer rescue(&err)
	if wait = max(wait, shortestWait); wait != l.timeout {
		if err := l.port.SetReadTimeout(wait); err != nil {
			return 0, err
		}
		l.timeout = wait
	}
	return l.port.Read(p)
}

func (l *link) writeSome(p []byte, wait time.Duration) (n int, err error) {
	defer rescue(&err)
	return l.hold.write(l.port, p, wait)
}

func (l *link) dropOutput() {
	var err error
	defer rescue(&err)
	// A port that cannot do so is closed or in trouble, which the next call tells.
	_ = l.port.ResetOutputBuffer()
}

// gone tells of a port that must be opened anew. The library gives its
// 'closed' for a port that was pulled out, too, so any error here means that.
func (l *link) gone(attempt string, err error) error {
	if errors.Is(err, drivers.ErrGone) {
		return fmt.Errorf("%s %s: %w", attempt, l.path, err)
	}
	return fmt.Errorf("%s %s: %w (%v); check plug, cable and power of the instrument", attempt, l.path, drivers.ErrGone, err)
}

func (l *link) afterClose(attempt string) error {
	return fmt.Errorf("%s %s: %w", attempt, l.path, fs.ErrClosed)
}

// Close implements drivers.Link. Output still waiting is dropped, for the
// system would else wait for it to leave.
func (l *link) Close() error {
	if l.closed {
		return nil
	}
	l.closed = true
	l.dropOutput()
	err := errors.Join(l.closePort(), l.hold.close())
	if err != nil {
		return fmt.Errorf("close %s: %w", l.path, err)
	}
	return nil
}

func (l *link) closePort() (err error) {
	defer rescue(&err)
	return l.port.Close()
}
