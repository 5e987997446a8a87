package notify

import (
	"errors"
	"fmt"
	"slices"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"ovenward/acquire/alarm"
)

func TestDurableBeforeSent(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		box, r := newOutbox(), &receiver{}
		_, stop := start(t, box, r)
		defer stop()
		box.record(raised(0, alarm.Exceeds, time.Now()))
		pass(time.Second)
		if len(r.ids()) != 0 {
			t.Error("sent before it was durable and before 2 s had passed")
		}
		box.commit()
		synctest.Wait()
		if !slices.Equal(r.ids(), []int64{1}) || !r.got[0].Recorded {
			t.Errorf("got %v at once when durable, want event 1, marked as recorded", r.got)
		}
	})
}

// A disk that stalls delays no alarm beyond 2 s, and no message is sent again
// when the disk comes back, be the wall clock right or set back.
func TestFaultStalledDisk(t *testing.T) {
	for name, stamp := range map[string]time.Duration{"clock right": 0, "clock set back": time.Hour} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				box, r := newOutbox(), &receiver{}
				_, stop := start(t, box, r)
				defer stop()
				synctest.Wait()
				goes := box.stalled()
				at := time.Now()
				box.record(raised(0, alarm.Exceeds, at.Add(stamp)))
				box.record(raised(1, alarm.Record, at.Add(stamp)))
				pass(10 * time.Second)
				got := r.ids()
				slices.Sort(got) // two alarms: any order
				if !slices.Equal(got, []int64{1, 2}) {
					t.Fatalf("sent %v while the disk stalls, want 1 and 2", got)
				}
				for i, m := range r.got {
					if late := r.when[i].Sub(at); late > 2*time.Second || m.Recorded {
						t.Errorf("event %d sent %s after it was raised, recorded %v; want within 2 s, and not", m.EventID, late, m.Recorded)
					}
				}
				box.commit()
				goes()
				box.happen(change(0, alarm.Exceeds, alarm.LatchedUnacknowledged, alarm.ReturnedLatched, time.Now()))
				synctest.Wait()
				if len(r.got) != 3 || r.got[2].EventID != 3 || !r.got[2].Recorded {
					t.Errorf("sent %v in all, want 1, 2, 3, the last recorded", r.ids())
				}
				if got := box.cursor("webhook"); got != 3 {
					t.Errorf("cursor %d, want 3", got)
				}
			})
		})
	}
}

// An event that was committed or dropped, but cannot be read in time, is sent
// from what was seen of it before, and not as recorded: that is not known.
func TestFaultStalledReading(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		box, r := newOutbox(), &receiver{}
		_, stop := start(t, box, r)
		defer stop()
		synctest.Wait()
		box.record(raised(0, alarm.Exceeds, time.Now()))
		pass(lookEvery)
		goes := box.stalled()
		box.commit()
		pass(2 * time.Second)
		if !slices.Equal(r.ids(), []int64{1}) || r.got[0].Recorded {
			t.Errorf("sent %v, want event 1, not marked as recorded", r.got)
		}
		goes()
	})
}

func TestFailuresAreRetriedInOrder(t *testing.T) {
	for name, kind := range map[string]outcome{"answered with an error": retry, "not heard": unheard, "asked to wait": pause} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				box := newOutbox()
				r := &receiver{answer: func(n int, _ Message) result {
					if n <= 4 {
						return planted(kind)
					}
					return result{outcome: accepted}
				}}
				c, stop := start(t, box, r)
				defer stop()
				synctest.Wait()
				began := time.Now()
				for i := range 3 {
					box.happen(change(0, alarm.Silent, alarm.Unacknowledged, alarm.Raised, began.Add(time.Duration(i))))
				}
				pass(17 * time.Second)
				if !slices.Equal(r.ids(), []int64{1, 2, 3}) {
					t.Fatalf("sent %v, want 1, 2, 3", r.ids())
				}
				// 1 + 2 + 4 + 8 s of waiting, and up to lookEvery at each.
				if d := r.when[0].Sub(began); d < 15*time.Second || d > 16*time.Second {
					t.Errorf("accepted after %s, want 15 to 16 s", d)
				}
				if s := c.Stats(); s.Sent != 3 || s.Failed != 4 || s.Waiting != 0 || s.LastError != "planted" || !s.LastAccepted.Equal(r.when[2]) {
					t.Errorf("stats %+v", s)
				}
			})
		})
	}
}

// A message that the receiver cannot digest holds up its own alarm and no other.
func TestOneBadMessageHoldsUpNoOther(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		box := newOutbox()
		r := &receiver{answer: func(_ int, m Message) result {
			if m.Post == "post-0" {
				return planted(retry)
			}
			return result{outcome: accepted}
		}}
		c, stop := start(t, box, r)
		defer stop()
		synctest.Wait()
		for i := range 100 {
			box.happen(raised(i%4, alarm.Stuck, time.Now()))
			pass(time.Second)
		}
		synctest.Wait()
		if got := len(r.ids()); got != 75 {
			t.Errorf("%d messages of the other alarms accepted, want 75", got)
		}
		if s := c.Stats(); s.Waiting != 25 || box.cursor("webhook") != 0 {
			t.Errorf("%d wait, cursor %d; want 25, 0", s.Waiting, box.cursor("webhook"))
		}
	})
}

func TestRetryAfterIsHonoured(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		box := newOutbox()
		r := &receiver{answer: func(n int, _ Message) result {
			if n == 1 {
				return result{outcome: pause, after: 90 * time.Second, err: errors.New("planted")}
			}
			return result{outcome: accepted}
		}}
		_, stop := start(t, box, r)
		defer stop()
		synctest.Wait()
		began := time.Now()
		box.happen(raised(0, alarm.Silent, began))
		synctest.Wait()
		box.happen(raised(1, alarm.Exceeds, began))
		pass(2 * time.Minute)
		if len(r.when) != 2 || r.when[0].Sub(began) < 90*time.Second || r.when[0].Sub(began) > 91*time.Second {
			t.Errorf("accepted at %v, want both 90 s after %v", r.when, began)
		}
	})
}

// That one which was under way is accepted takes nothing back of what was asked for.
func TestRetryAfterIsHonouredBesideOneThatIsAccepted(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		box := newOutbox()
		r := &receiver{}
		r.answer = func(n int, m Message) result {
			switch {
			case m.Post == "post-1":
				r.mu.Unlock() // it is under way while another one is answered
				<-time.After(time.Second)
				r.mu.Lock()
			case n <= 2:
				return result{outcome: pause, after: 90 * time.Second, err: errors.New("planted")}
			}
			return result{outcome: accepted}
		}
		_, stop := start(t, box, r)
		defer stop()
		synctest.Wait()
		began := time.Now()
		box.happen(raised(1, alarm.Silent, began))
		box.happen(raised(0, alarm.Silent, began))
		pass(2 * time.Minute)
		if len(r.when) != 2 || r.when[0].Sub(began) > 2*time.Second || r.when[1].Sub(began) < 90*time.Second || r.when[1].Sub(began) > 91*time.Second {
			t.Errorf("accepted at %v, want the one at once, and the other 90 s after %v", r.when, began)
		}
	})
}

func TestFaultFloodIsCoalesced(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		box, down := newOutbox(), atomic.Bool{}
		down.Store(true)
		r := &receiver{answer: failingWhile(&down, unheard)}
		c, stop := start(t, box, r)
		defer stop()
		synctest.Wait()
		const n, alarms = 5000, 5
		for i := range n {
			box.happen(change(i%alarms, alarm.Stuck, alarm.Unacknowledged, alarm.RaisedAgain, time.Now()))
		}
		pass(time.Minute)
		if w := c.Stats().Waiting; w > maxWaiting+alarms {
			t.Errorf("%d wait, want at most %d", w, maxWaiting+alarms)
		}
		down.Store(false)
		pass(10 * time.Minute)
		told, last := 0, map[string]int64{}
		for _, m := range r.got {
			told += 1 + m.AndNMore
			if m.EventID <= last[m.Post] {
				t.Errorf("%s: event %d after %d", m.Post, m.EventID, last[m.Post])
			}
			last[m.Post] = m.EventID
		}
		for i := range alarms {
			if got, want := last[fmt.Sprintf("post-%d", i)], int64(n-alarms+i+1); got != want {
				t.Errorf("post-%d: the last told is event %d, want the newest, %d", i, got, want)
			}
		}
		s := c.Stats()
		if told != n || int(s.Coalesced)+len(r.got) != n || box.cursor("webhook") != n {
			t.Errorf("%d changes told of in %d messages, %d coalesced, cursor %d; want %d in all", told, len(r.got), s.Coalesced, box.cursor("webhook"), n)
		}
	})
}

// While the record is dead and an alarm chatters, nothing grows without bound,
// and people are told of every change, by message or by count.
func TestFaultDeadRecordAndChatter(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		box, r := newOutbox(), &receiver{}
		_, stop := start(t, box, r)
		defer stop()
		synctest.Wait()
		const n = 3 * maxEarly
		for i := range n {
			box.mu.Lock()
			if len(box.open) == 100 {
				box.open = box.open[1:] // the record drops the oldest
			}
			box.mu.Unlock()
			box.record(raised(i%2, alarm.Stuck, time.Now()))
			<-time.After(100 * time.Millisecond)
		}
		pass(2 * time.Second)
		told := 0
		for _, m := range r.got {
			told += 1 + m.AndNMore
		}
		if told != n {
			t.Errorf("told of %d changes, want %d", told, n)
		}
	})
}
