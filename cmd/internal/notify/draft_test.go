package notify

import (
	"context"
	"encoding/json"
	"errors"
	"math"
	"net"
	"net/http"
	"net/http/httptest"
	"reflect"
	"slices"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/alarm"
	"ovenward/acquire/store"
)

// drafting is a receiver that takes drafts.
type drafting struct {
	receiver
	slow, dials time.Duration // until it answers a draft, and until it may ask whether that may go

	mu     sync.Mutex
	drafts []Message
	sends  int   // attempts without a draft
	broken error // while set, what was held fails when it may go
}

func (d *drafting) draft(ctx context.Context, m Message, wait func() error) (result, bool) {
	d.mu.Lock()
	d.drafts = append(d.drafts, m)
	broken := d.broken
	d.mu.Unlock()
	select {
	case <-time.After(d.dials):
	case <-ctx.Done():
		return result{outcome: unheard, err: ctx.Err()}, true
	}
	if err := errors.Join(wait(), broken); err != nil {
		return result{outcome: unheard, err: err}, false
	}
	<-time.After(d.slow)
	return d.receiver.send(ctx, m), true
}

func (d *drafting) send(ctx context.Context, m Message) result {
	d.mu.Lock()
	d.sends++
	d.mu.Unlock()
	return d.receiver.send(ctx, m)
}

func (d *drafting) counts() (drafts, sends int) {
	d.mu.Lock()
	defer d.mu.Unlock()
	return len(d.drafts), d.sends
}

// upTo is 1, 2, … n.
func upTo(n int64) (all []int64) {
	for i := range n {
		all = append(all, i+1)
	}
	return all
}

func TestDrafts(t *testing.T) {
	high := func(id int) acquire.Event { return raised(id, alarm.Exceeds, time.Now()) }
	for _, c := range []struct {
		name          string
		o             Options
		broken        error
		slow, dials   time.Duration
		stalled       bool // no page comes before do is done
		answer        func(int, Message) result
		do            func(box *outbox)
		want          []int64
		recorded      bool
		drafts, sends int
	}{
		{name: "goes when it is durable", do: func(box *outbox) {
			box.record(high(0))
			pass(100 * time.Millisecond)
			box.commit()
		}, want: []int64{1}, recorded: true, drafts: 1},
		{name: "is not durable in time", do: func(box *outbox) {
			box.record(high(0))
			pass(1800 * time.Millisecond)
			box.commit()
		}, want: []int64{1}, drafts: 1, sends: 1},
		{name: "is durable when the draft was over", do: func(box *outbox) {
			box.record(high(0))
			pass(1200 * time.Millisecond)
			box.commit()
		}, want: []int64{1}, recorded: true, drafts: 1, sends: 1},
		{name: "fails before it goes", broken: errors.New("planted"), do: func(box *outbox) {
			box.record(high(0))
			pass(100 * time.Millisecond)
			box.commit()
		}, want: []int64{1}, recorded: true, drafts: 1, sends: 1},
		{name: "is answered with trouble", answer: func(n int, _ Message) result {
			if n == 1 {
				return planted(retry)
			}
			return result{outcome: accepted}
		}, do: func(box *outbox) {
			box.record(high(0))
			pass(100 * time.Millisecond)
			box.commit()
			pass(10 * time.Second)
		}, want: []int64{1}, recorded: true, drafts: 1, sends: 1},
		{name: "is told early, by the clock of the event", do: func(box *outbox) {
			box.record(raised(0, alarm.Exceeds, time.Now().Add(-800*time.Millisecond)))
			pass(900 * time.Millisecond)
			box.commit()
		}, want: []int64{1}, drafts: 1, sends: 1},
		{name: "was told when the record's disk stalls after the commit", do: func(box *outbox) {
			box.record(high(0))
			synctest.Wait()
			stall := make(chan struct{})
			box.mu.Lock()
			box.stall = stall
			box.mu.Unlock()
			box.commit()
			pass(2 * time.Second)
			box.mu.Lock()
			box.stall = nil
			box.mu.Unlock()
			close(stall)
		}, want: []int64{1}, recorded: true, drafts: 1},
		{name: "its connection takes too long", dials: 5 * time.Second, do: func(box *outbox) {
			box.record(high(0))
			pass(1800 * time.Millisecond)
			box.commit()
		}, want: []int64{1}, drafts: 1, sends: 1},
		{name: "its connection comes after the commit", dials: 100 * time.Millisecond, do: func(box *outbox) {
			box.record(high(0))
			pass(10 * time.Millisecond)
			box.commit()
			pass(100 * time.Millisecond)
		}, want: []int64{1}, recorded: true, drafts: 1},
		{name: "nobody says that it is durable", do: func(box *outbox) {
			box.record(high(0))
			pass(10 * time.Millisecond)
			box.mu.Lock()
			clear(box.awaited)
			box.mu.Unlock()
			box.commit()
		}, want: []int64{1}, recorded: true, drafts: 1},
		{name: "another change takes its place", slow: time.Second, do: func(box *outbox) {
			box.record(high(0))
			pass(10 * time.Millisecond)
			for i := range maxWaiting {
				box.record(high(1 + i))
			}
			box.record(high(0))
			box.commit()
			pass(1500 * time.Millisecond)
		}, want: upTo(maxWaiting + 2), recorded: true, drafts: 1, sends: maxWaiting + 1},
		{name: "behind one that waits", answer: func(n int, _ Message) result {
			if n == 1 {
				return planted(retry)
			}
			return result{outcome: accepted}
		}, do: func(box *outbox) {
			box.happen(high(0))
			pass(100 * time.Millisecond)
			box.record(high(0))
			pass(100 * time.Millisecond)
			box.commit()
			pass(10 * time.Second)
		}, want: []int64{1, 2}, recorded: true, sends: 3},
		{name: "before the hours begin", o: Options{Machine: true, Route: Route{Hours: office{}}}, do: func(box *outbox) {
			box.record(raised(0, alarm.Silent, time.Now()))
			pass(100 * time.Millisecond)
			box.commit()
		}},
		{name: "two at once", do: func(box *outbox) {
			box.record(high(0))
			box.record(high(1))
			pass(100 * time.Millisecond)
			box.commit()
		}, want: []int64{1, 2}, recorded: true, drafts: 1, sends: 1},
		{name: "one after the other", do: func(box *outbox) {
			box.happen(high(0))
			pass(100 * time.Millisecond)
			box.record(high(1))
			pass(100 * time.Millisecond)
			box.commit()
		}, want: []int64{1, 2}, recorded: true, drafts: 1, sends: 1},
		{name: "behind one that is not read yet", do: func(box *outbox) {
			box.mu.Lock()
			stall := make(chan struct{})
			box.stall = stall
			box.mu.Unlock()
			box.happen(high(0))
			synctest.Wait()
			box.record(high(0))
			pass(100 * time.Millisecond)
			box.commit()
			box.mu.Lock()
			box.stall = nil
			box.mu.Unlock()
			close(stall)
		}, want: []int64{1, 2}, recorded: true, sends: 2},
		{name: "before the first page", stalled: true, do: func(box *outbox) {
			box.record(high(0))
			pass(100 * time.Millisecond)
			box.commit()
		}, want: []int64{1}, recorded: true, sends: 1},
		{name: "to a person", o: Options{Most: 20}, do: func(box *outbox) {
			box.record(high(0))
			pass(100 * time.Millisecond)
			box.commit()
		}, want: []int64{1}, recorded: true, sends: 1},
		{name: "not for this courier", o: Options{Machine: true, Route: Route{Posts: []string{"of another courier"}}}, do: func(box *outbox) {
			box.record(high(0))
			pass(100 * time.Millisecond)
			box.commit()
		}},
	} {
		t.Run(c.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				box, r := newOutbox(), &drafting{receiver: receiver{answer: c.answer}, broken: c.broken, slow: c.slow, dials: c.dials}
				c.o.Outbox, c.o.Carrier = box, r
				c.o.Machine = c.o.Machine || c.o.Most == 0
				stall := make(chan struct{})
				if c.stalled {
					box.stall = stall
				}
				_, stop := startWith(t, c.o)
				synctest.Wait()
				c.do(box)
				if c.stalled {
					box.mu.Lock()
					box.stall = nil
					box.mu.Unlock()
					close(stall)
				}
				synctest.Wait() // nothing has to wait for a next look
				got := r.ids()
				last := map[string]int64{}
				for _, m := range r.all() {
					if m.EventID < last[m.Post] {
						t.Errorf("event %d of %s was told after %d", m.EventID, m.Post, last[m.Post])
					}
					last[m.Post] = m.EventID
				}
				pass(3 * time.Second)
				stop()
				if again := r.ids(); len(again) != len(got) {
					t.Errorf("accepted %d, and %d later", got, again)
				}
				slices.Sort(got) // two alarms: any order
				if drafts, sends := r.counts(); !slices.Equal(got, c.want) || drafts != c.drafts || sends != c.sends {
					t.Errorf("accepted %d, %d drafts and %d attempts without one; want %d, %d, %d", got, drafts, sends, c.want, c.drafts, c.sends)
				}
				for _, m := range r.all() {
					if m.Recorded != c.recorded {
						t.Errorf("message of event %d says %v of its being recorded", m.EventID, m.Recorded)
					}
				}
			})
		})
	}
}

// What a draft says is what is said of the event read from the record.
func TestDraftSaysTheSame(t *testing.T) {
	seen := make(chan struct{})
	s, err := store.Open(t.TempDir(), store.Options{Fault: func(step store.Step) error {
		if step == store.StepWrite {
			<-seen
		}
		return nil
	}})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	posts := larkfield()
	c, err := New(Options{Outbox: s, Carrier: &drafting{}, Machine: true, Site: "Larkfield House", Posts: posts})
	if err != nil {
		t.Fatal(err)
	}
	e := raised(0, alarm.Exceeds, time.Now())
	e.Text = "cut off in the midd\xff\xffle"
	e.Alarm.Verdict.Uncertainty = new(math.NaN())
	s.Record(e)
	open := s.Uncommitted(time.Now().Add(time.Hour))
	if len(open) != 1 {
		t.Fatalf("%d events wait", len(open))
	}
	durable := s.Durable(open[0].ID)
	close(seen)
	<-durable
	read, err := s.Events(t.Context(), open[0].ID-1, 1)
	if err != nil || len(read) != 1 {
		t.Fatalf("%d events: %v", len(read), err)
	}
	var said [2]any
	for i, e := range []acquire.Event{open[0], read[0]} {
		text, err := json.Marshal(c.message(&waiting{event: e, first: e.ID, recorded: true}))
		if err != nil {
			t.Fatal(err)
		}
		if err := json.Unmarshal(text, &said[i]); err != nil {
			t.Fatal(err)
		}
	}
	if !reflect.DeepEqual(said[0], said[1]) {
		t.Errorf("a draft says\n%v\nand what was read\n%v", said[0], said[1])
	}
}

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
