package wire

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"strings"
	"sync"
	"time"
)

// backlog is how many pieces may wait to be written. A disk that is slower loses
// pieces, and the file says so; the conversation goes on.
const backlog = 4096

// Recorder writes a conversation to a file while it goes on. A goroutine of its
// own writes; Close waits for it.
type Recorder struct {
	begun  time.Time
	pieces chan piece
	done   chan struct{}

	mu     sync.Mutex
	closed bool
	lost   int // pieces not taken since the last that was
	err    error
}

// piece is a line, or a remark.
type piece struct {
	line   Line
	remark string
	lost   int // pieces lost just before
}

// NewRecorder writes the header and then all that Tap is shown. Begun of the
// header must be set.
func NewRecorder(w io.WriteCloser, h Header) (*Recorder, error) {
	b := bufio.NewWriter(w)
	if err := errors.Join(h.write(b), b.Flush()); err != nil {
		return nil, errors.Join(fmt.Errorf("record a conversation: %w", err), w.Close())
	}
	r := &Recorder{begun: h.Begun, pieces: make(chan piece, backlog), done: make(chan struct{})}
	go r.write(b, w)
	return r, nil
}

// Tap takes bytes that passed at an instant. It is a stream.Tap.
func (r *Recorder) Tap(sent bool, b []byte, at time.Time) {
	r.take(piece{line: Line{Sent: sent, Bytes: append([]byte(nil), b...), At: max(at.Sub(r.begun), 0), Timed: true}})
}

// Remark notes what happened to the line.
func (r *Recorder) Remark(text string, at time.Time) {
	r.take(piece{remark: fmt.Sprintf("# @%.6f %s", max(at.Sub(r.begun), 0).Seconds(), strings.Join(strings.Fields(text), " "))})
}

func (r *Recorder) take(p piece) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.closed {
		return
	}
	p.lost = r.lost
	select {
	case r.pieces <- p:
		r.lost = 0
	default:
		r.lost++
	}
}

func (r *Recorder) write(b *bufio.Writer, w io.Closer) {
	defer close(r.done)
	var failed error
	put := func(format string, args ...any) {
		if failed == nil {
			_, failed = fmt.Fprintf(b, format, args...)
		}
	}
	lost := func(n int) {
		if n > 0 {
			put("# %d pieces were lost here: the disk was too slow\n", n)
		}
	}
	for p := range r.pieces {
		lost(p.lost)
		if p.remark != "" {
			put("%s\n", p.remark)
		} else {
			put("%s\n", p.line)
		}
		if len(r.pieces) == 0 && failed == nil {
			failed = b.Flush()
		}
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	lost(r.lost)
	if failed == nil {
		failed = b.Flush()
	}
	if r.err = errors.Join(failed, w.Close()); r.err != nil {
		r.err = fmt.Errorf("record a conversation: %w", r.err)
	}
}

// Close ends the recording and says whether all of it was written.
func (r *Recorder) Close() error {
	r.mu.Lock()
	if !r.closed {
		r.closed = true
		close(r.pieces)
	}
	r.mu.Unlock()
	<-r.done
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.err
}
