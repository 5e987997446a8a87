package notify

import (
	"context"
	"errors"
	"net"
	"net/http/httptrace"
	"slices"
	"sync"
	"time"
)

// draftLife is how long a draft waits for its event to be durable. It is over before
// patience is: what is told then says that it was not recorded.
const draftLife = time.Second

// drafter is a Carrier that can make an attempt ready up to its first byte.
type drafter interface {
	// draft is send, but nothing goes before wait, which is called once at most, returns
	// nil; nothing at all where it returns an error. It is an attempt only where counts:
	// not when nothing was sent, but for want of the receiver.
	draft(ctx context.Context, m Message, wait func() error) (r result, counts bool)
}

// drafted is a message that is made ready while the record's disk is at work, and goes
// at the moment when its event is durable: not first when that was read.
type drafted struct {
	id      int64
	subject subject
	told    chan error  // by the sender: nil, it may go; an error, it may not
	counts  bool        // read it when done says so
	done    chan result // holds one
	cancel  func()      // ends what is under way
	durable <-chan struct{}

	mu    sync.Mutex
	asked bool // whether it may go: from then on it is not canceled, for it may have gone
	ended bool // canceled before
}

var (
	errNotDurable = errors.New("its event was not durable in time")
	errDropped    = errors.New("it was not wanted any more")
)

// prepare drafts the message of an event that is not durable, where it is the next to
// be read and nothing waits: so it could not overtake another one.
func (s *sender) prepare(ctx context.Context, now time.Time) {
	carrier, can := s.c.o.Carrier.(drafter)
	g := s.seen[s.read+1]
	switch {
	case !can, !s.begun, g == nil, !s.c.o.Machine, len(s.q.items) > 0:
		return
	case s.drafted != nil && s.drafted.id == g.event.ID:
		return
	case !s.c.o.Route.takes(g.event, s.c.o.Machine), s.c.o.Route.opens(now).After(now):
		return
	}
	if s.drafted != nil {
		s.drafted.drop() // its event was never told
	}
	id := g.event.ID
	m := s.c.message(&waiting{event: g.event, first: id, recorded: true, queued: now})
	ctx, cancel := context.WithCancel(ctx)
	d := &drafted{id: id, subject: subjectOf(g.event), told: make(chan error, 1), done: make(chan result, 1), cancel: cancel, durable: s.c.o.Outbox.Durable(id)}
	s.drafted = d
	s.fly.Go(func() {
		defer cancel()
		r, counts := carrier.draft(ctx, m, func() error { return d.mayGo(ctx) })
		d.mu.Lock()
		d.counts = counts && !d.ended
		d.mu.Unlock()
		d.done <- r
	})
}

// mayGo waits until the event is durable, or the sender knows what is to be.
func (d *drafted) mayGo(ctx context.Context) error {
	d.mu.Lock()
	d.asked = true
	d.mu.Unlock()
	late := time.NewTimer(draftLife)
	defer late.Stop()
	select {
	case <-d.durable:
		return nil
	case err := <-d.told:
		return err
	case <-late.C:
		return errNotDurable
	case <-ctx.Done():
		return ctx.Err()
	}
}

// drop gives a draft up that has not gone yet.
func (d *drafted) drop() {
	d.tell(errDropped)
	d.mu.Lock()
	defer d.mu.Unlock()
	if !d.asked {
		d.ended = true
		d.cancel()
	}
}

func (d *drafted) tell(err error) {
	select {
	case d.told <- err:
	default:
	}
}

// claim returns the draft that w has to wait for, if there is one, and whether what
// comes of it is what comes of w.
func (s *sender) claim(w *waiting) (d *drafted, same bool) {
	d = s.drafted
	if d == nil || !slices.ContainsFunc(w.members(), func(m *waiting) bool { return subjectOf(m.event) == d.subject }) {
		return nil, false
	}
	s.drafted = nil
	same = w.group == nil && w.event.ID == d.id && w.more == 0
	if same && w.recorded {
		d.tell(nil)
	} else {
		d.drop()
	}
	return d, same
}

// attempt sends m: by its draft, or after a draft of the same alarm.
func (s *sender) attempt(ctx context.Context, m Message, d *drafted, same bool) result {
	if d != nil {
		if r := <-d.done; same && d.counts {
			return r
		}
	}
	return s.c.send(ctx, m)
}

// gate is a connection whose writes can be held back.
type gate struct {
	net.Conn
	mu   sync.Mutex
	held *hold
}

// hold is what a draft's connections wait for: of several, where one was found dead, all
// for the same answer.
type hold struct {
	wait func() error

	mu           sync.Mutex
	asked, wrote bool
	err          error
}

func (h *hold) open() error {
	h.mu.Lock()
	defer h.mu.Unlock()
	if !h.asked {
		h.asked, h.err = true, h.wait()
	}
	return h.err
}

func (h *hold) written() {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.wrote = true
}

// idle says whether it was held and nothing came of it.
func (h *hold) idle() bool {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.asked && !h.wrote
}

func (g *gate) hold(h *hold) {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.held = h
}

func (g *gate) Write(b []byte) (int, error) {
	g.mu.Lock()
	h := g.held
	g.held = nil
	g.mu.Unlock()
	if h == nil {
		return g.Conn.Write(b)
	}
	if err := h.open(); err != nil {
		return 0, err
	}
	n, err := g.Conn.Write(b)
	if n > 0 {
		h.written()
	}
	return n, err
}

// gated dials connections that can be held back.
func gated(d *net.Dialer) func(ctx context.Context, network, address string) (net.Conn, error) {
	return func(ctx context.Context, network, address string) (net.Conn, error) {
		c, err := d.DialContext(ctx, network, address)
		if err != nil {
			return nil, err
		}
		return &gate{Conn: c}, nil
	}
}

// draft holds the connection that its request is about to be written to. Encrypted ones
// may be shared by several requests, and cannot be.
func (h *webhook) draft(ctx context.Context, m Message, wait func() error) (result, bool) {
	if h.url.Scheme != "http" {
		return result{}, false
	}
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	held := &hold{wait: func() error {
		err := wait()
		if err != nil {
			cancel() // or the transport tries another connection
		}
		return err
	}}
	ctx = httptrace.WithClientTrace(ctx, &httptrace.ClientTrace{GotConn: func(got httptrace.GotConnInfo) { got.Conn.(*gate).hold(held) }})
	r := h.attempt(ctx, m, draftLife+h.timeout)
	return r, !held.idle()
}
