package notify

import (
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/alarm"
	"ovenward/cmd/internal/advice"
)

// shelved makes an event of an alarm that stands on the shelf.
func shelvedBy(post int, rule alarm.Rule, reason alarm.Reason, at time.Time) acquire.Event {
	e := change(post, rule, alarm.Unacknowledged, reason, at)
	a := e.Alarm
	a.Aside, a.By, a.Why, a.AsideSince, a.Until = alarm.Shelved, "M. Ito", "seal is on its way", at, at.Add(time.Hour)
	e.Who = "M. Ito"
	return e
}

// Whoever is new is told of all that stands: that the newest word on it was a
// remark or a shelf hides nothing. What something else explains stays untold.
func TestFirstStartTellsWhatARemarkOrAShelfHides(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		box, r := newOutbox(), &receiver{}
		now := time.Now()
		box.happen(raised(0, alarm.Exceeds, now))
		note := change(0, alarm.Exceeds, alarm.LatchedAcknowledged, alarm.Commented, now)
		note.Who, note.Alarm.Remark, note.Text = "M. Ito", "service comes at noon", "commented by M. Ito: service comes at noon"
		box.happen(note)
		box.happen(shelvedBy(1, alarm.Silent, alarm.WasShelved, now))
		box.happen(shelvedBy(2, alarm.Silent, alarm.WasShelved, now))
		box.happen(shelvedBy(2, alarm.Silent, alarm.Commented, now))
		box.happen(shelvedBy(3, alarm.Stale, alarm.RaisedAgain, now))
		suppressed := change(4, alarm.OverRange, alarm.Unacknowledged, alarm.WasSuppressed, now)
		suppressed.Alarm.Aside = alarm.Suppressed
		box.happen(suppressed)
		_, stop := startPaced(t, box, r, func(*Options) {})
		synctest.Wait()
		stop()
		got := r.ids()
		slices.Sort(got)
		if want := []int64{2, 3, 5, 6}; !slices.Equal(got, want) {
			t.Fatalf("told %v, want %v", got, want)
		}
		for _, m := range r.all() {
			want := map[int64]string{2: "the field was above the limit, and the cause is not known to be mended",
				3: "the alarm was shelved by M. Ito until ", 5: "the alarm is shelved by M. Ito until ", 6: "the field at this post is not known"}[m.EventID]
			if !strings.Contains(m.Text, want) || m.EventID != 2 && m.EventID != 6 && !strings.Contains(m.Text, "(“seal is on its way”); it still stands: the field at this post is not known") {
				t.Errorf("event %d: %s", m.EventID, m.Text)
			}
		}
	})
}

// That an alarm stands whose newest change is damaged in the record is told, and that its
// words are what is left; that it stands no more, too.
func TestADamagedChangeIsTold(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		for _, first := range []bool{true, false} {
			box, r := newOutbox(), &receiver{}
			if !first {
				_, stop := start(t, box, r)
				synctest.Wait()
				stop()
			}
			for i, s := range []alarm.State{alarm.Unacknowledged, alarm.LatchedUnacknowledged, alarm.Normal} {
				e := change(i, alarm.Exceeds, s, alarm.Unread, time.Now())
				e.Text, e.Alarm.Verdict = "damaged in the record: its words were: 61.5", nil
				box.happen(e)
			}
			_, stop := start(t, box, r)
			synctest.Wait()
			stop()
			want := map[int64]string{1: ": the field exceeds the limit.", 2: "the field was above the limit, and the cause is not known to be mended", 3: "it does not stand now"}
			if first {
				delete(want, 3)
			}
			if len(r.all()) != len(want) {
				t.Fatalf("told %v", r.ids())
			}
			for _, m := range r.all() {
				if !strings.Contains(m.Text, want[m.EventID]) || !strings.Contains(m.Text, "“damaged in the record: its words were: 61.5”") {
					t.Errorf("event %d: %s", m.EventID, m.Text)
				}
			}
		}
	})
}

// What was told before it was durable is shown as recorded when it is.
func TestWhatStandsIsRecordedWhenItIs(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		box, r := newOutbox(), &receiver{}
		c, stop := start(t, box, r)
		defer stop()
		synctest.Wait()
		box.record(raised(0, alarm.Exceeds, time.Now()))
		pass(3 * time.Second)
		const early = "This was not yet seen in the record."
		if all := c.standing(); len(r.ids()) != 1 || len(all) != 1 || !strings.Contains(all[0].Text, early) {
			t.Fatalf("before it is durable %v is told, and shown: %+v", r.ids(), all)
		}
		box.commit()
		pass(time.Second)
		if all := c.standing(); len(all) != 1 || !all[0].Recorded || strings.Contains(all[0].Text, early) {
			t.Errorf("when it is durable there is shown: %+v", all)
		}
	})
}

// What is no longer set aside is told where it still stands, and only there.
func TestCallsAgainOnlyWhereItStands(t *testing.T) {
	for _, reason := range []alarm.Reason{alarm.WasUnshelved, alarm.ShelfEnded, alarm.WasPutBack, alarm.WasUnsuppressed} {
		for state, want := range map[alarm.State]bool{alarm.Unacknowledged: true, alarm.Acknowledged: true, alarm.LatchedUnacknowledged: true,
			alarm.LatchedAcknowledged: true, alarm.ReturnedUnacknowledged: false, alarm.Normal: false} {
			e := change(0, alarm.Exceeds, state, reason, at(0))
			if got := (Route{}).takes(e, false); got != want {
				t.Errorf("%s, %s: told %v", reason, state, got)
			}
			if !(Route{}).takes(e, true) {
				t.Errorf("%s, %s: kept from a machine", reason, state)
			}
		}
	}
}

// Who was told that an alarm stands hears that it ended while it is set aside, once:
// it may come and go until it calls again. After a start that is known from when it was
// raised; what was raised while it was set aside nobody was told of.
func TestEndOfWhatIsSetAsideIsToldOnce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		box, r := newOutbox(), &receiver{}
		a := alarm.Alarm{Post: "post-0", Rule: alarm.Silent}
		do := func(h alarm.Happening) {
			next, reason := a.Do(alarm.Act{What: h, At: time.Now(), Who: "M. Ito", Why: "cable is on its way", Until: time.Now().Add(time.Hour)})
			if reason == alarm.None || reason.Refused() {
				t.Fatalf("%d: %q", h, reason)
			}
			e := acquire.Event{At: time.Now(), Post: "post-0", Kind: acquire.KindAlarm, Text: "as the record says", Alarm: &alarm.Change{Alarm: next, From: a.State, Reason: reason}}
			if h != alarm.Appears && h != alarm.Disappears {
				e.Who = "M. Ito"
			}
			a = next
			box.happen(e)
			pass(time.Second)
		}
		begin := func(route Route) func() {
			_, stop := startPaced(t, box, r, func(o *Options) { o.Route = route })
			synctest.Wait()
			return stop
		}
		want := func(when string, reasons ...alarm.Reason) {
			t.Helper()
			var got []alarm.Reason
			for _, m := range r.all() {
				got = append(got, m.Reason)
			}
			if !slices.Equal(got, reasons) {
				t.Fatalf("%s: told %q, want %q", when, got, reasons)
			}
		}
		stop := begin(Route{})
		do(alarm.Appears)
		do(alarm.Shelve)
		do(alarm.Disappears)
		do(alarm.Appears)
		do(alarm.Disappears)
		want("it ended on the shelf", alarm.Raised, alarm.WasShelved, alarm.Returned)
		do(alarm.Appears)
		do(alarm.Unshelve)
		do(alarm.Shelve)
		told := []alarm.Reason{alarm.Raised, alarm.WasShelved, alarm.Returned, alarm.WasUnshelved, alarm.WasShelved}
		want("it stands on the shelf", told...)
		stop()
		stop = begin(Route{})
		do(alarm.Acknowledge)
		do(alarm.Disappears)
		told = append(told, alarm.Returned)
		want("it ended on the shelf after a start", told...)
		do(alarm.Appears)
		stop()
		stop = begin(Route{})
		do(alarm.Disappears)
		want("it was raised on the shelf, before a start", told...)
		stop()
		stop = begin(Route{Escalation: true})
		do(alarm.Unshelve)
		do(alarm.Appears)
		do(alarm.Shelve)
		do(alarm.Disappears)
		want("nobody was told on", told...)
		stop()
	})
}

// textCase is what a text says, and what it does not.
type textCase struct {
	e          acquire.Event
	set        func(m *subjectMatter)
	want, deny []string
}

func (c textCase) try(t *testing.T, name string) {
	t.Helper()
	got := textOf(c.e, c.set)
	for _, want := range c.want {
		if !strings.Contains(got, want) {
			t.Errorf("%s: %q is missing in: %s", name, want, got)
		}
	}
	for _, deny := range c.deny {
		if strings.Contains(got, deny) {
			t.Errorf("%s: %q in: %s", name, deny, got)
		}
	}
}

func TestTextsSayWhyUntilAndHowMuch(t *testing.T) {
	now := at(5)
	ended := shelvedBy(7, alarm.Silent, alarm.WasShelved, now)
	ended.Alarm.State = alarm.ReturnedUnacknowledged
	seen := change(7, alarm.Exceeds, alarm.Acknowledged, alarm.WasAcknowledged, now)
	seen.Who, seen.Alarm.Remark, seen.Alarm.Verdict, seen.Text = "M. Ito", "switched off at the wall", nil, "acknowledged by M. Ito: switched off at the wall"
	much := func(r alarm.Rule) acquire.Event {
		e := raised(7, r, now)
		e.Alarm.Verdict = raised(7, alarm.Exceeds, now).Alarm.Verdict
		return e
	}
	const measured = "Measured at this moment: 7.2 mW/cm² (72 W/m²), 1.44 times the limit of 5 mW/cm² (50 W/m²)"
	cut := raised(7, alarm.InputOf("latch"), now)
	cut.Post, cut.Alarm.Post = "", ""
	noPost := func(m *subjectMatter) { m.Post = nil }
	for name, c := range map[string]textCase{
		"shelved": {shelvedBy(7, alarm.Exceeds, alarm.WasShelved, now), nil,
			[]string{"the alarm was shelved by M. Ito until 2026-11-25 10:00:05 UTC (“seal is on its way”); it still stands: the field exceeds the limit", advice.StopOven}, nil},
		"shelved when it had ended": {ended, nil, []string{"it does not stand now"}, []string{"stands:", "seen again"}},
		"acknowledged, with a remark": {seen, nil,
			[]string{"this was acknowledged by M. Ito", "The record says: “acknowledged by M. Ito: switched off at the wall”", advice.StopOven}, nil},
		"warning":             {much(alarm.WarningOf("half")), nil, []string{measured, "the door and its seal"}, []string{"Grounds"}},
		"count":               {much(alarm.CountOf("run")), nil, []string{measured}, []string{"Grounds"}},
		"open door":           {much(alarm.OpenDoor), nil, []string{"a field persists though the oven's door is open", advice.LeaveOven}, nil},
		"contact, of no post": {cut, noPost, []string{"Larkfield House: contact latch cannot be read"}, []string{"the station itself"}},
		"contact":             {much(alarm.InputOf("latch")), nil, []string{"contact latch cannot be read", "wiring"}, nil},
		"sum":                 {much(alarm.SumOf("hatch")), nil, []string{"several frequencies together exceed: sum hatch", "keep people away"}, nil},
		"ageing":              {much(alarm.AgeingOf("galley")), nil, []string{"the runs at post galley come near the limit", "the door and its seal"}, nil},
		"emission":            {much(alarm.Emission), nil, []string{measured, advice.StopOven, "mains"}, nil},
	} {
		c.try(t, name)
	}
}

func TestTextsSayWhatIsWatchedNoMore(t *testing.T) {
	now := at(5)
	gone := change(7, alarm.Silent, alarm.Normal, alarm.Dropped, now)
	latched := change(7, alarm.Exceeds, alarm.LatchedUnacknowledged, alarm.Dropped, now)
	latched.Alarm.Verdict = nil
	courier := change(7, alarm.CourierOf("desk"), alarm.Normal, alarm.Dropped, now)
	courier.Post, courier.Alarm.Post, courier.Text = "", "", "no longer watched: the configuration no longer names it"
	other := courier
	other.Text = "no longer watched: its configuration was changed"
	cold := change(7, alarm.Temperature, alarm.Normal, alarm.Dropped, now)
	cold.Text = "no longer watched: the probe says no temperature any more: how warm it is is not known"
	free := cold
	free.Text = "no longer watched: the configuration no longer bounds the probe's temperature"
	door := change(7, alarm.OpenDoor, alarm.LatchedUnacknowledged, alarm.Dropped, now)
	door.Alarm.Verdict = nil
	doorReset := change(7, alarm.OpenDoor, alarm.Normal, alarm.WasReset, now)
	doorReset.Who = "M. Ito"
	doorShut := change(7, alarm.OpenDoor, alarm.LatchedUnacknowledged, alarm.GoneLatched, now)
	off := change(7, alarm.UnderFloor, alarm.Normal, alarm.Dropped, now)
	off.Text = "no longer watched: the configuration switches this rule off"
	contact := change(7, alarm.InputOf("latch"), alarm.Normal, alarm.Dropped, now)
	contact.Post, contact.Alarm.Post = "", ""
	late := change(7, alarm.Away, alarm.Normal, alarm.TimeUp, now)
	noPost := func(m *subjectMatter) { m.Post = nil }
	for name, c := range map[string]textCase{
		"a blind post that is gone": {gone, noPost, []string{"this post was removed from the configuration: nobody watches it any more"},
			[]string{"seen again", "Look at"}},
		"an exceeding post that is gone":  {latched, noPost, []string{"removed from the configuration", "not known to be mended", "out of use"}, nil},
		"an open door whose post is gone": {door, noPost, []string{"removed from the configuration", "its field beside the open door is not known to be mended"}, []string{"exceedance"}},
		"an open door without a contact":  {door, nil, []string{"nothing tells any more whether this door is open", "The record says"}, []string{"exceedance", "removed"}},
		"an open door, reset":             {doorReset, nil, []string{"the field beside the open door was reset by M. Ito"}, []string{"exceedance"}},
		"an open door, shut":              {doorShut, nil, []string{"it is not seen now, and the cause is not known to be mended"}, nil},
		"latched, and told again": {change(7, alarm.Exceeds, alarm.LatchedUnacknowledged, alarm.ToldAgain, now), nil,
			[]string{"this still stands: the field was above the limit, and the cause is not known to be mended"}, []string{"below the limit now"}}, // it may be blind
		"a rule that is off":       {off, nil, []string{"rule under-floor is no longer watched at this post; it was not seen to end", "switches this rule off"}, []string{"removed"}},
		"a contact that is gone":   {contact, noPost, []string{"the station no longer watches this: rule input:latch"}, []string{"this post", "read again"}},
		"away, and its time is up": {late, nil, []string{"the time is up for this: the probe is away for a survey; the post is watched again"}, []string{"back from", "is not known"}},
		"a courier that is gone":   {courier, noPost, []string{"messages of courier desk are not accepted is watched no more; it was not seen to end", "no longer names it"}, []string{"accepted again"}},
		"a courier that changed":   {other, noPost, []string{"it was not seen to end", "“no longer watched: its configuration was changed”"}, []string{"accepted again", "removed"}},
		"a temperature":            {cold, nil, []string{"temperature was not seen to be within its bounds again", "how warm it is is not known"}, []string{"rule temperature is no longer watched"}},
		"a temperature unbounded":  {free, nil, []string{"temperature was not seen to be within its bounds again", "no longer bounds"}, []string{"is not known"}},
	} {
		c.try(t, name)
	}
}

// A heartbeat never begins calmly while something exceeds or emits, and says of
// what is shelved until when, by whom and why.
func TestAHeartbeatIsNotCalmWhileAFieldExceeds(t *testing.T) {
	sees := PostState{ID: "b", Sight: []acquire.Regard{acquire.Sees}}
	for _, tt := range []struct {
		s    Snapshot
		want string
	}{
		{Snapshot{Posts: []PostState{{ID: "a", Sight: []acquire.Regard{acquire.Exceeding}}, sees}}, "1 post exceeding, 2 of 2 posts seeing"},
		{Snapshot{Posts: []PostState{{ID: "a", Sight: []acquire.Regard{acquire.Emits}}, sees}}, "1 post emitting though withdrawn, 2 of 2 posts seeing"},
		{Snapshot{Posts: []PostState{sees}, gone: []string{"cellar"}, Station: []string{"cellar exceeds"}}, "1 post exceeding, 1 of 1 posts seeing, 1 alarm standing"},
		{Snapshot{Posts: []PostState{{ID: "a", Sight: []acquire.Regard{acquire.OpenEmits}}, sees}}, "1 post emitting with the door open, 2 of 2 posts seeing"},
		{Snapshot{Posts: []PostState{sees}, goneOpen: []string{"cellar"}, Station: []string{"cellar open-door"}}, "1 post emitting with the door open, 1 of 1 posts seeing, 1 alarm standing"},
		{Snapshot{Posts: []PostState{sees}, Station: []string{"disk"}}, "all 1 posts seeing, 1 alarm standing"},
		{Snapshot{Posts: []PostState{sees}}, "all 1 posts seeing, no alarm"},
	} {
		if got := heartbeat(tt.s, "Larkfield House", "", time.Hour, nil).Heartbeat.summary(); got != tt.want {
			t.Errorf("%q, want %q", got, tt.want)
		}
	}
	left := change(0, alarm.OpenDoor, alarm.LatchedAcknowledged, alarm.GoneLatched, at(5)).Alarm.Alarm
	left.Post = "cellar"
	if got := heartbeat(SnapshotOf(nil, []alarm.Alarm{left}, at(6)), "Larkfield House", "", time.Hour, nil); !slices.Equal(got.Heartbeat.DoorOpen, []string{"cellar"}) || !strings.Contains(got.Text, "or not known to be mended of it: cellar.") {
		t.Errorf("of a post that is gone, and beside whose open door there was a field: %s", got.Text)
	}
	on := shelvedBy(0, alarm.Exceeds, alarm.WasShelved, at(5)).Alarm.Alarm
	on.Post = "cellar"
	text := heartbeat(SnapshotOf(nil, []alarm.Alarm{on}, at(6)), "Larkfield House", "", time.Hour, nil).Text
	if want := "Set aside: station cellar exceeds, shelved by M. Ito until 2026-11-25 10:00:05 UTC (“seal is on its way”)."; !strings.Contains(text, want) {
		t.Errorf("%s\nlacks %s", text, want)
	}
}

// Only what latches comes at once whatever its pace says: emission of a withdrawn
// oven, or a rule made high, can come and go.
func TestWhatComesAndGoesIsPacedThoughHigh(t *testing.T) {
	for rule, want := range map[alarm.Rule]bool{alarm.Exceeds: true, alarm.ExceedsBy("most"): true, alarm.Emission: false, alarm.Silent: false} {
		e := raised(0, rule, at(0))
		e.Alarm.Priority = alarm.High
		if got := (&waiting{event: e}).urgent(); got != want {
			t.Errorf("%s: past its pace %v, want %v", rule, got, want)
		}
	}
	synctest.Test(t, func(t *testing.T) {
		box, r := newOutbox(), &receiver{}
		_, stop := startPaced(t, box, r, func(*Options) {})
		for range 60 { // acknowledged each time, so that each time it is raised anew
			box.happen(raised(0, alarm.Emission, time.Now()))
			pass(30 * time.Second)
			box.happen(change(0, alarm.Emission, alarm.Normal, alarm.Returned, time.Now()))
			pass(30 * time.Second)
		}
		stop()
		if n := len(r.all()); n < 3 || n > 8 {
			t.Errorf("told %d times in an hour of an emission that came and went 60 times", n)
		}
	})
}
