package replay

import (
	"fmt"
	"io/fs"
	"time"

	"ovenward/drivers"
)

// batch bounds the frames that one Receive hands out.
const batch = 256

// link is the drivers.Link over a player. Asked, it answers each question with
// what the instrument said after the next one in the recording, after the time
// it took then; not asked, it says all at its own pace. The bytes of an answer
// that was cut off do not run into the next.
type link struct {
	p        *player
	buf      []byte
	arrived  time.Time // of the first byte in buf
	departed time.Time
	asked    bool      // by Send: the recording waits for questions
	from     time.Time // what was said at recorded time base is said at this instant
	base     time.Duration
	dry      bool // the answer to the newest question is all said
	closed   bool
}

// Send implements drivers.Link.
func (l *link) Send(request []byte, _ time.Time) (departed time.Time, dropped int, err error) {
	l.p.mu.Lock()
	defer l.p.mu.Unlock()
	if l.closed {
		return time.Time{}, 0, l.afterClose()
	}
	dropped = len(l.buf)
	l.buf = l.buf[:0]
	if len(request) == 0 {
		return time.Time{}, dropped, nil
	}
	p := l.p
	for ; p.next < len(p.pieces) && !p.pieces[p.next].sent; p.next++ {
		dropped += len(p.pieces[p.next].bytes)
	}
	if p.next >= len(p.pieces) {
		return time.Time{}, dropped, fmt.Errorf("%w: %w", drivers.ErrGone, p.ended())
	}
	l.asked, l.dry = true, false
	l.departed, l.from, l.base = p.o.Now(), p.o.Now(), p.pieces[p.next].at
	p.next++
	return l.departed, dropped, nil
}

// Receive implements drivers.Link.
func (l *link) Receive(split func([]byte) (int, []byte), deadline time.Time, dst []drivers.Frame) ([]drivers.Frame, error) {
	l.p.mu.Lock()
	defer l.p.mu.Unlock()
	if l.closed {
		return dst, l.afterClose()
	}
	p, frames := l.p, dst
	if !l.asked {
		l.from, l.base = p.begun, 0
	}
	for len(frames)-len(dst) < batch {
		if p.next >= len(p.pieces) || l.asked && p.pieces[p.next].sent {
			l.dry = true
			break
		}
		at := l.when(p.pieces[p.next].at)
		if wait := at.Sub(p.o.Now()); wait > 0 {
			if len(frames) > len(dst) {
				break
			}
			l.sleep(min(wait, deadline.Sub(p.o.Now())))
			if p.o.Now().Before(at) {
				return dst, l.silent()
			}
		}
		frames = l.play(p.pieces[p.next], at, split, frames)
		p.next++
	}
	switch {
	case len(frames) > len(dst):
		return frames, nil
	case l.dry && !l.asked:
		return dst, fmt.Errorf("%w: %w", drivers.ErrGone, p.ended())
	}
	l.sleep(deadline.Sub(p.o.Now()))
	return dst, l.silent()
}

// when is the instant at which something is said that was said at a recorded
// time.
func (l *link) when(at time.Duration) time.Time {
	if l.p.o.Speed == AsFastAsTaken {
		return l.p.o.Now()
	}
	return l.from.Add(time.Duration(float64(at-l.base) / l.p.o.Speed))
}

// sleep waits on the clock of deadlines, which runs at the rate of real time.
func (l *link) sleep(d time.Duration) {
	if d > 0 {
		l.p.mu.Unlock()
		time.Sleep(d)
		l.p.mu.Lock()
	}
}

// play says one piece.
func (l *link) play(s said, at time.Time, split func([]byte) (int, []byte), frames []drivers.Frame) []drivers.Frame {
	switch {
	case s.sent:
		l.buf, l.departed = nil, at // frames handed out keep their bytes
		return frames
	case s.whole:
		return append(frames, drivers.Frame{Bytes: s.bytes, Departed: l.departed, Arrived: at})
	}
	if len(l.buf) == 0 {
		l.arrived = at
	}
	l.buf = append(l.buf[:len(l.buf):len(l.buf)], s.bytes...)
	for len(l.buf) > 0 {
		n, frame := split(l.buf)
		if n <= 0 {
			break
		}
		if frame != nil {
			frames = append(frames, drivers.Frame{Bytes: frame, Departed: l.departed, Arrived: l.arrived})
		}
		l.buf = l.buf[min(n, len(l.buf)):]
		l.arrived = at
	}
	return frames
}

func (l *link) silent() error {
	return fmt.Errorf("replay %s: %w", l.p.o.File, drivers.ErrTimeout)
}

func (l *link) afterClose() error { return fmt.Errorf("replay %s: %w", l.p.o.File, fs.ErrClosed) }

// Close implements drivers.Link. The recording stays where it is.
func (l *link) Close() error {
	l.p.mu.Lock()
	defer l.p.mu.Unlock()
	if !l.closed {
		l.closed, l.p.held = true, false
	}
	return nil
}
