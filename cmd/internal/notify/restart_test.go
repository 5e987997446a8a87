package notify

import (
	"errors"
	"slices"
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
			return result{outcome: unheard, err: errors.New("planted")}
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
		box.stall = make(chan struct{})
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
