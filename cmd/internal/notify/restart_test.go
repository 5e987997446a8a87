package notify

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"slices"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/alarm"
)

func TestRestartGoesOnAtTheCursor(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		box, r := newOutbox(), &receiver{}
		_, stop := start(t, box, r)
		synctest.Wait()
		box.happen(raised(0, alarm.Silent, time.Now()))
		box.happen(acquire.Event{At: time.Now(), Kind: acquire.KindStation, Text: "no alarm"})
		synctest.Wait()
		stop()
		if got := box.cursor("webhook"); got != 2 {
			t.Errorf("cursor %d after a clean end, want 2", got)
		}
		box.happen(change(0, alarm.Silent, alarm.ReturnedUnacknowledged, alarm.Returned, time.Now()))
		box.happen(raised(1, alarm.Stale, time.Now()))
		again := &receiver{}
		_, stop = start(t, box, again)
		defer stop()
		synctest.Wait()
		got := again.ids()
		slices.Sort(got) // two alarms: any order
		if !slices.Equal(got, []int64{3, 4}) {
			t.Errorf("after the restart %v was sent, want 3 and 4", got)
		}
	})
}

// What was not accepted before the end is sent after the next start, with the
// same id.
func TestRestartRepeatsWhatFailed(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		box := newOutbox()
		var tried []string
		r := &receiver{answer: func(_ int, m Message) result {
			tried = append(tried, m.MessageID)
			return planted(unheard)
		}}
		_, stop := start(t, box, r)
		synctest.Wait()
		box.happen(raised(0, alarm.Silent, time.Now()))
		box.happen(change(0, alarm.Silent, alarm.ReturnedUnacknowledged, alarm.Returned, time.Now()))
		synctest.Wait()
		stop()
		again := &receiver{}
		_, stop = start(t, box, again)
		defer stop()
		synctest.Wait()
		if !slices.Equal(again.ids(), []int64{1, 2}) || len(tried) == 0 || tried[0] != again.got[0].MessageID {
			t.Errorf("after the restart %v was sent, id %q; want 1 and 2, id %q", again.ids(), again.got[0].MessageID, tried)
		}
	})
}

// A message that its pace holds back for hours does not bring up again, at the next
// start, what was accepted after it.
func TestRestartTellsNothingAgain(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		box, r := newOutbox(), &receiver{}
		_, stop := startPaced(t, box, r, nil)
		synctest.Wait()
		for i := range 5 {
			to, why := alarm.Unacknowledged, alarm.RaisedAgain
			if i%2 == 1 {
				to, why = alarm.ReturnedUnacknowledged, alarm.Returned
			}
			box.happen(change(1, alarm.Battery, to, why, time.Now()))
			pass(time.Minute)
		}
		box.happen(raised(0, alarm.Exceeds, time.Now()))
		pass(time.Minute)
		box.happen(change(0, alarm.Exceeds, alarm.LatchedUnacknowledged, alarm.ReturnedLatched, time.Now()))
		pass(30 * time.Minute)
		stop()
		if got, want := r.ids(), []int64{1, 2, 3, 6, 7}; !slices.Equal(got, want) {
			t.Fatalf("sent %v, want %v", got, want)
		}
		again := &receiver{}
		_, stop = startPaced(t, box, again, nil)
		pass(time.Minute)
		stop()
		if got, want := again.ids(), []int64{4, 5}; !slices.Equal(got, want) {
			t.Errorf("after the restart %v was sent, want %v, which were held back", got, want)
		}
		if len(box.cursors) != 2 || box.cursor("webhook") != 7 {
			t.Errorf("cursors %v; want that at the end, and where it began", box.cursors)
		}
	})
}

// What was refused is the courier's trouble until it was accepted, though a newer message of its
// alarm waits in its place until the hours begin, and a heartbeat is accepted meanwhile. After a
// start nobody knows whether what waits was refused, until it is tried.
func TestWhatWasRefusedIsTroubleUntilTheMorning(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		box, digests := newOutbox(), atomic.Bool{}
		r := &receiver{answer: func(_ int, m Message) result {
			if m.Kind != KindHeartbeat && !digests.Load() {
				return result{outcome: retry, err: errors.New("planted")}
			}
			return result{outcome: accepted}
		}}
		o := Options{Outbox: box, Carrier: r, Route: Route{Hours: office{}}, Heartbeat: time.Minute, Snapshot: func() Snapshot { return Snapshot{} }}
		c, stop := startWith(t, o)
		pass(16*time.Hour + 59*time.Minute)
		box.happen(raised(0, alarm.Stuck, time.Now()))
		pass(2 * time.Minute)
		box.happen(change(0, alarm.Stuck, alarm.ReturnedUnacknowledged, alarm.Returned, time.Now()))
		pass(10 * time.Minute)
		if s := c.Stats(); s.LastHeartbeat.IsZero() || !s.NotAccepted() {
			t.Errorf("at night, the refused one replaced: %+v", s)
		}
		stop()
		digests.Store(true)
		c, stop = startWith(t, o)
		defer stop()
		pass(10 * time.Minute)
		if s := c.Stats(); s.LastHeartbeat.IsZero() || !s.Begun || s.Waiting != 1 || s.NotAccepted() || s.Trying != 1 {
			t.Errorf("at night, after a start: %+v; want one of which it is not known", s)
		}
		pass(15 * time.Hour)
		if s := c.Stats(); s.Waiting != 0 || s.NotAccepted() || s.Trying != 0 {
			t.Errorf("in the morning: %+v", s)
		}
	})
}

// Over any number of starts, whatever fails and is held back between: each change is
// told or counted, in its order; and what was accepted is not told again, unless the
// program was killed before it could keep that.
func TestRestartsLoseNothing(t *testing.T) {
	for seed := range uint64(rounds(12, 2000)) {
		synctest.Test(t, func(t *testing.T) {
			rng := rand.New(rand.NewPCG(seed, 1))
			kills, upAgain, changes := seed%2 == 1, false, 0
			box, down, chance := newOutbox(), map[string]bool{}, rand.New(rand.NewPCG(seed, 2))
			r := &receiver{answer: func(_ int, m Message) result {
				if down[m.Post] || !upAgain && chance.IntN(5) > 0 {
					return planted(retry)
				}
				return result{outcome: accepted}
			}}
			for range 8 {
				_, stop := startWith(t, Options{Outbox: box, Carrier: r, Machine: seed%4 > 1})
				synctest.Wait()
				for range rng.IntN(12) {
					r.mu.Lock()
					down[fmt.Sprintf("post-%d", rng.IntN(4))] = rng.IntN(2) == 0
					r.mu.Unlock()
					if rng.IntN(3) > 0 {
						box.happen(change(rng.IntN(4), alarm.Stuck, alarm.Unacknowledged, alarm.RaisedAgain, time.Now()))
						changes++
					}
					pass(time.Duration(rng.Int64N(int64(20 * time.Minute))))
				}
				if kills && rng.IntN(2) == 0 {
					box.mu.Lock()
					box.broken = errors.New("planted: nothing is kept any more")
					box.mu.Unlock()
					pass(time.Duration(rng.Int64N(int64(time.Minute))))
				}
				stop()
				box.broken = nil
			}
			clear(down)
			upAgain = true
			_, stop := startWith(t, Options{Outbox: box, Carrier: r, Machine: seed%4 > 1})
			pass(9 * time.Hour)
			stop()
			checkRestarts(t, box, r.all(), kills)
			if box.cursor("webhook") != int64(changes) {
				t.Errorf("seed %d: cursor %d after %d changes", seed, box.cursor("webhook"), changes)
			}
		})
	}
}

// What came late and is not counted yet is not passed over for a newer message of its
// alarm, nor what was told before it was read.
func TestWhatIsLateIsNotDone(t *testing.T) {
	s := &sender{c: &Courier{o: Options{Name: "webhook"}}, q: newQueue(50, pace{}), read: 7, settled: map[subject]int64{}}
	late, early, of := raised(0, alarm.Stuck, at(0)), raised(1, alarm.Stuck, at(0)), raised(2, alarm.Stuck, at(0))
	s.q.newest[subjectOf(late)] = numbered(6, late)
	s.q.add(numbered(5, late), true, at(0), at(0))
	for e, id := range map[*acquire.Event]int64{&late: 6, &early: 9, &of: 3} {
		s.settled[subjectOf(*e)] = id
	}
	if got, want := fmt.Sprint(s.aheadOf(2)), "map[webhook.done.post-0/stuck:4 webhook.done.post-1/stuck:7 webhook.done.post-2/stuck:3]"; got != want {
		t.Errorf("%s, want %s", got, want)
	}
	s.read = 9
	if got, want := fmt.Sprint(s.aheadOf(4)), "map[webhook.done.post-1/stuck:9]"; got != want {
		t.Errorf("when all is read %s, want %s", got, want)
	}
}

// checkRestarts holds what was told against the record.
func checkRestarts(t *testing.T, box *outbox, got []Message, repeats bool) {
	t.Helper()
	of := map[string][]int64{}
	for _, e := range box.durable {
		of[e.Post] = append(of[e.Post], e.ID)
	}
	last, covered := map[string]int64{}, map[int64]bool{}
	for _, m := range got {
		if !repeats && m.EventID <= last[m.Post] {
			t.Errorf("%s: event %d after %d", m.Post, m.EventID, last[m.Post])
		}
		last[m.Post] = m.EventID
		ids := of[m.Post]
		i := slices.Index(ids, m.EventID)
		for _, id := range ids[max(i-m.AndNMore, 0) : i+1] {
			covered[id] = true
		}
	}
	for post, ids := range of {
		for _, id := range ids {
			if !covered[id] {
				t.Errorf("%s: event %d was neither told nor counted", post, id)
			}
		}
	}
}

// A courier's first start tells what stands, not what was; so does a restart
// before that was accepted.
func TestFirstStartTellsWhatStands(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		box := newOutbox()
		for range 400 {
			box.happen(raised(0, alarm.Silent, time.Now()))
			box.happen(change(0, alarm.Silent, alarm.Normal, alarm.Returned, time.Now()))
		}
		box.happen(raised(1, alarm.Exceeds, time.Now()))
		box.happen(change(1, alarm.Exceeds, alarm.LatchedUnacknowledged, alarm.ReturnedLatched, time.Now()))
		box.happen(raised(2, alarm.Stale, time.Now()))
		box.happen(change(3, alarm.Stale, alarm.ReturnedUnacknowledged, alarm.Returned, time.Now()))
		_, stop := start(t, box, &receiver{answer: failing(unheard)})
		synctest.Wait()
		box.happen(raised(4, alarm.Silent, time.Now()))
		box.happen(change(4, alarm.Silent, alarm.Normal, alarm.Returned, time.Now()))
		synctest.Wait()
		stop()
		r := &receiver{}
		_, stop = start(t, box, r)
		synctest.Wait()
		stop()
		got := r.ids()
		slices.Sort(got)
		if want := []int64{802, 803, 805, 806}; !slices.Equal(got, want) {
			t.Errorf("sent %v, want %v: what stood at the first start, and all since", got, want)
		}
		if got := box.cursor("webhook"); got != 806 {
			t.Errorf("cursor %d, want 806", got)
		}
	})
}

// Trouble with the record is survived: reading and keeping go on after it.
func TestFaultBrokenRecordIsSurvived(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		box, r := newOutbox(), &receiver{}
		box.broken = errors.New("planted: disk I/O error")
		box.happen(raised(9, alarm.Silent, time.Now()))
		_, stop := start(t, box, r)
		pass(time.Minute)
		box.record(raised(0, alarm.Record, time.Now()))
		pass(2 * time.Second)
		if !slices.Equal(r.ids(), []int64{2}) {
			t.Errorf("sent %v while the record is broken, want the alarm that tells it", r.ids())
		}
		box.mu.Lock()
		box.broken = nil
		box.mu.Unlock()
		box.commit()
		pass(2 * time.Second)
		stop()
		if !slices.Equal(r.ids(), []int64{2, 1}) || box.cursor("webhook") != 2 {
			t.Errorf("sent %v, cursor %d; want 2, then 1, and cursor 2", r.ids(), box.cursor("webhook"))
		}
	})
}

// What was raised before a courier looks is not made to wait anew.
func TestLateStart(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		box, r := newOutbox(), &receiver{}
		box.stalled()
		box.record(raised(0, alarm.Exceeds, time.Now()))
		pass(patience)
		_, stop := start(t, box, r)
		defer stop()
		synctest.Wait()
		if !slices.Equal(r.ids(), []int64{1}) {
			t.Errorf("sent %v at once, want 1", r.ids())
		}
	})
}
