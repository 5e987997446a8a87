package notify

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	netmail "net/mail"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/emersion/go-smtp"

	"ovenward/acquire/alarm"
)

// A mailbox that stays full holds nothing back from the others. Once it has room it
// gets the newest, which says that it stands in for the one before.
func TestSlowMailboxHoldsNobodyUp(t *testing.T) {
	cert, ca := certified(t)
	office := newPostOffice(t, cert, false)
	var room atomic.Bool
	office.rcpt = func(to string, _ int) error {
		if to == "a@larkfield.example" && !room.Load() {
			return &smtp.SMTPError{Code: 452, EnhancedCode: smtp.EnhancedCode{4, 2, 2}, Message: "mailbox full"}
		}
		return nil
	}
	c := toTwo(t, office, ca)
	box := newOutbox()
	end, log := courierOf(t, box, c)
	wait := func(n int) {
		t.Helper()
		for end := time.After(deadline); len(office.got()) < n; {
			select {
			case <-time.After(time.Millisecond):
			case <-end:
				t.Fatalf("%d letters after %s, want %d\n%s", len(office.got()), deadline, n, log)
			}
		}
	}
	box.happen(raised(7, alarm.Silent, at(3)))
	wait(1)
	box.happen(change(7, alarm.Silent, alarm.ReturnedUnacknowledged, alarm.Returned, at(9)))
	wait(2)
	room.Store(true)
	settled(t, box, 2)
	end()
	const stands = "One earlier change of this alarm did not reach everybody who is told"
	for i, want := range []struct{ to, says string }{{"b", "does not answer"}, {"b", "is seen again"}, {"a", "is seen again"}} {
		l := office.got()[i]
		m, err := netmail.ReadMessage(bytes.NewReader(l.data))
		if err != nil {
			t.Fatal(err)
		}
		text := string(parts(t, m.Header, m.Body)["text/plain"])
		if l.to != want.to+"@larkfield.example" || !strings.Contains(text, want.says) || strings.Contains(text, stands) != (i > 0) {
			t.Errorf("letter %d to %s: %s", i+1, l.to, text)
		}
	}
	told := box.kept()
	if len(office.got()) != 3 || len(told) != 2 || told[0].Event != 1 || !strings.Contains(told[0].Answer, "recipient 1: not accepted yet: ") ||
		!strings.Contains(told[0].Answer, "recipient 2: accepted") || told[1].Event != 2 {
		t.Errorf("%d letters, told %+v", len(office.got()), told)
	}
}

// What some recipients have and others have not is paced as what all have, and a
// newer change goes past it, out of a message of several, too.
func TestPartlyToldIsPacedAndPassed(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		box, r := newOutbox(), &receiver{}
		some := map[string]Message{} // what some recipients have
		var order []Message
		r.answer = func(_ int, m Message) result {
			if _, have := some[m.MessageID]; !have {
				some[m.MessageID] = m
				order = append(order, m)
			}
			return result{outcome: retry, err: errors.New("planted: mailbox full"), reached: true, answer: "recipient 2: accepted"}
		}
		_, stop := startPaced(t, box, r, nil)
		defer stop()
		synctest.Wait()
		const n = 6 * 60
		for i := range n {
			reason := []alarm.Reason{alarm.RaisedAgain, alarm.ReturnedLatched}[i%2]
			box.happen(change(0, alarm.Exceeds, []alarm.State{alarm.Unacknowledged, alarm.LatchedUnacknowledged}[i%2], reason, time.Now()))
			pass(time.Minute)
		}
		if len(order) < 8 || len(order) > 4+7 {
			t.Errorf("%d messages of one alarm in 6 h, want 4 and one an hour", len(order))
		}
		for i := range 30 {
			box.happen(raised(i+1, alarm.Silent, time.Now()))
		}
		pass(10 * time.Minute)
		group := order[len(order)-1]
		if group.Kind != KindSeveral || len(group.Alarms) < 2 {
			t.Fatalf("the last is %s of %d", group.Kind, len(group.Alarms))
		}
		before := len(order)
		for _, m := range group.Alarms {
			var post int
			if _, err := fmt.Sscanf(m.Post, "post-%d", &post); err != nil {
				t.Fatal(err)
			}
			box.happen(change(post, alarm.Silent, alarm.ReturnedUnacknowledged, alarm.Returned, time.Now()))
			pass(2 * time.Minute)
		}
		later := order[before:]
		if len(later) != len(group.Alarms) {
			t.Fatalf("%d messages went past the one of several, want %d", len(later), len(group.Alarms))
		}
		for _, told := range box.kept() {
			if !strings.HasPrefix(told.Answer, "recipient 2: accepted; who lacks it gets") || told.Attempts == 0 {
				t.Errorf("of event %d there is listed: %d attempts, %s", told.Event, told.Attempts, told.Answer)
			}
		}
		for i, m := range later {
			if m.Kind != KindAlarm || m.Reason != alarm.Returned || m.Post != group.Alarms[i].Post || !strings.Contains(m.Text, "did not reach everybody") {
				t.Errorf("message %d: %s", i, m.Text)
			}
		}
	})
}

// That a change did not reach everybody stays said, whatever stands in for the message
// that would have said it, and in a message of several.
func TestNotToAllStaysSaid(t *testing.T) {
	q := newQueue(1, peoplesPace(defaultMost))
	q.add(numbered(1, raised(0, alarm.Silent, at(0))), true, at(0), at(0))
	some := q.pick(at(0))
	q.start(some, at(0))
	q.failed(some, result{outcome: retry, reached: true})
	q.add(numbered(2, change(0, alarm.Silent, alarm.ReturnedUnacknowledged, alarm.Returned, at(1))), true, at(1), at(1))
	newer := q.pick(at(1))
	q.start(newer, at(1))
	q.failed(newer, result{outcome: retry})
	q.add(numbered(3, change(0, alarm.Silent, alarm.Unacknowledged, alarm.RaisedAgain, at(2))), true, at(2), at(2))
	newest := q.pick(at(2))
	if len(q.items) != 1 || newest == nil || newest.event.ID != 3 {
		t.Fatalf("waiting: %s", q.shown())
	}
	c, err := New(Options{Carrier: &receiver{}, Outbox: newOutbox()})
	if err != nil {
		t.Fatal(err)
	}
	for _, says := range []string{"One earlier change of this alarm was not sent", "One earlier change of this alarm did not reach everybody"} {
		if text := c.message(newest).Text; !strings.Contains(text, says) {
			t.Errorf("%s\nlacks %s", text, says)
		}
	}
	if text := c.message(&waiting{group: []*waiting{newest, {event: numbered(4, raised(1, alarm.Silent, at(3)))}}}).Text; strings.Count(text, "(and 2 earlier changes)") != 1 {
		t.Errorf("in a message of several: %s", text)
	}
}

// What some lack is the courier's trouble until all have what stands in for it, also while that
// waits behind too many others, and a heartbeat is accepted.
func TestWhatSomeLackIsTroubleUntilTheyHaveTheNewer(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var room atomic.Bool
		box, r := newOutbox(), &receiver{}
		r.answer = func(_ int, m Message) result {
			if m.Post == "post-0" && !room.Load() {
				return result{outcome: retry, reached: true, answer: "recipient 1: accepted", err: errors.New("planted")}
			}
			return result{outcome: accepted}
		}
		c, stop := startWith(t, Options{Outbox: box, Carrier: r, Most: 2, Heartbeat: time.Minute, Snapshot: func() Snapshot { return Snapshot{} }})
		defer stop()
		synctest.Wait()
		for i := range 4 { // two more than may go one by one
			box.happen(raised(i, alarm.Stuck, time.Now()))
		}
		pass(10 * time.Second)
		box.happen(change(0, alarm.Stuck, alarm.ReturnedUnacknowledged, alarm.Returned, time.Now()))
		for range 120 {
			pass(time.Second)
			if s := c.Stats(); !s.NotAccepted() {
				t.Fatalf("some lack a message, and nothing is amiss: %+v", s)
			}
		}
		room.Store(true)
		pass(20 * time.Minute)
		if s := c.Stats(); s.NotAccepted() || s.Waiting > 0 {
			t.Errorf("all have all, and it says %+v", s)
		}
	})
}

// A reload sends nobody again what waits for one mailbox.
func TestReloadSendsNobodyAgainWhatOneLacks(t *testing.T) {
	cert, ca := certified(t)
	office := newPostOffice(t, cert, false)
	var full atomic.Int64
	office.rcpt = func(to string, _ int) error {
		if to == "a@larkfield.example" {
			full.Add(1)
			return &smtp.SMTPError{Code: 452, EnhancedCode: smtp.EnhancedCode{4, 2, 2}, Message: "mailbox full"}
		}
		return nil
	}
	box := newOutbox()
	box.cursors["webhook.first"] = 1
	box.happen(raised(7, alarm.Silent, at(3)))
	var before *Courier
	for range 3 {
		m := toTwo(t, office, ca)
		c, err := New(Options{Outbox: box, Carrier: m, Site: "Larkfield House", Posts: larkfield()})
		if err != nil {
			t.Fatal(err)
		}
		c.wait = func(int) time.Duration { return time.Millisecond }
		if before != nil {
			c.GoOnFrom(before)
		}
		before = c
		ctx, cancel := context.WithCancel(t.Context())
		ended, tried := make(chan error, 1), full.Load()
		go func() { ended <- c.Run(ctx) }()
		until(t, "the full mailbox is tried, and again", func() bool { return full.Load() >= tried+2 })
		cancel()
		if err := <-ended; err != nil {
			t.Fatal(err)
		}
	}
	if n := len(office.got()); n != 1 {
		t.Errorf("the other one got it %d times", n)
	}
}

// A restart does not know who has what waits for one mailbox: nobody is left out, and
// who had it gets it twice, with the same Message-ID.
func TestRestartLeavesNobodyOut(t *testing.T) {
	cert, ca := certified(t)
	office := newPostOffice(t, cert, false)
	var room atomic.Bool
	var tried atomic.Int64
	office.rcpt = func(to string, _ int) error {
		if to == "a@larkfield.example" && !room.Load() {
			tried.Add(1)
			return &smtp.SMTPError{Code: 452, EnhancedCode: smtp.EnhancedCode{4, 2, 2}, Message: "mailbox full"}
		}
		return nil
	}
	box := newOutbox()
	end, _ := courierOf(t, box, toTwo(t, office, ca))
	box.happen(raised(7, alarm.Silent, at(3)))
	until(t, "the full mailbox is tried twice", func() bool { return tried.Load() >= 2 })
	end()
	room.Store(true)
	end, _ = courierOf(t, box, toTwo(t, office, ca))
	settled(t, box, 1)
	end()
	got, ids := map[string]int{}, map[string]bool{}
	for _, l := range office.got() {
		m, err := netmail.ReadMessage(bytes.NewReader(l.data))
		if err != nil {
			t.Fatal(err)
		}
		got[l.to]++
		ids[m.Header.Get("Message-Id")] = true
	}
	if got["a@larkfield.example"] != 1 || got["b@larkfield.example"] != 2 || len(ids) != 1 {
		t.Errorf("got %v, under ids %v; want one to a and two to b, under one", got, ids)
	}
}

// What some recipients have is tried again whatever its pace, and under its own id: in
// a message of several they would get it twice.
func TestPartlyToldIsTriedByItself(t *testing.T) {
	q := newQueue(maxWaiting, pace{other: allowance{1, time.Hour}, together: allowance{1, time.Minute}})
	try := func(want int64, at time.Time, r result) *waiting {
		t.Helper()
		w := q.pick(at)
		if w == nil || w.event.ID != want {
			t.Fatalf("%v is picked, want %d", w, want)
		}
		q.start(w, at)
		q.failed(w, r)
		return w
	}
	add := func(id int64) {
		q.add(numbered(id, raised(int(id), alarm.Silent, at(0))), true, at(0), at(0))
	}
	add(1)
	try(1, at(0), result{outcome: retry}).next = at(50)
	add(2)
	try(2, at(1), result{outcome: retry, reached: true})
	add(3)
	if w := q.pick(at(40)); w != nil {
		t.Fatalf("%d goes though there were too many", w.event.ID)
	}
	several := q.pick(at(70))
	if several == nil || len(several.group) != 2 || several.group[0].event.ID != 1 || several.group[1].event.ID != 3 {
		t.Fatalf("%+v is picked, want 1 and 3 in one", several)
	}
	q.start(several, at(70))
	try(2, at(140), result{outcome: retry})
}
