package simulate

import (
	"context"
	"fmt"
	"io"
	"sync"
	"time"

	"ovenward/drivers"
)

// queue carries bytes one way, up to mostUnread of them; more are lost.
type queue struct {
	mu   sync.Mutex
	buf  []byte
	bell chan struct{} // holds a token when there may be something to read
}

func newQueue() *queue { return &queue{bell: make(chan struct{}, 1)} }

// put appends b, or nothing when there is no room.
func (q *queue) put(b []byte) bool {
	q.mu.Lock()
	defer q.mu.Unlock()
	if len(q.buf)+len(b) > mostUnread {
		return false
	}
	q.buf = append(q.buf, b...)
	select {
	case q.bell <- struct{}{}:
	default:
	}
	return true
}

// get moves what is there into dst.
func (q *queue) get(dst []byte) int {
	q.mu.Lock()
	defer q.mu.Unlock()
	n := copy(dst, q.buf)
	q.buf = q.buf[:copy(q.buf, q.buf[n:])]
	return n
}

func (q *queue) clear() (dropped int) {
	q.mu.Lock()
	defer q.mu.Unlock()
	dropped = len(q.buf)
	q.buf = q.buf[:0]
	return dropped
}

// pipe is the instrument's end of an in-process line.
type pipe struct {
	requests, answers *queue
	now               func() time.Time
	gone              chan struct{} // closed with the instrument's end
	once              sync.Once
	client            chan struct{} // holds a token while a client has the line
}

// Pipe returns an in-process line: the instrument's end, and the way for a
// client to open the other. One client at a time may have it (drivers.ErrBusy);
// an opening client finds it empty. Stamps come from now (nil: time.Now).
func Pipe(now func() time.Time) (io.ReadWriteCloser, drivers.Dialer) {
	if now == nil {
		now = time.Now
	}
	p := &pipe{
		requests: newQueue(), answers: newQueue(), now: now,
		gone: make(chan struct{}), client: make(chan struct{}, 1),
	}
	return p, p.dial
}

// Read waits for a client's bytes, or for Close.
func (p *pipe) Read(b []byte) (int, error) {
	if len(b) == 0 {
		return 0, nil
	}
	for {
		if n := p.requests.get(b); n > 0 {
			return n, nil
		}
		select {
		case <-p.requests.bell:
		case <-p.gone:
			return 0, io.EOF
		}
	}
}

// Write never waits. What there is no room for is lost, with all that waited.
func (p *pipe) Write(b []byte) (int, error) {
	select {
	case <-p.gone:
		return 0, io.ErrClosedPipe
	default:
	}
	if !p.answers.put(b) {
		p.answers.clear()
		p.answers.put(b)
	}
	return len(b), nil
}

// Close takes the line away from its client.
func (p *pipe) Close() error {
	p.once.Do(func() { close(p.gone) })
	return nil
}

// dial opens the client's end.
func (p *pipe) dial(ctx context.Context) (drivers.Link, error) {
	if err := ctx.Err(); err != nil {
		return nil, fmt.Errorf("opening the in-process line of a simulated probe: %w", err)
	}
	select {
	case <-p.gone:
		return nil, fmt.Errorf("opening the in-process line of a simulated probe: the kitchen has ended: %w", drivers.ErrAbsent)
	default:
	}
	select {
	case p.client <- struct{}{}:
	default:
		return nil, fmt.Errorf("opening the in-process line of a simulated probe: close the other link first: %w", drivers.ErrBusy)
	}
	p.requests.clear()
	p.answers.clear()
	return &link{pipe: p}, nil
}
