package notify

import (
	"context"
	"errors"
	"slices"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"
)

// receiver stands in for the network: it answers as the test says.
type receiver struct {
	mu     sync.Mutex
	got    []Message
	when   []time.Time
	answer func(n int, m Message) result // n counts attempts from 1
	n      int
}

func (r *receiver) send(ctx context.Context, m Message) result {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.n++
	res := result{outcome: accepted}
	if r.answer != nil {
		res = r.answer(r.n, m)
	}
	if res.outcome == accepted {
		r.got, r.when = append(r.got, m), append(r.when, time.Now())
	}
	return res
}

// hangs is an answer that takes so long, beside those of other attempts, and that nobody gives.
func (r *receiver) hangs(flying *atomic.Int64, takes time.Duration) result {
	flying.Add(1)
	defer flying.Add(-1)
	r.mu.Unlock()
	defer r.mu.Lock()
	<-time.After(takes)
	return planted(unheard)
}

func (r *receiver) ids() []int64 {
	r.mu.Lock()
	defer r.mu.Unlock()
	var ids []int64
	for _, m := range r.got {
		ids = append(ids, m.EventID)
	}
	return ids
}

// all copies what was accepted.
func (r *receiver) all() []Message {
	r.mu.Lock()
	defer r.mu.Unlock()
	return slices.Clone(r.got)
}

func (r *receiver) to() string { return "receiver" }

func (r *receiver) close() {}

// start runs a courier over box until stop is called. It tells every change.
func start(t *testing.T, box *outbox, r *receiver) (c *Courier, stop func()) {
	t.Helper()
	return startWith(t, Options{Outbox: box, Carrier: r, Machine: true})
}

func startWith(t *testing.T, o Options) (c *Courier, stop func()) {
	t.Helper()
	o.Site, o.Posts = "Larkfield House", larkfield()
	c, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	c.wait = func(n int) time.Duration { return backoff(n, 0) }
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error)
	go func() { ended <- c.Run(ctx) }()
	return c, func() {
		cancel()
		if err := <-ended; err != nil {
			t.Errorf("Run: %v", err)
		}
	}
}

// pass lets time pass, that of the bubble, and all that is due in it happen.
func pass(d time.Duration) {
	<-time.After(d)
	synctest.Wait()
}

func planted(o outcome) result { return result{outcome: o, err: errors.New("planted")} }

func failing(o outcome) func(int, Message) result {
	return func(int, Message) result { return planted(o) }
}

// failingWhile fails while it is down, and accepts else.
func failingWhile(down *atomic.Bool, o outcome) func(int, Message) result {
	return func(int, Message) result {
		if down.Load() {
			return planted(o)
		}
		return result{outcome: accepted}
	}
}

// failures are those after which a message is tried again.
func failures() map[string]outcome {
	return map[string]outcome{"nobody answers": unheard, "refused for now": retry, "asked to wait": pause}
}
