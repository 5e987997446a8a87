package notify

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/alarm"
)

// startPaced runs a courier as for people.
func startPaced(t *testing.T, box *outbox, r *receiver, set func(o *Options)) (c *Courier, stop func()) {
	t.Helper()
	o := Options{Outbox: box, Carrier: r}
	if set != nil {
		set(&o)
	}
	return startWith(t, o)
}

// A seal that comes and goes every minute for a day: a person hears four times at
// once, then once an hour, and each change is told or counted.
func TestChatterIsTold(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		box, r := newOutbox(), &receiver{}
		_, stop := startPaced(t, box, r, nil)
		defer stop()
		synctest.Wait()
		const n = 24 * 60
		states := []alarm.State{alarm.Unacknowledged, alarm.LatchedUnacknowledged}
		reasons := []alarm.Reason{alarm.RaisedAgain, alarm.ReturnedLatched}
		for i := range n {
			box.happen(change(0, alarm.Exceeds, states[i%2], reasons[i%2], time.Now()))
			pass(time.Minute)
		}
		pass(2 * time.Hour)
		told, last := 0, int64(0)
		for _, m := range r.all() {
			told += 1 + m.AndNMore
			if m.EventID <= last {
				t.Errorf("event %d after %d", m.EventID, last)
			}
			last = m.EventID
		}
		if len(r.all()) < 20 || len(r.all()) > 4+25 || told != n || last != n {
			t.Errorf("%d messages tell of %d changes, the last is %d; want 4 and one an hour, all %d, and the newest", len(r.all()), told, last, n)
		}
	})
}

// What cannot chatter is never held back: the first of an exceedance, what
// nobody acknowledged, what a person did.
func TestUrgentIsNotHeldBack(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		box, r := newOutbox(), &receiver{}
		_, stop := startPaced(t, box, r, nil)
		defer stop()
		synctest.Wait()
		for range 10 {
			box.happen(change(0, alarm.Exceeds, alarm.Unacknowledged, alarm.RaisedAgain, time.Now()))
			synctest.Wait()
		}
		before := len(r.ids())
		escalated := change(0, alarm.Exceeds, alarm.Unacknowledged, alarm.Escalated, time.Now())
		by := change(0, alarm.Exceeds, alarm.Acknowledged, alarm.WasAcknowledged, time.Now())
		by.Who = "M. Ito"
		for _, e := range []acquire.Event{escalated, by, change(0, alarm.Exceeds, alarm.Unacknowledged, alarm.Raised, time.Now())} {
			e = box.happen(e)
			pass(2 * time.Second)
			if ids := r.ids(); ids[len(ids)-1] != e.ID {
				t.Errorf("%s is held back: %v", e.Alarm.Reason, ids)
			}
		}
		if before != 4 {
			t.Errorf("%d told at once, want 4", before)
		}
	})
}

// People acknowledge, remark and shelve as they like: the next time the probe falls
// silent is told at once all the same.
func TestActsOfPeopleSpendNoPace(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		box, r := newOutbox(), &receiver{}
		_, stop := startPaced(t, box, r, nil)
		defer stop()
		synctest.Wait()
		box.happen(raised(0, alarm.Silent, time.Now()))
		pass(time.Minute)
		for _, reason := range []alarm.Reason{alarm.WasAcknowledged, alarm.WasShelved, alarm.WasUnshelved} {
			by := change(0, alarm.Silent, alarm.Acknowledged, reason, time.Now())
			by.Who = "M. Ito"
			box.happen(by)
			pass(time.Minute)
		}
		box.happen(change(0, alarm.Silent, alarm.Normal, alarm.Returned, time.Now()))
		pass(10 * time.Minute)
		again := box.happen(raised(0, alarm.Silent, time.Now()))
		pass(2 * time.Second)
		if ids := r.ids(); ids[len(ids)-1] != again.ID {
			t.Errorf("told %v of %d; that the probe is silent again is held back", ids, again.ID)
		}
	})
}

// Who wants to be told again each quarter of an hour is told so, and then still of
// what happens.
func TestToldAgainAsOftenAsAskedFor(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		box, r := newOutbox(), &receiver{}
		_, stop := startPaced(t, box, r, nil)
		defer stop()
		synctest.Wait()
		box.happen(raised(0, alarm.Silent, time.Now()))
		const n = 12
		for range n {
			pass(15 * time.Minute)
			box.happen(change(0, alarm.Silent, alarm.Unacknowledged, alarm.ToldAgain, time.Now()))
		}
		box.happen(change(0, alarm.Silent, alarm.ReturnedUnacknowledged, alarm.Returned, time.Now()))
		pass(2 * time.Second)
		if ids := r.ids(); len(ids) != n+2 {
			t.Errorf("told %v, want all %d", ids, n+2)
		}
	})
}

// Nor does it wait because the alarm came and went before.
func TestToldAgainThoughItsPaceIsSpent(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		box, r := newOutbox(), &receiver{}
		_, stop := startPaced(t, box, r, nil)
		defer stop()
		synctest.Wait()
		for i, reason := range []alarm.Reason{alarm.Raised, alarm.Returned, alarm.RaisedAgain} {
			box.happen(change(0, alarm.Silent, []alarm.State{alarm.Unacknowledged, alarm.ReturnedUnacknowledged}[i%2], reason, time.Now()))
			pass(time.Minute)
		}
		again := box.happen(change(0, alarm.Silent, alarm.Unacknowledged, alarm.ToldAgain, time.Now()))
		pass(2 * time.Second)
		if ids := r.ids(); len(ids) != 4 || ids[3] != again.ID {
			t.Errorf("told %v, want all 4", ids)
		}
	})
}

// While nobody answers, what is told again is told once, and not as often as it came.
func TestToldAgainIsOnceAfterSilence(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		box, r := newOutbox(), &receiver{answer: failing(unheard)}
		_, stop := startPaced(t, box, r, nil)
		defer stop()
		synctest.Wait()
		box.happen(raised(0, alarm.Silent, time.Now()))
		for range 60 {
			pass(time.Minute)
			box.happen(change(0, alarm.Silent, alarm.Unacknowledged, alarm.ToldAgain, time.Now()))
		}
		r.mu.Lock()
		r.answer = nil
		r.mu.Unlock()
		pass(10 * time.Minute)
		if all := r.all(); len(all) != 2 || all[0].EventID != 1 || all[1].EventID != 61 || all[1].AndNMore != 59 {
			t.Errorf("told %v after an hour of silence, want 1, and 61 for the rest", r.ids())
		}
	})
}

// A hub with sixty probes loses power: a person gets twenty messages and then one
// with the rest, whose text lists twenty and counts the others; nothing is lost.
func TestTooManyComeInOne(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		box, r := newOutbox(), &receiver{}
		failed := false
		r.answer = func(_ int, m Message) result {
			if m.Kind == KindSeveral && !failed {
				failed = true
				return planted(unheard)
			}
			return result{outcome: accepted, answer: "fine"}
		}
		var tried []string
		send := r.answer
		r.answer = func(n int, m Message) result {
			if m.Kind == KindSeveral {
				tried = append(tried, m.MessageID)
			}
			return send(n, m)
		}
		_, stop := startPaced(t, box, r, nil)
		defer stop()
		synctest.Wait()
		for i := range 60 {
			box.happen(raised(i, alarm.Silent, time.Now()))
		}
		box.happen(raised(0, alarm.Exceeds, time.Now()))
		pass(2 * time.Second)
		if n := len(r.all()); n != 21 {
			t.Fatalf("%d told at once, want 20 and the exceedance", n)
		}
		pass(10 * time.Minute)
		if len(r.all()) != 22 || r.all()[21].Kind != KindSeveral || len(r.all()[21].Alarms) != 40 {
			t.Fatalf("%d messages, the last %s of %d; want 22, the last of 40 alarms", len(r.all()), r.all()[len(r.all())-1].Kind, len(r.all()[len(r.all())-1].Alarms))
		}
		m := r.all()[21]
		if !strings.Contains(m.Text, "40 alarms changed") || strings.Count(m.Text, "\n- ") != 21 || !strings.Contains(m.Text, "and 20 more alarms") {
			t.Errorf("text %s", m.Text)
		}
		if len(tried) != 2 || tried[0] != tried[1] {
			t.Errorf("tried as %v, want twice the same id", tried)
		}
		seen := map[string]bool{}
		for _, m := range append(r.all()[:21], m.Alarms...) {
			seen[m.MessageID] = true
		}
		if len(seen) != 61 || box.cursor("webhook") != 61 || len(box.kept()) != 61 || !strings.Contains(box.kept()[60].Answer, "one message for 40 alarms") {
			t.Errorf("%d changes told, cursor %d, %d kept", len(seen), box.cursor("webhook"), len(box.kept()))
		}
	})
}

// office is open from 8 to 17 UTC.
type office struct{}

func (office) Covers(at time.Time) bool { h := at.UTC().Hour(); return h >= 8 && h < 17 }

// What happens at night waits for the morning, as one message for each alarm; a
// restart in between loses nothing. The bubble's clock begins at midnight UTC.
func TestHours(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		box, r := newOutbox(), &receiver{}
		set := func(o *Options) { o.Route.Hours = office{} }
		_, stop := startPaced(t, box, r, set)
		synctest.Wait()
		box.happen(raised(0, alarm.Silent, time.Now()))
		pass(time.Hour)
		box.happen(change(0, alarm.Silent, alarm.ReturnedUnacknowledged, alarm.Returned, time.Now()))
		box.happen(raised(1, alarm.Stuck, time.Now()))
		pass(time.Hour)
		stop()
		_, stop = startPaced(t, box, r, set)
		defer stop()
		pass(6*time.Hour - time.Minute)
		if len(r.all()) != 0 {
			t.Fatalf("told at night: %v", r.ids())
		}
		pass(2 * time.Minute)
		more := map[int64]int{}
		for _, m := range r.all() {
			more[m.EventID] = m.AndNMore
		}
		if got := fmt.Sprint(more); got != "map[2:1 3:0]" || len(r.all()) != 2 { // two alarms: any order
			t.Errorf("in the morning %s; want 2 and one more, and 3", got)
		}
		box.happen(change(1, alarm.Stuck, alarm.ReturnedUnacknowledged, alarm.Returned, time.Now()))
		synctest.Wait()
		if len(r.all()) != 3 {
			t.Error("by day it is not told at once")
		}
	})
}

func TestRoutes(t *testing.T) {
	plain := raised(0, alarm.Silent, at(0))
	loud := raised(1, alarm.Exceeds, at(0))
	station := raised(0, alarm.Record, at(0))
	station.Post, station.Alarm.Post = "", ""
	set := func(e acquire.Event, f func(c *alarm.Change)) acquire.Event {
		c := *e.Alarm
		f(&c)
		e.Alarm = &c
		return e
	}
	escalated := set(loud, func(c *alarm.Change) { c.Reason, c.Escalated = alarm.Escalated, at(3) })
	after := set(loud, func(c *alarm.Change) { c.Reason, c.Escalated = alarm.WasAcknowledged, at(3) })
	shelving := set(plain, func(c *alarm.Change) { c.Reason, c.Aside = alarm.WasShelved, alarm.Shelved })
	shelved := set(plain, func(c *alarm.Change) { c.Reason, c.Aside = alarm.RaisedAgain, alarm.Shelved })
	comment := set(plain, func(c *alarm.Change) { c.Reason = alarm.Commented })
	refused := set(plain, func(c *alarm.Change) { c.Reason = alarm.RefusedPresent })
	raisedTo := set(plain, func(c *alarm.Change) { c.Priority = alarm.High })
	all := []acquire.Event{plain, loud, station, escalated, after, shelving, shelved, comment, refused, raisedTo}
	for _, tt := range []struct {
		name    string
		r       Route
		machine bool
		want    []int
	}{
		{"everything, people", Route{}, false, []int{0, 1, 2, 3, 4, 5, 9}},
		{"everything, a program", Route{}, true, []int{0, 1, 2, 3, 4, 5, 6, 7, 9}},
		{"high only, by the alarm's own priority", Route{Priorities: []alarm.Priority{alarm.High}}, false, []int{1, 3, 4, 9}},
		{"one post, and the station's own", Route{Posts: []string{"post-1"}}, false, []int{1, 2, 3, 4}},
		{"escalated, and what became of it", Route{Escalation: true}, false, []int{3, 4}},
	} {
		var got []int
		for i, e := range all {
			if tt.r.takes(e, tt.machine) {
				got = append(got, i)
			}
		}
		if !slices.Equal(got, tt.want) {
			t.Errorf("%s: %v, want %v", tt.name, got, tt.want)
		}
	}
	if now := at(0); !(Route{Hours: never{}}).opens(now).Equal(now) {
		t.Error("hours that never begin keep a message for good")
	}
}

// Who was told of an exceedance that nobody had acknowledged hears of its reset, though
// it came again after that and was acknowledged in time.
func TestWhoWasEscalatedToHearsTheReset(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		box, r := newOutbox(), &receiver{}
		_, stop := startPaced(t, box, r, func(o *Options) { o.Route.Escalation = true })
		defer stop()
		synctest.Wait()
		a := alarm.Alarm{Post: "post-0", Rule: alarm.Exceeds}
		for _, h := range []alarm.Happening{alarm.Appears, alarm.Escalate, alarm.Acknowledge, alarm.Disappears, alarm.Appears, alarm.Acknowledge, alarm.Disappears, alarm.Reset} {
			next, why := a.Step(h, time.Now())
			box.happen(acquire.Event{At: time.Now(), Post: "post-0", Kind: acquire.KindAlarm, Text: string(why),
				Alarm: &alarm.Change{Alarm: next, From: a.State, Reason: why}})
			a = next
			pass(2 * time.Hour)
		}
		all := r.all()
		if len(all) == 0 || all[0].Reason != alarm.Escalated || all[len(all)-1].Reason != alarm.WasReset {
			t.Errorf("told %v, want first that it was escalated, and last that it was reset", r.ids())
		}
	})
}

type never struct{}

func (never) Covers(time.Time) bool { return false }

// TestWhatStandsInForAnUrgentOneIsUrgent: the first word of an exceedance that
// could not be sent is not held back because the field has fallen meanwhile.
func TestWhatStandsInForAnUrgentOneIsUrgent(t *testing.T) {
	now := time.Date(2026, 3, 4, 5, 6, 7, 0, time.UTC)
	first := &waiting{event: change(0, alarm.Exceeds, alarm.Unacknowledged, alarm.Raised, now)}
	next := &waiting{event: change(0, alarm.Exceeds, alarm.LatchedUnacknowledged, alarm.ReturnedLatched, now)}
	if !first.urgent() || next.urgent() {
		t.Fatalf("urgent: %v, %v; want the first only", first.urgent(), next.urgent())
	}
	q := queue{items: []*waiting{first}}
	if n := q.replace(next, []*waiting{first}); n != 1 || !next.urgent() || len(q.items) != 1 {
		t.Errorf("%d replaced, urgent %v", n, next.urgent())
	}
}

// TestSnapshotKeepsWhatIsNoLongerWatched: an exceedance that latched at a post which
// the configuration no longer has is in the heartbeat all the same.
func TestSnapshotKeepsWhatIsNoLongerWatched(t *testing.T) {
	s := SnapshotOf(nil, []alarm.Alarm{{Post: "annexe", Rule: alarm.Exceeds, State: alarm.LatchedUnacknowledged},
		{Rule: alarm.Record, State: alarm.Unacknowledged}}, time.Date(2026, 3, 4, 5, 6, 7, 0, time.UTC))
	if want := []string{"annexe exceeds", "record"}; !slices.Equal(s.Station, want) {
		t.Errorf("%q stand, want %q", s.Station, want)
	}
}
