package store

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/alarm"
)

// A change of an alarm that is damaged keeps nobody from reading the others: it stands among
// the events as what is left of it, and couriers are told what the alarm's own row says.
func TestADamagedChangeHoldsUpNoReader(t *testing.T) {
	for _, damage := range []string{"substr(alarm, 1, length(alarm) - 1)", "replace(alarm, '\"state\":\"', '\"state\":7,\"x\":\"')", "''"} {
		dir := damagedRecord(t, "UPDATE events SET alarm = "+damage+` WHERE alarm LIKE '%"rule":"stuck"%'`, func(s *Store) {
			for i, rule := range []alarm.Rule{alarm.Silent, alarm.Stuck, alarm.Exceeds} {
				s.Record(raise("fryer", rule, noon().Add(time.Duration(i)*time.Minute)))
			}
		})
		s := open(t, dir, Options{})
		all, err := s.Events(t.Context(), 0, 100)
		if err != nil {
			t.Fatalf("alarm = %s: %v", damage, err)
		}
		var rules []alarm.Rule
		var of string // the last occurrence
		for e, err := range s.Changes(t.Context(), time.Time{}, noon().Add(time.Hour)) {
			if err != nil {
				t.Fatal(err)
			}
			rules, of = append(rules, e.Alarm.Rule), e.Alarm.ID
		}
		if !slices.Equal(rules, []alarm.Rule{alarm.Silent, alarm.Exceeds}) {
			t.Errorf("alarm = %s: changes of %v", damage, rules)
		}
		damaged := 0
		for e, err := range s.DamagedChanges(t.Context(), time.Time{}, noon().Add(time.Hour)) {
			i := slices.IndexFunc(all, func(x acquire.Event) bool { return x.ID == e.ID })
			if err != nil || i < 0 || all[i].Alarm == nil || all[i].Alarm.Reason != alarm.Unread || e.Alarm != nil || !strings.HasPrefix(e.Text, "damaged in the record") || !strings.Contains(all[i].Text, "61.5") || e.Post != "fryer" {
				t.Errorf("alarm = %s: %+v, %v", damage, e, err)
			}
			damaged++
		}
		if damaged != 1 {
			t.Errorf("alarm = %s: %d are damaged", damage, damaged)
		}
		stand, _, err := s.Standing(t.Context())
		if err != nil || len(stand) != 3 {
			t.Fatalf("alarm = %s: %d stand, %v", damage, len(stand), err)
		}
		if c := stand[1].Alarm; c.Rule != alarm.Stuck || c.State != alarm.Unacknowledged || !c.Since.Equal(noon().Add(time.Minute)) || !c.Reason.Calls() || c.Verdict != nil {
			t.Errorf("alarm = %s: it stands as %+v", damage, c)
		}
		if told, err := s.Occurrence(t.Context(), of); err != nil || len(told) != 1 {
			t.Errorf("alarm = %s: %d changes of %s, %v", damage, len(told), of, err)
		}
		byHand(t, s, "DELETE FROM events WHERE alarm LIKE '%\"rule\":\"exceeds\"%'")
		if stand, last, err := s.Standing(t.Context()); err != nil || len(stand) != 3 || stand[2].Alarm.Rule != alarm.Exceeds || stand[2].ID <= stand[1].ID || stand[2].Post != "fryer" || last < stand[2].ID {
			t.Errorf("alarm = %s: where an event is lost %+v stand, %v", damage, stand, err)
		}
		next := raise("fryer", alarm.Stuck, noon().Add(time.Hour))
		next.Alarm.State = alarm.Normal
		s.Record(next)
		flushed(t, s)
		if stand, _, err := s.Standing(t.Context()); err != nil || len(stand) != 2 {
			t.Errorf("alarm = %s: %d stand behind the next change, %v", damage, len(stand), err)
		}
		shut(t, s)
	}
}

// Nor does it keep a record from being verified, cut to its age, or rebuilt.
func TestADamagedChangeHoldsUpNoUpkeep(t *testing.T) {
	at := func(minute int) time.Time { return noon().Add(time.Duration(minute) * time.Minute) }
	for _, tt := range []struct {
		damaged string
		kept    [2]time.Time // what its alarm keeps of the samples
		stands  int
	}{
		{"max", [2]time.Time{at(1), at(600)}, 2}, // it stands until now
		{"min", [2]time.Time{at(1), at(5)}, 1},   // it was raised before
	} {
		dir := damagedRecord(t, `UPDATE events SET alarm = substr(alarm, 1, length(alarm) - 1) WHERE id = (SELECT `+tt.damaged+`(id) FROM events WHERE alarm LIKE '%"rule":"stuck"%')`, func(s *Store) {
			s.Record(raise("fryer", alarm.Silent, noon()))
			s.Record(raise("fryer", alarm.Stuck, at(1)))
			if tt.damaged == "min" {
				ended := raise("fryer", alarm.Stuck, at(1))
				ended.At, ended.Alarm.From, ended.Alarm.State = at(5), alarm.Unacknowledged, alarm.Normal
				s.Record(ended)
			}
			s.Append(0, samples(1, 400))
		})

		r, err := OpenReadOnly(dir)
		if err != nil {
			t.Fatal(err)
		}
		rep, err := r.Verify(t.Context())
		if err != nil || len(rep.Problems) != 1 || rep.Problems[0].Text[:5] != "event" {
			t.Errorf("%s: %v, %+v", tt.damaged, err, rep.Problems)
		}
		if err := r.Close(); err != nil {
			t.Fatal(err)
		}

		s := open(t, dir, Options{})
		if err := s.ask(t.Context(), "look what is kept", func(ctx context.Context, w *writer) error {
			spans, err := w.keptSpans(ctx, "fryer", nanos(at(600)))
			around := int64(s.o.Retention.Around)
			if want := [2]int64{nanos(tt.kept[0]) - around, min(nanos(tt.kept[1])+around, nanos(at(600)))}; !slices.Contains(spans, want) {
				t.Errorf("%s: %v is kept, not %v", tt.damaged, spans, want)
			}
			return err
		}); err != nil {
			t.Errorf("%s: %v", tt.damaged, err)
		}
		shut(t, s)

		if _, err := Rebuild(t.Context(), dir, Options{Now: noon}); err != nil {
			t.Fatalf("%s: %v", tt.damaged, err)
		}
		s = open(t, dir, Options{})
		stand, _, err := s.Standing(t.Context())
		if err != nil || len(stand) != tt.stands || slices.ContainsFunc(stand, func(e acquire.Event) bool { return !e.Alarm.Reason.Calls() }) {
			t.Errorf("%s, rebuilt: %d stand, %v: %+v", tt.damaged, len(stand), err, stand)
		}
		shut(t, s)
	}
}

// A state that is none, or a way of being set aside, is a damaged change, though the JSON that
// says it can be read.
func TestAChangeToNoStateIsDamaged(t *testing.T) {
	for _, damage := range [][2]string{{`"state":"unack`, `"state":"unabk`}, {`"state":`, `"stbte":`}, {`"rule":`, `"rulf":`}, {`"post":`, `"posu":`}, {`"state":`, `"aside":"shelvee","state":`}} {
		dir := damagedRecord(t, "UPDATE events SET alarm = replace(alarm, '"+damage[0]+"', '"+damage[1]+"')", func(s *Store) {
			s.Record(raise("fryer", alarm.Exceeds, noon()))
		})
		if said, _ := verified(t, dir); strings.Contains(said, "cannot be read") {
			t.Errorf("%s: verify says %q", damage[1], said)
		}
		s := open(t, dir, Options{})
		stand, _, err := s.Standing(t.Context())
		if err != nil || len(stand) != 1 || stand[0].Alarm.Rule != alarm.Exceeds || stand[0].Alarm.Post != "fryer" {
			t.Errorf("%s: %v, %+v stand", damage[1], err, stand)
		}
		n := 0
		for _, err := range s.DamagedChanges(t.Context(), time.Time{}, noon().Add(time.Hour)) {
			if err != nil {
				t.Fatal(err)
			}
			n++
		}
		if n != 1 {
			t.Errorf("%s: %d changes are damaged", damage[1], n)
		}
		shut(t, s)
		if _, err := Rebuild(t.Context(), dir, Options{Now: noon}); err != nil {
			t.Errorf("%s: %v", damage[1], err)
		}
	}
}

// A change whose instant is damaged is a change all the same, and keeps its samples.
func TestAChangeWithoutAnInstant(t *testing.T) {
	at := func(minute int) time.Time { return noon().Add(time.Duration(minute) * time.Minute) }
	for _, damage := range []string{"'y'", "x'00'", "1e-190", "77"} {
		for i, want := range [][2]time.Time{{at(1), at(9)}, {at(1), at(9)}} {
			dir := damagedRecord(t, loosened+fmt.Sprintf("UPDATE events SET at_ns = %s WHERE id = (SELECT min(id) + %d FROM events WHERE alarm IS NOT NULL)", damage, i), func(s *Store) {
				s.Record(raise("fryer", alarm.Exceeds, at(1)))
				s.Record(changed(alarm.Exceeds, alarm.Normal, at(9)))
				s.Record(raise("fryer", alarm.Stuck, at(20)))
			})
			s := open(t, dir, Options{})
			if err := s.ask(t.Context(), "look what is kept", func(ctx context.Context, w *writer) error {
				spans, err := w.keptSpans(ctx, "fryer", nanos(at(600)))
				around := int64(s.o.Retention.Around)
				if !slices.ContainsFunc(spans, func(x [2]int64) bool { return x[0] <= nanos(want[0])-around && x[1] >= nanos(want[1])+around }) {
					t.Errorf("%s of change %d: %v is kept", damage, i, spans)
				}
				return err
			}); err != nil {
				t.Error(err)
			}
			var seen []time.Time
			for e, err := range s.Changes(t.Context(), at(0), at(10)) {
				if err != nil {
					t.Fatal(err)
				}
				seen = append(seen, e.At)
			}
			for e, err := range s.Changes(t.Context(), at(10), at(30)) {
				if err != nil || !e.At.Equal(at(20)) {
					t.Errorf("%s of change %d: another change %v, %v", damage, i, e.At, err)
				}
			}
			if !slices.Equal(seen, []time.Time{at(1), at(9)}) {
				t.Errorf("%s of change %d: changes at %v", damage, i, seen)
			}
			shut(t, s)
		}
	}
}

// Nor is what it keeps cut by an instant that is another than its change says.
func TestAChangeAtAnotherInstantKeepsItsSamples(t *testing.T) {
	at := func(minute int) time.Time { return noon().Add(time.Duration(minute) * time.Minute) }
	for _, damage := range []string{"at_ns - (1 << 39) WHERE id = (SELECT max(id)", "at_ns + (1 << 38) WHERE id = (SELECT min(id)"} {
		s := open(t, t.TempDir(), Options{})
		register(t, s, post("fryer"))
		s.Record(raise("fryer", alarm.Exceeds, at(1)))
		s.Record(changed(alarm.Exceeds, alarm.Normal, at(9)))
		flushed(t, s)
		byHand(t, s, "UPDATE events SET at_ns = "+damage+" FROM events WHERE alarm IS NOT NULL)")
		worked(s, func(w *writer) {
			spans, err := w.keptSpans(t.Context(), "fryer", nanos(at(600)))
			around := int64(w.s.o.Retention.Around)
			if err != nil || !slices.ContainsFunc(spans, func(x [2]int64) bool { return x[0] <= nanos(at(1))-around && x[1] >= nanos(at(9))+around }) {
				t.Errorf("%s: %v is kept, %v", damage, spans, err)
			}
		})
		shut(t, s)
	}
}

// Nor does a damaged change let go what it was raised for, where the raise itself is lost.
func TestADamagedChangeBehindALostRaiseKeepsItsSamples(t *testing.T) {
	at := func(minute int) time.Time { return noon().Add(time.Duration(minute) * time.Minute) }
	s := open(t, t.TempDir(), Options{})
	defer shut(t, s)
	register(t, s, post("fryer"))
	raised := raise("fryer", alarm.Exceeds, at(1))
	s.Record(raised)
	acked := raised
	acked.At = at(60)
	next, reason := raised.Alarm.Step(alarm.Acknowledge, acked.At)
	acked.Alarm = &alarm.Change{Alarm: next, From: raised.Alarm.State, Reason: reason}
	s.Record(acked)
	flushed(t, s)
	byHand(t, s, "DELETE FROM events WHERE id = (SELECT min(id) FROM events WHERE alarm IS NOT NULL); UPDATE events SET alarm = substr(alarm, 1, length(alarm) - 1)")
	worked(s, func(w *writer) {
		spans, err := w.keptSpans(t.Context(), "fryer", nanos(at(600)))
		around := int64(w.s.o.Retention.Around)
		if want := [2]int64{nanos(at(1)) - around, nanos(at(600))}; err != nil || !slices.Contains(spans, want) {
			t.Errorf("%v is kept, not %v, %v", spans, want, err)
		}
	})
}
