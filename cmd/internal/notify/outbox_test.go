package notify

import (
	"cmp"
	"context"
	"fmt"
	"maps"
	"slices"
	"strings"
	"sync"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/alarm"
	"ovenward/acquire/limit"
	"ovenward/acquire/store"
)

// outbox is a record in memory, whose disk obeys the test.
type outbox struct {
	mu      sync.Mutex
	last    int64
	durable []acquire.Event
	open    []acquire.Event
	cursors map[string]int64
	told    []store.Told
	changed chan struct{}
	raised  chan struct{}
	awaited map[int64]chan struct{}
	stall   chan struct{} // while set, the disk answers nothing until it is closed
	broken  error         // while set, the disk answers with it
}

func newOutbox() *outbox {
	return &outbox{cursors: map[string]int64{}, changed: make(chan struct{}), raised: make(chan struct{}), awaited: map[int64]chan struct{}{}}
}

// record takes an event as the station does; commit makes it durable.
func (b *outbox) record(e acquire.Event) acquire.Event {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.recordLocked(e)
}

func (b *outbox) recordLocked(e acquire.Event) acquire.Event {
	b.last++
	e.ID = b.last
	b.open = append(b.open, e)
	close(b.raised)
	b.raised = make(chan struct{})
	return e
}

func (b *outbox) Raised() <-chan struct{} {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.raised
}

func (b *outbox) commit() {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.commitLocked()
}

func (b *outbox) commitLocked() {
	b.durable = append(b.durable, b.open...)
	for _, e := range b.open {
		if c := b.awaited[e.ID]; c != nil {
			close(c)
			delete(b.awaited, e.ID)
		}
	}
	b.open = nil
	close(b.changed)
	b.changed = make(chan struct{})
}

// happen is both at once: an event of long ago that a look finds not durable is told
// at once, and those before it that were not read yet come too late.
func (b *outbox) happen(e acquire.Event) acquire.Event {
	b.mu.Lock()
	defer b.mu.Unlock()
	e = b.recordLocked(e)
	b.commitLocked()
	return e
}

// disk waits for the disk, as all that may wait for it does.
func (b *outbox) disk(ctx context.Context) error {
	b.mu.Lock()
	stall, err := b.stall, b.broken
	b.mu.Unlock()
	if stall != nil {
		select {
		case <-stall:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
	return err
}

func (b *outbox) Events(ctx context.Context, after int64, limit int) ([]acquire.Event, error) {
	if err := b.disk(ctx); err != nil {
		return nil, err
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	var out []acquire.Event
	for _, e := range b.durable {
		if e.ID > after && len(out) < limit {
			out = append(out, e)
		}
	}
	return out, nil
}

func (b *outbox) Uncommitted(olderThan time.Time) []acquire.Event {
	b.mu.Lock()
	defer b.mu.Unlock()
	return slices.DeleteFunc(slices.Clone(b.open), func(e acquire.Event) bool { return e.Alarm == nil || !e.At.Before(olderThan) })
}

func (b *outbox) Changed() <-chan struct{} {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.changed
}

func (b *outbox) Durable(id int64) <-chan struct{} {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.awaited[id] == nil {
		b.awaited[id] = make(chan struct{})
		if slices.ContainsFunc(b.durable, func(e acquire.Event) bool { return e.ID == id }) {
			close(b.awaited[id])
		}
	}
	return b.awaited[id]
}

func (b *outbox) Cursors(ctx context.Context, courier string) (map[string]int64, error) {
	if err := b.disk(ctx); err != nil {
		return nil, err
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	all := maps.Clone(b.cursors)
	maps.DeleteFunc(all, func(name string, _ int64) bool { return name != courier && !strings.HasPrefix(name, courier+".") })
	return all, nil
}

func (b *outbox) Keep(ctx context.Context, cursors map[string]int64, told []store.Told) error {
	if err := b.disk(ctx); err != nil {
		return err
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	maps.Copy(b.cursors, cursors)
	maps.DeleteFunc(b.cursors, func(_ string, id int64) bool { return id == 0 })
	b.told = append(b.told, told...)
	return nil
}

func (b *outbox) Standing(ctx context.Context) (stands []acquire.Event, last int64, err error) {
	if err := b.disk(ctx); err != nil {
		return nil, 0, err
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	newest := map[subject]acquire.Event{}
	for _, e := range b.durable {
		last = e.ID
		if e.Alarm != nil {
			newest[subjectOf(e)] = e
		}
	}
	for _, e := range newest {
		if e.Alarm.State.Standing() {
			stands = append(stands, e)
		}
	}
	slices.SortFunc(stands, func(a, b acquire.Event) int { return cmp.Compare(a.ID, b.ID) })
	return stands, last, nil
}

func (b *outbox) kept() []store.Told {
	b.mu.Lock()
	defer b.mu.Unlock()
	return slices.Clone(b.told)
}

func (b *outbox) cursor(name string) int64 {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.cursors[name]
}

// stalled has the disk answer nothing until goes is called.
func (b *outbox) stalled() (goes func()) {
	stall := make(chan struct{})
	set := func(to chan struct{}) {
		b.mu.Lock()
		defer b.mu.Unlock()
		b.stall = to
	}
	set(stall)
	return func() { set(nil); close(stall) }
}

// larkfield is the invented site of these tests.
func larkfield() []acquire.Post {
	var posts []acquire.Post
	for i := range 60 {
		posts = append(posts, acquire.Post{
			Site: "Larkfield House", ID: fmt.Sprintf("post-%d", i), Oven: fmt.Sprintf("oven-%d", i), OvenPlace: "main kitchen",
			Probe: acquire.Probe{ID: fmt.Sprintf("p%d", i), Port: "/dev/ttyUSB0", Range: 200},
			Limit: limit.Limit{ID: "leak-in-use", Value: 50, Basis: limit.EmissionInUse, Source: "invented for this test"},
		})
	}
	return posts
}

// change is an event of an alarm of a post.
func change(post int, rule alarm.Rule, to alarm.State, reason alarm.Reason, at time.Time) acquire.Event {
	id := fmt.Sprintf("post-%d", post)
	c := &alarm.Change{Alarm: alarm.Alarm{Post: id, Rule: rule, State: to, ID: id + "." + string(rule) + ".1",
		Since: at.Add(-3 * time.Second), Changed: at}, From: alarm.Normal, Reason: reason}
	if rule == alarm.Exceeds {
		v, u := 72.0, 11.0
		c.Verdict = &alarm.Grounds{Outcome: "exceeds", Value: &v, Uncertainty: &u, Limit: 50, LimitID: "leak-in-use",
			Source: "invented for this test", Reasons: []string{"above the limit for 3 s in the window"}}
	}
	return acquire.Event{At: at, Post: id, Kind: acquire.KindAlarm, Text: "as the record says", Alarm: c}
}

func raised(post int, rule alarm.Rule, at time.Time) acquire.Event {
	return change(post, rule, alarm.Unacknowledged, alarm.Raised, at)
}
