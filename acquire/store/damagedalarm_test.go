package store

import (
	"slices"
	"strings"
	"testing"
	"time"

	"ovenward/acquire/alarm"
)

// A row of an alarm whose event's number is damaged takes the next change all the same.
func TestAnAlarmOfAnEventThatIsToCome(t *testing.T) {
	dir := damagedRecord(t, "UPDATE alarms SET event = event + (1 << 40)", func(s *Store) {
		s.Record(raise("fryer", alarm.Exceeds, noon()))
		s.Record(changed(alarm.Exceeds, alarm.Normal, noon().Add(time.Minute)))
	})
	s := open(t, dir, Options{})
	register(t, s, post("fryer"))
	s.Record(raise("fryer", alarm.Exceeds, noon().Add(time.Hour)))
	shut(t, s)
	s = open(t, dir, Options{})
	all, err := s.AlarmStates(t.Context())
	if err != nil || len(all) != 1 || !all[0].State.Standing() {
		t.Errorf("%v, %+v", err, all)
	}
	shut(t, s)
}

// One that names the event of another alarm, or a note, stands and is told all the same.
func TestAnAlarmOfAnEventOfSomethingElse(t *testing.T) {
	for _, of := range []string{"alarm NOTNULL AND alarm ->> '$.rule' = 'silent'", "alarm ISNULL"} {
		dir := damagedRecord(t, "UPDATE alarms SET event = (SELECT max(id) FROM events WHERE "+of+") WHERE rule = 'exceeds'", func(s *Store) {
			s.Record(note("behind it"))
			s.Record(raise("fryer", alarm.Silent, noon()))
			s.Record(changed(alarm.Silent, alarm.Normal, noon().Add(time.Minute)))
			s.Record(raise("fryer", alarm.Exceeds, noon().Add(2*time.Minute)))
		})
		s := open(t, dir, Options{})
		all, _, err := s.Standing(t.Context())
		if err != nil || len(all) != 1 || all[0].Alarm.Rule != alarm.Exceeds || all[0].Alarm.Reason == alarm.Unread {
			t.Errorf("%s: %v, %+v", of, err, all)
		}
		shut(t, s)
	}
}

// A key that is a blob is found all the same.
func TestAnAlarmsPostAsABlob(t *testing.T) {
	dir := damagedRecord(t, loosened+"UPDATE alarms SET post = CAST(post AS BLOB)", func(s *Store) {
		s.Record(raise("fryer", alarm.Exceeds, noon()))
		s.Record(changed(alarm.Exceeds, alarm.Normal, noon().Add(time.Minute)))
	})
	if said, _ := verified(t, dir); strings.Contains(said, "cannot be read") {
		t.Errorf("verify says %q", said)
	}
	s := open(t, dir, Options{})
	register(t, s, post("fryer"))
	s.Record(raise("fryer", alarm.Exceeds, noon().Add(time.Hour)))
	shut(t, s)
	s = open(t, dir, Options{})
	register(t, s, post("fryer"))
	past, err := s.Past(0, 0)
	if err != nil || len(past.Alarms) != 1 || !past.Alarms[0].State.Standing() {
		t.Errorf("%v, %+v", err, past.Alarms)
	}
	if all, err := s.AlarmStates(t.Context()); err != nil || len(all) != 1 || !all[0].State.Standing() {
		t.Errorf("%v, %+v", err, all)
	}
	shut(t, s)
	if _, err := Rebuild(t.Context(), dir, Options{Now: noon}); err != nil {
		t.Error(err)
	}
}

// An alarm whose row is lost stands in a rebuilt record as its newest event says.
func TestARebuildingKeepsAnAlarmWhoseRowIsLost(t *testing.T) {
	dir := damagedRecord(t, "DELETE FROM alarms", func(s *Store) {
		s.Record(raise("fryer", alarm.Exceeds, noon()))
		flushed(t, s)
		merged(t, s, true)
	})
	if _, err := Rebuild(t.Context(), dir, Options{Now: noon}); err != nil {
		t.Fatal(err)
	}
	s := open(t, dir, Options{})
	if all, err := s.AlarmStates(t.Context()); err != nil || len(all) != 1 || !all[0].State.Standing() {
		t.Errorf("%v, %+v", err, all)
	}
	shut(t, s)
}

// An alarm whose row is damaged stands as its event says, and calls; where that is damaged too
// it counts as standing; verify tells, and a rebuilding mends it.
func TestADamagedAlarmStandsAsItsEventSays(t *testing.T) {
	for _, tt := range []struct {
		damage string
		stand  []alarm.Rule
	}{
		{"UPDATE alarms SET state = 'x'", []alarm.Rule{alarm.Exceeds}},
		{"UPDATE alarms SET aside = 'x'", []alarm.Rule{alarm.Exceeds}},
		{"UPDATE alarms SET state = 'x'; UPDATE events SET alarm = substr(alarm, 2) WHERE id = (SELECT event FROM alarms WHERE rule = 'silent')", []alarm.Rule{alarm.Silent, alarm.Exceeds}},
	} {
		dir := damagedRecord(t, tt.damage, func(s *Store) {
			s.Record(raise("fryer", alarm.Silent, noon()))
			ended := raise("fryer", alarm.Silent, noon())
			ended.At, ended.Alarm.From, ended.Alarm.State = noon().Add(time.Minute), alarm.Unacknowledged, alarm.Normal
			s.Record(ended)
			s.Record(raise("fryer", alarm.Exceeds, noon().Add(2*time.Minute)))
		})
		for _, rebuilt := range []bool{false, true} {
			if said, _ := verified(t, dir); !rebuilt && !strings.Contains(said, "the state of the alarm exceeds is not the one of event") || rebuilt && strings.Contains(said, "exceeds") {
				t.Errorf("%s: rebuilt %t: verify says %q", tt.damage, rebuilt, said)
			}
			s := open(t, dir, Options{})
			register(t, s, post("fryer"))
			past, err := s.Past(0, 0)
			if err != nil {
				t.Fatal(err)
			}
			var restored, told []alarm.Rule
			for _, a := range past.Alarms {
				if a.State.Standing() && a.Calls() {
					restored = append(restored, a.Rule)
				}
			}
			all, _, err := s.Standing(t.Context())
			for _, e := range all {
				if e.Alarm.Calls() {
					told = append(told, e.Alarm.Rule)
				}
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

// Where it names the event of another alarm, it does not stand as that does.
func TestADamagedAlarmThatNamesTheEventOfAnother(t *testing.T) {
	dir := damagedRecord(t, "UPDATE alarms SET state = 'x', event = (SELECT event FROM alarms WHERE rule = 'silent') WHERE rule = 'exceeds'", func(s *Store) {
		s.Record(raise("fryer", alarm.Silent, noon()))
		s.Record(changed(alarm.Silent, alarm.Normal, noon().Add(time.Minute)))
		s.Record(raise("fryer", alarm.Exceeds, noon().Add(2*time.Minute)))
	})
	s := open(t, dir, Options{})
	defer shut(t, s)
	all, err := s.AlarmStates(t.Context())
	if err != nil || len(all) != 2 || all[0].Rule != alarm.Exceeds || !all[0].State.Standing() || all[1].State.Standing() {
		t.Errorf("%v, %+v", err, all)
	}
}
