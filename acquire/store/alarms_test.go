package store

import (
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/alarm"
)

// What sets an alarm aside, and all that was noted of it, outlives the program.
func TestAlarmsSetAsideOutliveARestart(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir, Options{})
	p := post("fryer")
	p.Rules = []acquire.Rule{{Rule: alarm.WarningOf("half"), Level: 25, Priority: alarm.High}}
	register(t, s, p)
	a, _ := alarm.Alarm{Post: "fryer", Rule: alarm.Battery, Priority: alarm.Medium}.Step(alarm.Appears, noon())
	a, _ = a.Step(alarm.Escalate, noon().Add(time.Minute))
	a, _ = a.Step(alarm.TellAgain, noon().Add(2*time.Minute))
	a, reason := a.Do(alarm.Act{What: alarm.Shelve, At: noon().Add(3 * time.Minute), Who: "J. Hale", Why: "spare on order", Until: noon().Add(time.Hour)})
	if reason != alarm.WasShelved {
		t.Fatal(reason)
	}
	s.Record(acquire.Event{At: a.AsideSince, Post: "fryer", Kind: acquire.KindAlarm, Who: "J. Hale", Text: "shelved",
		Alarm: &alarm.Change{Alarm: a, From: alarm.Unacknowledged, Reason: reason, Remark: "spare on order"}})
	s.Record(acquire.Event{At: noon(), Post: "fryer", Kind: acquire.KindHint, Raw: []byte("2026-06-03T13:00:00Z"), Text: "runs"})
	s.Record(acquire.Event{At: noon().Add(time.Hour), Post: "fryer", Kind: acquire.KindPosition, Who: "J. Hale", Text: "checked"})
	shut(t, s)

	s = open(t, dir, Options{})
	register(t, s, p)
	past, err := s.Past(0, 0)
	if err != nil || len(past.Alarms) != 1 || past.Alarms[0] != asWritten(t, a) {
		t.Errorf("after a restart: %+v, %v\nwant %+v", past.Alarms, err, a)
	}
	var rules string
	if err := s.db.QueryRow("SELECT rules FROM post_versions").Scan(&rules); err != nil || rules == "" {
		t.Errorf("the rules of the post: %q, %v", rules, err)
	}
	n := 0
	for e, err := range s.Changes(t.Context(), noon(), noon().Add(time.Hour)) {
		if n++; err != nil || e.Alarm.Alarm != asWritten(t, a) || e.Alarm.Remark != "spare on order" {
			t.Errorf("change %+v, %v", e, err)
		}
	}
	for range s.Changes(t.Context(), noon().Add(time.Hour), noon().Add(2*time.Hour)) {
		n++
	}
	if n != 1 {
		t.Errorf("%d changes, want 1", n)
	}
	if free, size, err := s.Space(); err != nil || free > size {
		t.Errorf("%d of %d bytes free, %v", free, size, err)
	}
	placed := past.Placed
	if placed.IsZero() {
		t.Error("since when the probe stands there is not known")
	}
	wantHint, wantChecked := time.Time{}, time.Time{}
	if !placed.After(noon()) {
		wantHint, wantChecked = time.Date(2026, 6, 3, 13, 0, 0, 0, time.UTC), noon().Add(time.Hour)
	}
	if !past.Hint.Equal(wantHint) || !past.Checked.Equal(wantChecked) {
		t.Errorf("hint %v, checked %v; the probe stands there since %v", past.Hint, past.Checked, placed)
	}
}

// asWritten is an alarm without what only its changes tell.
func asWritten(t *testing.T, a alarm.Alarm) (out alarm.Alarm) {
	t.Helper()
	text, err := json.Marshal(a)
	if err == nil {
		err = json.Unmarshal(text, &out)
	}
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// A start in between changes nothing of when an alarm is told on or again: counted from
// when it waits and calls, which the record's changes tell.
func TestAStartTellsOnWhenItWouldHaveBeen(t *testing.T) {
	type step struct {
		minute int
		what   alarm.Happening
	}
	for name, tc := range map[string]struct {
		start int
		every int // a start every so many minutes, too; 0: not
		again time.Duration
		steps []step
		want  []int
	}{
		"acknowledged after it was told again": {95, 0, time.Hour, []step{{0, alarm.Appears}, {10, alarm.Acknowledge}, {90, alarm.Disappears}}, []int{60, 120, 180, 240, 300}},
		"came again, and was acknowledged": {115, 0, time.Hour, []step{{0, alarm.Appears}, {10, alarm.Acknowledge}, {70, alarm.Disappears},
			{80, alarm.Appears}, {110, alarm.Acknowledge}}, []int{60, 140, 200, 260, 320}},
		"starts without end": {1, 7, time.Hour, []step{{0, alarm.Appears}, {10, alarm.Acknowledge}, {90, alarm.Disappears}}, []int{60, 120, 180, 240, 300}},
		"off the shelf":      {131, 0, 100 * time.Minute, []step{{0, alarm.Appears}, {10, alarm.Shelve}, {130, alarm.Unshelve}}, []int{160, 230, 330}},
		"latched after it was acknowledged and came again": {75, 0, 0, []step{{0, alarm.Appears}, {40, alarm.Acknowledge}, {50, alarm.Disappears},
			{60, alarm.Appears}, {70, alarm.Disappears}}, []int{30, 90}},
		"comes and goes, and nobody acknowledges it": {75, 0, 0, []step{{0, alarm.Appears}, {50, alarm.Disappears}, {60, alarm.Appears}}, []int{30}},
	} {
		for _, start := range []int{-1, tc.start} {
			t.Run(fmt.Sprintf("%s, start at %d", name, start), func(t *testing.T) {
				dir := t.TempDir()
				s := open(t, dir, Options{})
				register(t, s, post("fryer"))
				a, care := alarm.Alarm{Post: "fryer", Rule: alarm.Exceeds}, alarm.Care{}
				due := alarm.Attention{EscalateAfter: 30 * time.Minute, TellAgainAfter: tc.again}
				var told []int
				for minute := range 340 {
					at := noon().Add(time.Duration(minute) * time.Minute)
					do := func(h alarm.Happening) {
						next, reason := a.Do(alarm.Act{What: h, At: at, Who: "J. Hale", Why: "seal on order", Until: at.Add(5 * time.Hour)})
						if reason == alarm.None || reason.Refused() {
							t.Fatalf("minute %d: %q", minute, reason)
						}
						s.Record(acquire.Event{At: at, Post: "fryer", Kind: acquire.KindAlarm, Alarm: &alarm.Change{Alarm: next, From: a.State, Reason: reason}})
						a = next
					}
					for _, st := range tc.steps {
						if st.minute == minute {
							do(st.what)
						}
					}
					if minute == start || start >= 0 && tc.every > 0 && minute%tc.every == 1 {
						shut(t, s)
						s = open(t, dir, Options{})
						register(t, s, post("fryer"))
						past, err := s.Past(0, 0)
						if err != nil {
							t.Fatal(err)
						}
						a, care = past.Alarms[0], alarm.Care{}
					}
					if h, is := care.Look(a, due, time.Duration(minute)*time.Minute, at); is {
						told = append(told, minute)
						do(h)
					}
				}
				if !slices.Equal(told, tc.want) {
					t.Errorf("told on or again at %v, want %v", told, tc.want)
				}
			})
		}
	}
}

// Neither a start nor a look at one alarm reads all events that ever were.
func TestChangesOfAlarmsAreFoundByTheirIndex(t *testing.T) {
	s := open(t, t.TempDir(), Options{})
	defer shut(t, s)
	for where, args := range map[string][]any{lastChanges: {int64(recalled)}, "WHERE " + inOccurrence: {int64(1), "x"}} {
		if plan := planOf(t, s, selectEvents+where, args...); strings.Contains(plan, "SCAN") || !strings.Contains(plan, "events_alarms (at_ns>?)") {
			t.Errorf("%s: %s", where, plan)
		}
	}
}

// One occurrence is read whole, and nothing of another of the same rule.
func TestOccurrenceIsReadWhole(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir, Options{})
	register(t, s, post("fryer"))
	a := alarm.Alarm{Post: "fryer", Rule: alarm.Silent}
	var ids []string
	for i := range 3 {
		at := noon().Add(time.Duration(i) * time.Hour)
		for k, h := range []alarm.Happening{alarm.Appears, alarm.Acknowledge, alarm.Disappears} {
			next, reason := a.Do(alarm.Act{What: h, At: at.Add(time.Duration(k) * time.Minute), Who: "J. Hale"})
			s.Record(acquire.Event{At: at.Add(time.Duration(k) * time.Minute), Post: "fryer", Kind: acquire.KindAlarm, Alarm: &alarm.Change{Alarm: next, From: a.State, Reason: reason}})
			a = next
		}
		ids = append(ids, a.ID)
	}
	shut(t, s)
	s = open(t, dir, Options{})
	for i, id := range ids {
		all, err := s.Occurrence(t.Context(), id)
		if err != nil || len(all) != 3 || !all[0].At.Equal(noon().Add(time.Duration(i)*time.Hour)) || all[0].Alarm.Reason != alarm.Raised || all[2].Alarm.State != alarm.Normal {
			t.Errorf("%s: %v %+v", id, err, all)
		}
	}
	for _, id := range []string{"", "none", "fryer.silent", "fryer.silent.20260603T120000.001Z", "a.b.c"} {
		if all, err := s.Occurrence(t.Context(), id); err != nil || len(all) != 0 {
			t.Errorf("%q: %v, %d changes", id, err, len(all))
		}
	}
}
