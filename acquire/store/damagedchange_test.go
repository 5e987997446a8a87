package store

import (
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
