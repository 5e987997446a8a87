package notify

import (
	"context"
	"encoding/json"
	"errors"
	"math"
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
	one := func(box *outbox) {
		box.record(high(0))
		pass(100 * time.Millisecond)
		box.commit()
	}
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
		{name: "goes when it is durable", do: one, want: []int64{1}, recorded: true, drafts: 1},
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
		{name: "fails before it goes", broken: errors.New("planted"), do: one, want: []int64{1}, recorded: true, drafts: 1, sends: 1},
		{name: "is answered with trouble", answer: func(n int, _ Message) result {
			if n == 1 {
				return planted(retry)
			}
			return result{outcome: accepted}
		}, do: func(box *outbox) {
			one(box)
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
			goes := box.stalled()
			box.commit()
			pass(2 * time.Second)
			goes()
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
			one(box)
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
			goes := box.stalled()
			box.happen(high(0))
			synctest.Wait()
			one(box)
			goes()
		}, want: []int64{1, 2}, recorded: true, sends: 2},
		{name: "before the first page", stalled: true, do: one, want: []int64{1}, recorded: true, sends: 1},
		{name: "to a person", o: Options{Most: 20}, do: one, want: []int64{1}, recorded: true, sends: 1},
		{name: "not for this courier", o: Options{Machine: true, Route: Route{Posts: []string{"of another courier"}}}, do: one},
	} {
		t.Run(c.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				box, r := newOutbox(), &drafting{receiver: receiver{answer: c.answer}, broken: c.broken, slow: c.slow, dials: c.dials}
				c.o.Outbox, c.o.Carrier = box, r
				c.o.Machine = c.o.Machine || c.o.Most == 0
				goes := func() {}
				if c.stalled {
					goes = box.stalled()
				}
				_, stop := startWith(t, c.o)
				synctest.Wait()
				c.do(box)
				goes()
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
