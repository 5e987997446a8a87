package notify

import (
	"slices"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"ovenward/acquire/alarm"
)

// While nobody answers, what is new is tried at once, and silence costs at most
// one attempt a message and one in each wait.
func TestNewsIsTriedWhileNobodyAnswers(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		box, down := newOutbox(), atomic.Bool{}
		down.Store(true)
		r := &receiver{answer: failingWhile(&down, unheard)}
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
		down.Store(false)
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
					return planted(tc.fails)
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
	for name, fails := range failures() {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				box, born := newOutbox(), time.Now()
				r := &receiver{answer: func(int, Message) result {
					if time.Since(born) < 20*time.Second {
						return planted(fails)
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
			return r.hangs(&flying, takes)
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
				return planted(unheard)
			case !down.Load():
				return result{outcome: accepted}
			}
			return r.hangs(&flying, takes)
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
		r := &receiver{answer: failingWhile(&down, retry)}
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
	for name, fails := range failures() {
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

// That alarms still stand is no news: told again each minute, they have a receiver that is down
// tried no more often than alarms that come and go.
func TestToldAgainDefeatsNoBackOff(t *testing.T) {
	for name, fails := range map[string]outcome{"nobody answers": unheard, "asked to wait": pause} {
		for kind, machine := range map[string]bool{"to a machine": true, "to people": false} {
			t.Run(name+", "+kind, func(t *testing.T) {
				synctest.Test(t, func(t *testing.T) {
					box, r := newOutbox(), &receiver{}
					_, stop := startWith(t, Options{Outbox: box, Carrier: r, Machine: machine})
					defer stop()
					synctest.Wait()
					const alarms = 20
					for i := range alarms {
						box.happen(raised(i, alarm.Silent, time.Now()))
					}
					pass(time.Minute)
					r.mu.Lock()
					r.answer = failing(fails)
					before := r.n
					r.mu.Unlock()
					for range 60 {
						pass(time.Minute)
						for i := range alarms {
							box.happen(change(i, alarm.Silent, alarm.Unacknowledged, alarm.ToldAgain, time.Now()))
						}
					}
					pass(time.Second)
					if tries := r.n - before; tries > 400 {
						t.Errorf("%d attempts in an hour in which %d alarms were told again 60 times, want at most 400", tries, alarms)
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
		for fails, o := range failures() {
			t.Run(name+", "+fails, func(t *testing.T) {
				synctest.Test(t, func(t *testing.T) {
					box, down := newOutbox(), atomic.Bool{}
					r := &receiver{answer: failingWhile(&down, o)}
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
