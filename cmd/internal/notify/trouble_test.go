package notify

import (
	"context"
	"log/slog"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/alarm"
)

// A message that fails again and again is the courier's trouble without a break, though
// heartbeats and other messages are accepted meanwhile; once it is accepted none is.
func TestAMessageThatFailsIsTroubleWhileOthersAreAccepted(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		box, digests := newOutbox(), atomic.Bool{}
		r := &receiver{answer: func(_ int, m Message) result {
			if m.Post == "post-0" && !digests.Load() {
				return planted(retry)
			}
			return result{outcome: accepted}
		}}
		var log strings.Builder
		c, stop := startWith(t, Options{Outbox: box, Carrier: r, Machine: true, Heartbeat: time.Minute,
			Snapshot: func() Snapshot { return Snapshot{} }, Log: slog.New(slog.NewTextHandler(&log, nil))})
		synctest.Wait()
		box.happen(raised(0, alarm.Exceeds, time.Now()))
		pass(time.Second)
		for at := range 600 {
			if at%100 == 0 {
				box.happen(raised(1, alarm.Stuck, time.Now()))
			}
			pass(time.Second)
			if s := c.Stats(); !s.NotAccepted() {
				t.Fatalf("after %d s nothing is amiss: %+v", at, s)
			}
		}
		digests.Store(true)
		pass(5*time.Minute + time.Second)
		if s := c.Stats(); s.NotAccepted() || s.Waiting > 0 {
			t.Errorf("all is accepted, and it says %+v", s)
		}
		stop()
		if said := log.String(); strings.Count(said, "was not accepted") != 1 || strings.Count(said, "accepted again") != 1 {
			t.Errorf("one message was not accepted, and then it was; the log says\n%s", said)
		}
	})
}

// After a reload a message that was accepted while the courier before ended is nobody's
// trouble, nor is one that was broken off; one that fails still is.
func TestWhatEndsWithACourierIsNoTroubleOfTheNext(t *testing.T) {
	for name, c := range map[string]struct {
		then  result
		after time.Duration // how old the message is when the courier ends
		want  bool
	}{
		"accepted at the end":   {result{outcome: accepted}, 1500 * time.Millisecond, false},
		"tried again, in vain":  {planted(retry), 1500 * time.Millisecond, true},
		"broken off, never yet": {result{outcome: unheard, err: context.Canceled}, 100 * time.Millisecond, false},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				box := newOutbox()
				r := &receiver{answer: func(n int, _ Message) result {
					if n == 1 && c.after > time.Second {
						return planted(retry)
					}
					<-time.After(time.Second)
					return c.then
				}}
				before, stop := start(t, box, r)
				synctest.Wait()
				box.happen(raised(0, alarm.Exceeds, time.Now()))
				pass(c.after)
				stop()
				next, err := New(before.o)
				if err != nil {
					t.Fatal(err)
				}
				next.GoOnFrom(before)
				if s := next.Stats(); s.NotAccepted() != c.want {
					t.Errorf("it goes on from %+v, want trouble %v", s, c.want)
				}
			})
		})
	}
}

// That a heartbeat is accepted says nothing of a message whose first attempt since the start
// hangs.
func TestTheFirstAttemptOfAMessageIsCountedWhileItHangs(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		box := newOutbox()
		r := &receiver{}
		r.answer = func(_ int, m Message) result {
			if m.Kind == KindHeartbeat {
				return result{outcome: accepted}
			}
			r.mu.Unlock() // heartbeats are answered meanwhile
			<-time.After(10 * time.Second)
			r.mu.Lock()
			return planted(unheard)
		}
		c, stop := startWith(t, Options{Outbox: box, Carrier: r, Machine: true, Heartbeat: time.Minute,
			Snapshot: func() Snapshot { return Snapshot{} }})
		defer stop()
		synctest.Wait()
		box.happen(raised(0, alarm.Exceeds, time.Now()))
		pass(5 * time.Second)
		if s := c.Stats(); s.LastHeartbeat.IsZero() || s.Trying != 1 || s.NotAccepted() {
			t.Errorf("while it hangs: %+v", s)
		}
		for range 60 {
			pass(time.Second)
			if s := c.Stats(); s.Trying == 0 && !s.NotAccepted() {
				t.Fatalf("it is not accepted, and it says %+v", s)
			}
		}
	})
}

// slowPages is an outbox whose events cannot be read yet, though all else can.
type slowPages struct {
	*outbox
	come chan struct{}
}

func (b slowPages) Events(ctx context.Context, after int64, limit int) ([]acquire.Event, error) {
	select {
	case <-b.come:
		return b.outbox.Events(ctx, after, limit)
	case <-ctx.Done():
		return nil, ctx.Err()
	}
}

// Where to go on is read before what waits there is.
func TestACourierHasBegunWhenItHasReadAll(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		box := slowPages{newOutbox(), make(chan struct{})}
		box.cursors["webhook"] = 1
		for i := range 2 {
			box.happen(raised(i, alarm.Stuck, time.Now()))
		}
		c, stop := startWith(t, Options{Outbox: box, Carrier: &receiver{answer: failing(retry)}})
		defer stop()
		pass(time.Minute)
		if st := c.Stats(); st.Begun {
			t.Errorf("one waits in the record, and it says %+v", st)
		}
		close(box.come)
		pass(time.Second)
		if st := c.Stats(); !st.Begun || st.Waiting != 1 {
			t.Errorf("after it was read: %+v", st)
		}
	})
}

// Before the record was read nobody knows what waits.
func TestACourierHasBegunWhenItHasRead(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		box, r := newOutbox(), &receiver{answer: failing(retry)}
		box.cursors["webhook"] = 1
		for i := range 2 {
			box.happen(raised(i, alarm.Stuck, time.Now()))
		}
		goes := box.stalled()
		c, stop := startWith(t, Options{Outbox: box, Carrier: r})
		defer stop()
		pass(time.Minute)
		if st := c.Stats(); st.Begun || st.Waiting != 0 {
			t.Errorf("before it was read: %+v", st)
		}
		goes()
		pass(time.Second)
		if st := c.Stats(); !st.Begun || st.Waiting != 1 {
			t.Errorf("after it was read: %+v", st)
		}
	})
}
