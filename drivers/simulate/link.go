package simulate

import (
	"fmt"
	"time"

	"ovenward/drivers"
)

// link is the client's end of an in-process line, a drivers.Link.
type link struct {
	pipe   *pipe
	buf    []byte    // received; from kept on not yet handed out
	kept   int       // start of the frame still growing
	since  time.Time // when the byte at kept was seen
	closed bool
}

// fail tells whether the line can still be used.
func (l *link) fail(doing string) error {
	if l.closed {
		return fmt.Errorf("%s an in-process line that was closed: open it again: %w", doing, drivers.ErrGone)
	}
	select {
	case <-l.pipe.gone:
		return fmt.Errorf("%s an in-process line: the simulated probe has ended: %w", doing, drivers.ErrGone)
	default:
		return nil
	}
}

// Send implements drivers.Link. It never waits.
func (l *link) Send(request []byte, deadline time.Time) (time.Time, int, error) {
	if err := l.fail("writing to"); err != nil {
		return time.Time{}, 0, err
	}
	dropped := len(l.buf) - l.kept + l.pipe.answers.clear()
	l.buf, l.kept = l.buf[:0], 0
	if now := l.pipe.now(); !deadline.After(now) {
		return time.Time{}, dropped, fmt.Errorf("writing to an in-process line: %w", drivers.ErrTimeout)
	}
	if !l.pipe.requests.put(request) {
		return time.Time{}, dropped, fmt.Errorf("writing to an in-process line: the simulated probe does not take requests: %w", drivers.ErrTimeout)
	}
	return l.pipe.now(), dropped, nil
}

// Receive implements drivers.Link.
func (l *link) Receive(split func([]byte) (int, []byte), deadline time.Time, dst []drivers.Frame) ([]drivers.Frame, error) {
	l.buf = l.buf[:copy(l.buf, l.buf[l.kept:])]
	l.kept = 0
	timer := time.NewTimer(deadline.Sub(l.pipe.now()))
	defer timer.Stop()
	for {
		if err := l.fail("reading from"); err != nil {
			return dst, err
		}
		had := len(dst)
		if dst = l.fill(split, dst); len(dst) > had {
			return dst, nil
		}
		select {
		case <-l.pipe.answers.bell:
		case <-l.pipe.gone:
		case <-timer.C:
			return dst, fmt.Errorf("reading from an in-process line: %w", drivers.ErrTimeout)
		}
	}
}

// fill takes what has arrived and appends to dst the frames that are whole.
func (l *link) fill(split func([]byte) (int, []byte), dst []drivers.Frame) []drivers.Frame {
	old := len(l.buf)
	var chunk [mostUnread]byte
	n := l.pipe.answers.get(chunk[:])
	if n == 0 {
		return dst
	}
	now := l.pipe.now()
	if l.kept == old {
		l.since = now
	}
	l.buf = append(l.buf, chunk[:n]...)
	for {
		advance, frame := split(l.buf[l.kept:])
		if advance == 0 {
			return dst
		}
		if frame != nil {
			dst = append(dst, drivers.Frame{Bytes: frame, Arrived: l.since})
		}
		l.kept += advance
		if l.kept >= old {
			l.since = now
		}
	}
}

// Close implements drivers.Link.
func (l *link) Close() error {
	if !l.closed {
		l.closed = true
		<-l.pipe.client
	}
	return nil
}
