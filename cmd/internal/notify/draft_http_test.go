package notify

import (
	"context"
	"net"
	"net/http"
	"net/http/httptest"
	"slices"
	"sync"
	"testing"
)

// written counts what is written to each connection.
type written struct {
	net.Conn
	all *tally
	i   int
}

type tally struct {
	mu    sync.Mutex
	bytes []int // by connection
}

func (w *written) Write(b []byte) (int, error) {
	w.all.mu.Lock()
	w.all.bytes[w.i] += len(b)
	w.all.mu.Unlock()
	return w.Conn.Write(b)
}

func (a *tally) of() []int {
	a.mu.Lock()
	defer a.mu.Unlock()
	return slices.Clone(a.bytes)
}

// dial has what is written to a gate's connection counted.
func (a *tally) dial(dial func(context.Context, string, string) (net.Conn, error)) func(context.Context, string, string) (net.Conn, error) {
	return func(ctx context.Context, network, address string) (net.Conn, error) {
		c, err := dial(ctx, network, address)
		if err != nil {
			return nil, err
		}
		a.mu.Lock()
		defer a.mu.Unlock()
		a.bytes = append(a.bytes, 0)
		g := c.(*gate)
		g.Conn = &written{Conn: g.Conn, all: a, i: len(a.bytes) - 1}
		return g, nil
	}
}

// Over a real connection, new or used before, nothing of a draft goes before it may, and
// nothing ever of one that may not.
func TestDraftOverHTTP(t *testing.T) {
	hook := newHook(t, status(http.StatusOK))
	carrier, err := NewWebhook(WebhookOptions{URL: hook.URL})
	if err != nil {
		t.Fatal(err)
	}
	defer carrier.close()
	h, wrote := carrier.(*webhook), &tally{}
	h.transport.DialContext = wrote.dial(h.transport.DialContext)
	received := func(want string) {
		t.Helper()
		if q := hook.next(t); q.MessageID != want || q.header.Get("Idempotency-Key") != want {
			t.Errorf("received %q, want %q", q.MessageID, want)
		}
	}
	for _, name := range []string{"new", "used"} {
		var at []int
		before := wrote.of()
		r, went := h.draft(t.Context(), Message{MessageID: name}, func() error {
			at = wrote.of()
			return nil
		})
		if len(before) == 0 {
			before = []int{0}
		}
		if after := wrote.of(); r.outcome != accepted || !went || !slices.Equal(at, before) || after[0] <= before[0] {
			t.Errorf("%s: outcome %d (%v), went %v; %d bytes before, %d when it might go, %d after", name, r.outcome, r.err, went, before, at, after)
		}
		received(name)
	}
	before, asked := wrote.of(), 0
	if r, counts := h.draft(t.Context(), Message{MessageID: "dropped"}, func() error { asked++; return errNotDurable }); r.outcome != unheard || counts || asked != 1 {
		t.Errorf("dropped: outcome %d, counts %v, asked %d times", r.outcome, counts, asked)
	}
	ended, cancel := context.WithCancel(t.Context())
	if r, counts := h.draft(ended, Message{MessageID: "ended"}, func() error { cancel(); return ended.Err() }); r.outcome != unheard || counts {
		t.Errorf("ended: outcome %d, counts %v", r.outcome, counts)
	}
	if after := wrote.of(); !slices.Equal(after, append(before, 0)) {
		t.Errorf("%d bytes were written by drafts that might not go, %d before", after, before)
	}
	if r := h.send(t.Context(), Message{MessageID: "after"}); r.outcome != accepted {
		t.Errorf("after them: %v", r.err)
	}
	received("after")
	// What the receiver closes while it is held goes over another connection.
	r, counts := h.draft(t.Context(), Message{MessageID: "closed"}, func() error {
		hook.CloseClientConnections()
		return nil
	})
	if r.outcome != accepted {
		if r.outcome != unheard || counts {
			t.Errorf("closed: outcome %d (%v), counts %v", r.outcome, r.err, counts)
		}
		if r := h.send(t.Context(), Message{MessageID: "closed"}); r.outcome != accepted {
			t.Errorf("sent again: %v", r.err)
		}
	}
	received("closed")
	// Nobody listens any more: that is an attempt as any other.
	hook.Close()
	h.transport.CloseIdleConnections()
	if r, counts := h.draft(t.Context(), Message{}, func() error { return nil }); r.outcome != unheard || !counts {
		t.Errorf("nobody listens: outcome %d, counts %v", r.outcome, counts)
	}
}

func TestNoDraftOverSharedConnections(t *testing.T) {
	shared := httptest.NewTLSServer(http.NotFoundHandler())
	defer shared.Close()
	carrier, err := NewWebhook(WebhookOptions{URL: shared.URL})
	if err != nil {
		t.Fatal(err)
	}
	defer carrier.close()
	carrier.(*webhook).transport.TLSClientConfig = shared.Client().Transport.(*http.Transport).TLSClientConfig
	if _, went := carrier.(drafter).draft(t.Context(), Message{}, func() error { t.Error("asked"); return nil }); went {
		t.Error("a draft went over an encrypted connection, which other requests may share")
	}
}
