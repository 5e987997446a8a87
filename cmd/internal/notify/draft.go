package notify

import (
	"context"
	"errors"
	"net"
	"net/http/httptrace"
	"sync/atomic"
	"time"
)

// draftLife is how long a draft waits for its event to be durable. It is over before
// patience is: what is told then says that it was not recorded.
const draftLife = time.Second

// drafter is a Carrier that can make an attempt ready up to its first byte.
type drafter interface {
	// draft is send, but nothing goes before wait returns nil; nothing at all where it
	// returns an error. went says whether anything did.
	draft(ctx context.Context, m Message, wait func() error) (r result, went bool)
}

// drafted is a message that is made ready while the record's disk is at work, and goes
// at the moment when its event is durable: not first when that was read.
type drafted struct {
	id   int64
	went bool // read it when done says so
	done chan result
	drop context.CancelFunc
}

// prepare drafts the message of an event that is not durable, where it is the next to
// be read and nothing waits: so it could not overtake another one.
func (s *sender) prepare(ctx context.Context, now time.Time) {
	d, can := s.c.o.Carrier.(drafter)
	g := s.seen[s.read+1]
	switch {
	case !can, g == nil, !s.c.o.Machine, len(s.q.items) > 0:
		return
	case s.drafted != nil && s.drafted.id == g.event.ID:
		return
	case !s.c.o.Route.takes(g.event, s.c.o.Machine), s.c.o.Route.opens(now).After(now):
		return
	}
	s.drop()
	m := s.c.message(&waiting{event: g.event, first: g.event.ID, recorded: true, queued: now})
	ctx, cancel := context.WithCancel(ctx)
	n := &drafted{id: g.event.ID, done: make(chan result, 1), drop: cancel}
	s.drafted = n
	s.fly.Go(func() {
		defer cancel()
		var r result
		r, n.went = d.draft(ctx, m, func() error { return s.durable(ctx, n.id) })
		n.done <- r
	})
}

var errNotDurable = errors.New("its event was not durable in time")

// durable waits until an event is.
func (s *sender) durable(ctx context.Context, id int64) error {
	late := time.NewTimer(draftLife)
	defer late.Stop()
	select {
	case <-s.c.o.Outbox.Durable(id):
		return nil
	case <-late.C:
		return errNotDurable
	case <-ctx.Done():
		return ctx.Err()
	}
}

// drop gives up a draft.
func (s *sender) drop() {
	if s.drafted != nil {
		s.drafted.drop()
		s.drafted = nil
	}
}

// claim returns the draft of w; nil when there is none that says the same.
func (s *sender) claim(w *waiting) *drafted {
	d := s.drafted
	if d == nil || w.group != nil || w.event.ID != d.id {
		return nil
	}
	if !w.recorded || w.more > 0 {
		s.drop()
		return nil
	}
	s.drafted = nil
	return d
}

// attempt sends m, of which there may be a draft.
func (s *sender) attempt(ctx context.Context, m Message, d *drafted) result {
	if d != nil {
		if r := <-d.done; d.went {
			return r
		}
	}
	return s.c.send(ctx, m)
}

// gate is a connection whose writes can be held back.
type gate struct {
	net.Conn
	held atomic.Pointer[hold]
}

type hold struct {
	wait func() error
	went atomic.Bool
}

func (g *gate) Write(b []byte) (int, error) {
	if h := g.held.Load(); h != nil {
		if err := h.wait(); err != nil {
			return 0, err
		}
		h.went.Store(true)
		g.held.Store(nil)
	}
	return g.Conn.Write(b)
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
	held := &hold{wait: wait}
	ctx = httptrace.WithClientTrace(ctx, &httptrace.ClientTrace{GotConn: func(got httptrace.GotConnInfo) {
		got.Conn.(*gate).held.Store(held)
	}})
	r := h.attempt(ctx, m, draftLife+h.timeout)
	return r, held.went.Load()
}
