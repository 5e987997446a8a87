package store

import (
	"context"
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
		dir := t.TempDir()
		s := open(t, dir, Options{})
		register(t, s, post("fryer"))
		for i, rule := range []alarm.Rule{alarm.Silent, alarm.Stuck, alarm.Exceeds} {
			s.Record(raise("fryer", rule, noon().Add(time.Duration(i)*time.Minute)))
		}
		shut(t, s)
		byTool(t, dir, "UPDATE events SET alarm = "+damage+` WHERE alarm LIKE '%"rule":"stuck"%'`)
		s = open(t, dir, Options{})
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
		dir := t.TempDir()
		s := open(t, dir, Options{})
		register(t, s, post("fryer"))
		s.Record(raise("fryer", alarm.Silent, noon()))
		s.Record(raise("fryer", alarm.Stuck, at(1)))
		if tt.damaged == "min" {
			ended := raise("fryer", alarm.Stuck, at(1))
			ended.At, ended.Alarm.From, ended.Alarm.State = at(5), alarm.Unacknowledged, alarm.Normal
			s.Record(ended)
		}
		s.Append(0, samples(1, 400))
		shut(t, s)
		byTool(t, dir, `UPDATE events SET alarm = substr(alarm, 1, length(alarm) - 1) WHERE id = (SELECT `+tt.damaged+`(id) FROM events WHERE alarm LIKE '%"rule":"stuck"%')`)

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

		s = open(t, dir, Options{})
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

// An alarm whose row is damaged stands as its event says, and where that is damaged too it
// counts as standing; verify tells, and a rebuilding mends it.
func TestADamagedAlarmStandsAsItsEventSays(t *testing.T) {
	for _, tt := range []struct {
		damage string
		stand  []alarm.Rule
	}{
		{"UPDATE alarms SET state = 'x'", []alarm.Rule{alarm.Exceeds}},
		{"UPDATE alarms SET aside = 'x'", []alarm.Rule{alarm.Exceeds}},
		{"UPDATE alarms SET state = 'x'; UPDATE events SET alarm = substr(alarm, 2) WHERE id = (SELECT event FROM alarms WHERE rule = 'silent')", []alarm.Rule{alarm.Silent, alarm.Exceeds}},
	} {
		dir := t.TempDir()
		s := open(t, dir, Options{})
		register(t, s, post("fryer"))
		s.Record(raise("fryer", alarm.Silent, noon()))
		ended := raise("fryer", alarm.Silent, noon())
		ended.At, ended.Alarm.From, ended.Alarm.State = noon().Add(time.Minute), alarm.Unacknowledged, alarm.Normal
		s.Record(ended)
		s.Record(raise("fryer", alarm.Exceeds, noon().Add(2*time.Minute)))
		shut(t, s)
		byTool(t, dir, tt.damage)
		for _, rebuilt := range []bool{false, true} {
			if said, _ := verified(t, dir); !rebuilt && !strings.Contains(said, "the state of the alarm exceeds is not the one of event") || rebuilt && strings.Contains(said, "exceeds") {
				t.Errorf("%s: rebuilt %t: verify says %q", tt.damage, rebuilt, said)
			}
			s = open(t, dir, Options{})
			register(t, s, post("fryer"))
			past, err := s.Past(0, 0)
			if err != nil {
				t.Fatal(err)
			}
			var restored, told []alarm.Rule
			for _, a := range past.Alarms {
				if a.State.Standing() {
					restored = append(restored, a.Rule)
				}
			}
			all, _, err := s.Standing(t.Context())
			for _, e := range all {
				told = append(told, e.Alarm.Rule)
			}
			slices.Sort(restored)
			slices.Sort(told)
			slices.Sort(tt.stand)
			if err != nil || !slices.Equal(restored, tt.stand) || !slices.Equal(told, tt.stand) {
				t.Errorf("%s: rebuilt %t: restored %v, told %v, %v; want %v", tt.damage, rebuilt, restored, told, err, tt.stand)
			}
			shut(t, s)
			if !rebuilt {
				if _, err := Rebuild(t.Context(), dir, Options{Now: noon}); err != nil {
					t.Fatal(err)
				}
			}
		}
	}
}
