package notify

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/alarm"
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

func failing(r outcome) func(int, Message) result {
	return func(int, Message) result { return result{outcome: r, err: errors.New("planted")} }
}

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
				stall := make(chan struct{})
				box.mu.Lock()
				box.stall = stall
				box.mu.Unlock()
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
				close(stall)
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
		box.stall = make(chan struct{})
		box.commit()
		pass(2 * time.Second)
		if !slices.Equal(r.ids(), []int64{1}) || r.got[0].Recorded {
			t.Errorf("sent %v, want event 1, not marked as recorded", r.got)
		}
		close(box.stall)
	})
}

func TestFailuresAreRetriedInOrder(t *testing.T) {
	for name, kind := range map[string]outcome{"answered with an error": retry, "not heard": unheard, "asked to wait": pause} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				box := newOutbox()
				r := &receiver{answer: func(n int, _ Message) result {
					if n <= 4 {
						return result{outcome: kind, err: errors.New("planted")}
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
				return result{outcome: retry, err: errors.New("planted")}
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

// While nobody answers, what is new is tried at once, and silence costs at most
// one attempt a message and one in each wait.
func TestNewsIsTriedWhileNobodyAnswers(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		box := newOutbox()
		up := false
		r := &receiver{answer: func(int, Message) result {
			if !up {
				return result{outcome: unheard, err: errors.New("planted")}
			}
			return result{outcome: accepted}
		}}
		_, stop := start(t, box, r)
		defer stop()
		synctest.Wait()
		for i := range 20 {
			box.happen(raised(i, alarm.Silent, time.Now()))
		}
		pass(time.Hour)
		if r.n < 20 || r.n > 20+60 {
			t.Errorf("%d attempts in an hour of silence, want 20 to 80", r.n)
		}
		r.mu.Lock()
		up = true
		r.mu.Unlock()
		began := time.Now()
		box.happen(raised(30, alarm.Exceeds, began))
		synctest.Wait()
		pass(lookEvery)
		if got := len(r.ids()); got != 21 || r.got[0].Post != "post-30" {
			t.Errorf("%d accepted as soon as one got through, want 21, the new one first", got)
		}
	})
}

// A change does not wait for minutes behind an older one of its alarm that failed: with
// it that is tried at once, also where its attempt is under way and fails.
func TestNewsHasTheOlderTriedAtOnce(t *testing.T) {
	for name, tc := range map[string]struct {
		fails outcome
		takes time.Duration // an attempt
		paced bool
	}{
		"nobody answers": {unheard, 0, false}, "refused for now": {retry, 0, false}, "to people": {unheard, 0, true},
		"asked to wait, and not how long": {pause, 0, false}, "so, and one hangs": {pause, 10 * time.Second, false},
		"one hangs": {unheard, 10 * time.Second, false}, "one hangs, and is refused for now": {retry, 10 * time.Second, false},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				box, down := newOutbox(), atomic.Bool{}
				var tries atomic.Int64
				r := &receiver{answer: func(int, Message) result {
					if !down.Load() {
						return result{outcome: accepted}
					}
					if tries.Add(1); tc.takes > 0 {
						<-time.After(tc.takes)
					}
					return result{outcome: tc.fails, err: errors.New("planted")}
				}}
				_, stop := startWith(t, Options{Outbox: box, Carrier: r, Machine: !tc.paced})
				defer stop()
				synctest.Wait()
				down.Store(true)
				box.happen(change(0, alarm.Exceeds, alarm.Normal, alarm.WasReset, time.Now()))
				pass(30 * time.Minute)
				for before := tries.Load(); tc.takes > 0 && tries.Load() == before; { // now one hangs
					pass(time.Second)
				}
				before := tries.Load()
				down.Store(false)
				box.happen(raised(0, alarm.Exceeds, time.Now()))
				pass(tc.takes + 2*time.Second)
				if !slices.Equal(r.ids(), []int64{1, 2}) || before > 20 {
					t.Errorf("after %d tries, and %s once somebody answers, there came %v; want 1 and 2", before, tc.takes+2*time.Second, r.ids())
				}
			})
		})
	}
}

// However many attempts fail together, that counts once: after 20 s of failing the next one
// comes within as long again.
func TestAttemptsThatFailTogetherCountOnce(t *testing.T) {
	for name, fails := range map[string]outcome{"nobody answers": unheard, "refused for now": retry, "asked to wait": pause} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				box, born := newOutbox(), time.Now()
				r := &receiver{answer: func(int, Message) result {
					if time.Since(born) < 20*time.Second {
						return result{outcome: fails, err: errors.New("planted")}
					}
					return result{outcome: accepted}
				}}
				_, stop := start(t, box, r)
				defer stop()
				synctest.Wait()
				for i := range maxFlying {
					box.happen(raised(i, alarm.Exceeds, time.Now()))
				}
				pass(40 * time.Second)
				if got := r.ids(); len(got) != maxFlying {
					t.Errorf("20 s after somebody answers %v were accepted; want all %d", got, maxFlying)
				}
			})
		})
	}
}

// What comes while as many attempts hang as may fly was tried by none of them, so that it is
// tried when they have failed, and waits for no back-off.
func TestNewsWhileAllAttemptsHangIsTriedAfterThem(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		const takes = 10 * time.Second
		box, down := newOutbox(), atomic.Bool{}
		var tries, flying atomic.Int64
		r := &receiver{}
		r.answer = func(int, Message) result {
			if !down.Load() {
				return result{outcome: accepted}
			}
			tries.Add(1)
			flying.Add(1)
			defer flying.Add(-1)
			r.mu.Unlock() // attempts hang together
			<-time.After(takes)
			r.mu.Lock()
			return result{outcome: unheard, err: errors.New("planted")}
		}
		_, stop := start(t, box, r)
		defer stop()
		synctest.Wait()
		down.Store(true)
		for i := range maxFlying {
			box.happen(raised(i, alarm.Exceeds, time.Now()))
		}
		pass(30 * time.Minute)
		for flying.Load() < maxFlying {
			pass(time.Second)
		}
		pass(time.Second)
		before := tries.Load()
		down.Store(false)
		other := box.happen(raised(maxFlying, alarm.Stuck, time.Now())).ID
		urgent := box.happen(raised(maxFlying+1, alarm.Exceeds, time.Now())).ID
		pass(takes + 2*time.Second)
		if got := r.ids(); !slices.Contains(got, urgent) || !slices.Contains(got, other) || before > 20*maxFlying {
			t.Errorf("after %d tries, and %s once somebody answers, there came %v; want %d and %d among them", before, takes+2*time.Second, got, other, urgent)
		}
	})
}

// Of two exceedances that are raised at once while three attempts hang, one is tried at once. That
// it finds nobody keeps the other one back for no longer than an attempt hangs.
func TestTwoExceedancesWhileThreeAttemptsHang(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		const takes = 10 * time.Second
		box, down := newOutbox(), atomic.Bool{}
		var flying atomic.Int64
		r := &receiver{}
		r.answer = func(_ int, m Message) result {
			switch {
			case m.Post == "post-7": // nobody listens, for once
				return result{outcome: unheard, err: errors.New("planted")}
			case !down.Load():
				return result{outcome: accepted}
			}
			flying.Add(1)
			defer flying.Add(-1)
			r.mu.Unlock() // attempts hang together
			<-time.After(takes)
			r.mu.Lock()
			return result{outcome: unheard, err: errors.New("planted")}
		}
		_, stop := start(t, box, r)
		defer stop()
		synctest.Wait()
		down.Store(true)
		for i := range maxFlying - 1 {
			box.happen(raised(i, alarm.Exceeds, time.Now()))
		}
		pass(30 * time.Minute)
		for flying.Load() < maxFlying-1 {
			pass(time.Second)
		}
		down.Store(false)
		box.happen(raised(7, alarm.Exceeds, time.Now()))
		second := box.happen(raised(8, alarm.Exceeds, time.Now())).ID
		pass(takes + time.Second)
		if got := r.ids(); !slices.Contains(got, second) {
			t.Errorf("%s after it was raised, and somebody answers, there came %v; want %d among them", takes+time.Second, got, second)
		}
	})
}

// So it is with what waited for the morning, and failed then.
func TestNewsHasWhatWaitedForHoursTriedAtOnce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		box, down := newOutbox(), atomic.Bool{}
		r := &receiver{answer: func(int, Message) result {
			if down.Load() {
				return result{outcome: retry, err: errors.New("planted")}
			}
			return result{outcome: accepted}
		}}
		_, stop := startWith(t, Options{Outbox: box, Carrier: r, Route: Route{Hours: office{}}})
		defer stop()
		synctest.Wait()
		down.Store(true)
		box.happen(change(0, alarm.Exceeds, alarm.Normal, alarm.WasReset, time.Now()))
		pass(8*time.Hour + 30*time.Minute)
		down.Store(false)
		box.happen(raised(0, alarm.Exceeds, time.Now()))
		pass(2 * time.Second)
		if !slices.Equal(r.ids(), []int64{1, 2}) {
			t.Errorf("2 s after the newer came %v; want 1 and 2", r.ids())
		}
	})
}

// An alarm that comes and goes has what failed of it tried at once a few times, and not
// for each of its changes: a receiver that is down is not flooded.
func TestChatterDefeatsNoBackOff(t *testing.T) {
	for name, fails := range map[string]outcome{"nobody answers": unheard, "refused for now": retry, "asked to wait": pause} {
		for kind, machine := range map[string]bool{"to a machine": true, "to people": false} {
			t.Run(name+", "+kind, func(t *testing.T) {
				synctest.Test(t, func(t *testing.T) {
					box, r := newOutbox(), &receiver{answer: failing(fails)}
					_, stop := startWith(t, Options{Outbox: box, Carrier: r, Machine: machine})
					defer stop()
					synctest.Wait()
					for i := range 1800 {
						box.happen(change(0, alarm.Stuck, alarm.Unacknowledged, []alarm.Reason{alarm.RaisedAgain, alarm.Returned}[i%2], time.Now()))
						pass(2 * time.Second)
					}
					if r.n > 100 {
						t.Errorf("%d attempts in an hour of 1800 changes, want at most 100", r.n)
					}
				})
			})
		}
	}
}

// But what is urgent is tried at once after that, too, and what is not a minute later.
func TestNewsAfterChatterIsTriedSoon(t *testing.T) {
	for name, tc := range map[string]struct {
		reason alarm.Reason
		others int // alarms that wait too
		within time.Duration
	}{
		"urgent": {alarm.Raised, 0, 2 * time.Second}, "urgent, and much waits": {alarm.Raised, maxWaiting, 2 * time.Second},
		"not urgent": {alarm.RaisedAgain, 0, time.Minute + time.Second},
	} {
		for fails, o := range map[string]outcome{"nobody answers": unheard, "refused for now": retry, "asked to wait": pause} {
			t.Run(name+", "+fails, func(t *testing.T) {
				synctest.Test(t, func(t *testing.T) {
					box, down := newOutbox(), atomic.Bool{}
					r := &receiver{answer: func(int, Message) result {
						if !down.Load() {
							return result{outcome: accepted}
						}
						return result{outcome: o, err: errors.New("planted")}
					}}
					_, stop := startWith(t, Options{Outbox: box, Carrier: r, Machine: true})
					defer stop()
					synctest.Wait()
					down.Store(true)
					for i := range tc.others {
						box.happen(raised(i+1, alarm.Stuck, time.Now()))
					}
					box.happen(raised(0, alarm.Exceeds, time.Now()))
					pass(30 * time.Minute)
					for i := range 5 {
						box.happen(change(0, alarm.Exceeds, alarm.Unacknowledged, []alarm.Reason{alarm.Returned, alarm.RaisedAgain}[i%2], time.Now()))
						pass(2 * time.Second)
					}
					down.Store(false)
					newest := box.happen(change(0, alarm.Exceeds, alarm.Unacknowledged, tc.reason, time.Now())).ID
					pass(tc.within)
					if !slices.Contains(r.ids(), newest) {
						t.Errorf("%s after it came, and somebody answers, %v were accepted; want %d among them", tc.within, r.ids(), newest)
					}
				})
			})
		}
	}
}

// A message that fails again and again is the courier's trouble without a break, though
// heartbeats and other messages are accepted meanwhile; once it is accepted none is.
func TestAMessageThatFailsIsTroubleWhileOthersAreAccepted(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		box, digests := newOutbox(), atomic.Bool{}
		r := &receiver{answer: func(_ int, m Message) result {
			if m.Post == "post-0" && !digests.Load() {
				return result{outcome: retry, err: errors.New("planted")}
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
		"tried again, in vain":  {result{outcome: retry, err: errors.New("planted")}, 1500 * time.Millisecond, true},
		"broken off, never yet": {result{outcome: unheard, err: context.Canceled}, 100 * time.Millisecond, false},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				box := newOutbox()
				r := &receiver{answer: func(n int, _ Message) result {
					if n == 1 && c.after > time.Second {
						return result{outcome: retry, err: errors.New("planted")}
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
			return result{outcome: unheard, err: errors.New("planted")}
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
		box.stall = make(chan struct{})
		c, stop := startWith(t, Options{Outbox: box, Carrier: r})
		defer stop()
		pass(time.Minute)
		if st := c.Stats(); st.Begun || st.Waiting != 0 {
			t.Errorf("before it was read: %+v", st)
		}
		close(box.stall)
		pass(time.Second)
		if st := c.Stats(); !st.Begun || st.Waiting != 1 {
			t.Errorf("after it was read: %+v", st)
		}
	})
}

func TestFaultFloodIsCoalesced(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		box := newOutbox()
		up := false
		r := &receiver{answer: func(int, Message) result {
			if !up {
				return result{outcome: unheard, err: errors.New("planted")}
			}
			return result{outcome: accepted}
		}}
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
		r.mu.Lock()
		up = true
		r.mu.Unlock()
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
