package store

import (
	"bytes"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"iter"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/alarm"
	"ovenward/acquire/cycle/history"
	"ovenward/acquire/cycle/soak"
	"ovenward/acquire/registry"
)

// loosened has the record in dir take values that do not fit their columns, as a flipped bit
// in the head of a row makes them.
func loosened(t *testing.T, dir string) {
	t.Helper()
	byTool(t, dir, "PRAGMA writable_schema = ON; UPDATE sqlite_schema SET sql = replace(replace(sql, 'NOT NULL', ''), ') STRICT', ')') WHERE type = 'table'")
}

// One row that does not fit costs a rebuilding that row, and none of those that are read with it.
func TestARowThatDoesNotFitCostsARebuildingNoOther(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir, Options{})
	register(t, s, post("fryer"))
	for i := range 30 {
		s.Record(note(fmt.Sprint("note ", i)))
	}
	shut(t, s)
	loosened(t, dir)
	byTool(t, dir, "UPDATE events SET at_ns = 'y' WHERE text = 'note 3'")
	out, err := Rebuild(t.Context(), dir, Options{Now: noon})
	if err != nil || out.Events != 29 || len(out.Lost) != 1 {
		t.Errorf("%v, %+v", err, out)
	}
}

// A state that is none is a damaged change, though the JSON that says it can be read.
func TestAChangeToNoStateIsDamaged(t *testing.T) {
	for _, damage := range [][2]string{{`"state":"unack`, `"state":"unabk`}, {`"state":`, `"stbte":`}, {`"rule":`, `"rulf":`}, {`"post":`, `"posu":`}} {
		dir := t.TempDir()
		s := open(t, dir, Options{})
		register(t, s, post("fryer"))
		s.Record(raise("fryer", alarm.Exceeds, noon()))
		shut(t, s)
		byTool(t, dir, "UPDATE events SET alarm = replace(alarm, '"+damage[0]+"', '"+damage[1]+"')")
		if said, _ := verified(t, dir); strings.Contains(said, "cannot be read") {
			t.Errorf("%s: verify says %q", damage[1], said)
		}
		s = open(t, dir, Options{})
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
			dir := t.TempDir()
			s := open(t, dir, Options{})
			register(t, s, post("fryer"))
			s.Record(raise("fryer", alarm.Exceeds, at(1)))
			s.Record(changed(alarm.Exceeds, alarm.Normal, at(9)))
			s.Record(raise("fryer", alarm.Stuck, at(20)))
			shut(t, s)
			loosened(t, dir)
			byTool(t, dir, fmt.Sprintf("UPDATE events SET at_ns = %s WHERE id = (SELECT min(id) + %d FROM events WHERE alarm IS NOT NULL)", damage, i))
			s = open(t, dir, Options{})
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

// A row of an alarm whose event's number is damaged takes the next change all the same.
func TestAnAlarmOfAnEventThatIsToCome(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir, Options{})
	register(t, s, post("fryer"))
	s.Record(raise("fryer", alarm.Exceeds, noon()))
	s.Record(changed(alarm.Exceeds, alarm.Normal, noon().Add(time.Minute)))
	shut(t, s)
	byTool(t, dir, "UPDATE alarms SET event = event + (1 << 40)")
	s = open(t, dir, Options{})
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

// A rebuilding leaves nothing out on the word of a damaged row of a chunk that was removed.
func TestARemovalThatIsDamagedRemovesNoMore(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir, Options{})
	register(t, s, post("fryer"))
	s.Append(0, samples(1, 2000))
	flushed(t, s)
	merged(t, s, true)
	s.Append(0, samples(2001, 4000))
	flushed(t, s)
	merged(t, s, true)
	worked(s, func(w *writer) {
		var id int64
		if err := w.conn.QueryRowContext(t.Context(), "SELECT min(id) FROM chunks").Scan(&id); err != nil {
			t.Error(err)
		}
		w.removals = []removal{{post: "fryer", chunks: []int64{id}, text: "samples were removed"}}
		if err := w.attempt(true); err != nil {
			t.Error(err)
		}
	})
	left := len(everything(t, s.Reader, "fryer"))
	shut(t, s)
	byTool(t, dir, "UPDATE chunks SET to_seq = to_seq + (1 << 30) WHERE state = 2; UPDATE chunks SET state = 2 WHERE id = (SELECT max(id) FROM chunks)")
	out, err := Rebuild(t.Context(), dir, Options{Now: noon})
	if err != nil || out.Samples < int64(left) || left == 4000 || len(out.Lost) != 1 {
		t.Errorf("%v, %+v of %d", err, out, left)
	}
}

// A column of the register that does not fit keeps no other from being read, nor a change
// from being entered: what is not known is due, not within, and counts as damaged.
func TestARegisterWithAColumnThatDoesNotFit(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir, Options{})
	day := noon().Truncate(24 * time.Hour)
	if err := s.Enter(t.Context(), registry.Entry{Who: "R. Okafor",
		Ovens:        []registry.OvenEntry{{Oven: anOven("counter"), Base: registry.New}},
		Probes:       []registry.ProbeEntry{{Probe: registry.Probe{ID: "hatch", NextCheck: day.AddDate(1, 0, 0)}, Base: registry.New}},
		Certificates: []registry.Certificate{{Probe: "hatch", Certificate: *certificate()}},
		Tests:        []registry.Test{{Oven: "counter", On: day, Kind: "survey", By: "P. Marlow", Outcome: "within", Text: "12 points"}}}, noon()); err != nil {
		t.Fatal(err)
	}
	shut(t, s)
	loosened(t, dir)
	byTool(t, dir, "UPDATE ovens SET withdrawn = NULL, power_w = 'y', next_check = 7; UPDATE probes SET next_check = NULL, valid_from_ns = 'y'; UPDATE oven_tests SET by_whom = NULL; UPDATE certificates SET factor = 'y'")
	s = open(t, dir, Options{})
	defer shut(t, s)
	ovens, err := s.Ovens(t.Context())
	if err != nil || len(ovens) != 1 || ovens[0].ID != "counter" || ovens[0].Withdrawn || ovens[0].Power != 0 || !ovens[0].NextCheck.Equal(day) {
		t.Fatalf("%+v, %v", ovens, err)
	}
	probes, err := s.Probes(t.Context())
	if err != nil || len(probes) != 1 || probes[0].ID != "hatch" || probes[0].NextCheck.After(day) {
		t.Errorf("%+v, %v", probes, err)
	}
	tests, err := s.Tests(t.Context(), "")
	if err != nil || len(tests) != 1 || tests[0].Outcome != "not decided" {
		t.Errorf("%+v, %v", tests, err)
	}
	var damaged DamagedCertificates
	if all, err := s.Certificates(t.Context()); !errors.As(err, &damaged) || len(all) != 0 || damaged[0].Certificate.Number != certificate().Number {
		t.Errorf("%+v, %v", all, err)
	}
	o := anOven("counter")
	o.Remark = "looked at"
	if err := s.Enter(t.Context(), registry.Entry{Who: "R. Okafor", Ovens: []registry.OvenEntry{{Oven: o, Base: ovens[0].Number}},
		Certificates: []registry.Certificate{{Probe: "hatch", Certificate: *certificate()}}}, noon()); err != nil {
		t.Error(err)
	}
	if all, err := s.Certificates(t.Context()); err != nil || len(all) != 1 {
		t.Errorf("%+v, %v", all, err)
	}
	byHand(t, s, "UPDATE certificates SET number = NULL")
	if _, err := s.Certificates(t.Context()); err == nil || errors.As(err, &damaged) {
		t.Errorf("of no number: %v", err)
	}
}

// A key that is a blob is found all the same.
func TestAnAlarmsPostAsABlob(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir, Options{})
	register(t, s, post("fryer"))
	s.Record(raise("fryer", alarm.Exceeds, noon()))
	s.Record(changed(alarm.Exceeds, alarm.Normal, noon().Add(time.Minute)))
	shut(t, s)
	loosened(t, dir)
	byTool(t, dir, "UPDATE alarms SET post = CAST(post AS BLOB)")
	if said, _ := verified(t, dir); strings.Contains(said, "cannot be read") {
		t.Errorf("verify says %q", said)
	}
	s = open(t, dir, Options{})
	register(t, s, post("fryer"))
	s.Record(raise("fryer", alarm.Exceeds, noon().Add(time.Hour)))
	shut(t, s)
	s = open(t, dir, Options{})
	register(t, s, post("fryer"))
	past, err := s.Past(0, 0)
	if err != nil || !slices.ContainsFunc(past.Alarms, func(a alarm.Alarm) bool { return a.State.Standing() }) {
		t.Errorf("%v, %+v", err, past.Alarms)
	}
	shut(t, s)
	if _, err := Rebuild(t.Context(), dir, Options{Now: noon}); err != nil {
		t.Error(err)
	}
}

// The chain goes on where the head of its newest day does not fit, which is made again, and
// where that of the day before does not, which is told and held against no entry.
func TestAHeadThatDoesNotFit(t *testing.T) {
	for _, damage := range []string{"entry = 'y'", "entry = NULL", "head = NULL", "head = x'00'"} {
		for which, want := range map[string]string{"max": "", "min": ": the head of 2031-05-20 is none"} {
			dir := t.TempDir()
			var o Options
			for day := range 2 {
				o.Now = func() time.Time { return noon().AddDate(0, 0, day) }
				s := open(t, dir, o)
				s.Record(note("one"))
				s.Record(note("another"))
				shut(t, s)
			}
			loosened(t, dir)
			byTool(t, dir, "UPDATE days SET "+damage+" WHERE day = (SELECT "+which+"(day) FROM days)")
			s, err := Open(dir, o)
			if err != nil {
				t.Errorf("%s of %s: %v", damage, which, err)
				continue
			}
			s.Record(note("two"))
			flushed(t, s)
			if _, err := s.Heads(t.Context(), time.Time{}, time.Time{}); err != nil {
				t.Errorf("%s of %s: %v", damage, which, err)
			}
			shut(t, s)
			if said, _ := verified(t, dir); said != want {
				t.Errorf("%s of %s: verify says %q", damage, which, said)
			}
		}
	}
}

// An alarm whose row is lost stands in a rebuilt record as its newest event says.
func TestARebuildingKeepsAnAlarmWhoseRowIsLost(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir, Options{})
	register(t, s, post("fryer"))
	s.Record(raise("fryer", alarm.Exceeds, noon()))
	flushed(t, s)
	merged(t, s, true)
	shut(t, s)
	byTool(t, dir, "DELETE FROM alarms")
	if _, err := Rebuild(t.Context(), dir, Options{Now: noon}); err != nil {
		t.Fatal(err)
	}
	s = open(t, dir, Options{})
	if all, err := s.AlarmStates(t.Context()); err != nil || len(all) != 1 || !all[0].State.Standing() {
		t.Errorf("%v, %+v", err, all)
	}
	shut(t, s)
}

// Retention takes no evidence on the word of a damaged row of it, and goes on beside a damaged
// row of a chunk.
func TestRetentionBesideDamagedRows(t *testing.T) {
	begin := evidenceBegin()
	at := func(d time.Duration) time.Time { return begin.Add(d) }
	for _, tc := range []struct {
		damage string
		kept   [2]time.Duration
		gone   bool // what is neither evidence nor young
	}{
		{"SELECT 1", [2]time.Duration{130 * time.Minute, 140 * time.Minute}, true},
		{"UPDATE evidence SET to_ns = from_ns - 3600000000000", [2]time.Duration{130 * time.Minute, 140 * time.Minute}, false},
		{"UPDATE evidence SET from_ns = from_ns + (1 << 50)", [2]time.Duration{130 * time.Minute, 140 * time.Minute}, false},
		{"UPDATE evidence SET released = 1", [2]time.Duration{130 * time.Minute, 140 * time.Minute}, false},
		{"UPDATE chunks SET from_ns = from_ns + (1 << 60) WHERE id = (SELECT min(id) FROM chunks)", [2]time.Duration{130 * time.Minute, 140 * time.Minute}, true},
		{"UPDATE chunks SET samples = 'y' WHERE id = (SELECT min(id) FROM chunks)", [2]time.Duration{130 * time.Minute, 140 * time.Minute}, true},
		{"UPDATE chunks SET to_ns = 'y' WHERE id = (SELECT min(id) FROM chunks)", [2]time.Duration{130 * time.Minute, 140 * time.Minute}, true},
		{"UPDATE chunks SET to_ns = to_ns + (1 << 60) WHERE id = (SELECT min(id) FROM chunks)", [2]time.Duration{130 * time.Minute, 140 * time.Minute}, true},
	} {
		var now atomic.Int64
		dir := t.TempDir()
		shut(t, open(t, dir, Options{}))
		loosened(t, dir)
		s := open(t, dir, Options{Retention: Retention{Keep: Keep{Age: time.Hour}, Around: 10 * time.Minute},
			Now: func() time.Time { return begin.Add(time.Duration(now.Load())) }})
		register(t, s, post("fryer"))
		if err := s.KeepEvidence(t.Context(), Evidence{Post: "fryer", From: at(130 * time.Minute), To: at(140 * time.Minute), Why: "survey", What: "s1", Who: "R. Okafor"}); err != nil {
			t.Fatal(err)
		}
		for i := range int64(7 * 60) { // a sample a minute: a chunk holds an hour of them
			x := sample(i + 1)
			x.At = at(time.Duration(i) * time.Minute)
			s.Append(0, []acquire.Sample{x})
			if i%60 == 59 {
				flushed(t, s)
				merged(t, s, true)
			}
		}
		byHand(t, s, tc.damage)
		now.Store(int64(20 * time.Hour))
		worked(s, func(w *writer) {
			w.retaining()
			if err := w.attempt(true); err != nil {
				t.Error(err)
			}
		})
		there := map[time.Duration]bool{}
		for _, x := range everything(t, s.Reader, "fryer") {
			there[x.At.Sub(begin)] = true
		}
		for d := tc.kept[0]; d <= tc.kept[1]; d += time.Minute {
			if !there[d] {
				t.Errorf("%s: the sample at %s is gone", tc.damage, d)
				break
			}
		}
		if there[300*time.Minute] == tc.gone {
			t.Errorf("%s: what is no evidence is gone: %t", tc.damage, !tc.gone)
		}
		shut(t, s)
	}
}

// Retention looks at no more of a post than its first chunk that is young, also where an alarm
// keeps all that is: each row stands on a page of its own, and those of a year at 10 Hz are 2 GB.
func TestRetentionReadsNoFurtherThanWhatIsYoung(t *testing.T) {
	s := open(t, t.TempDir(), Options{Retention: Retention{Around: 10 * time.Minute}})
	defer shut(t, s)
	register(t, s, post("fryer"))
	s.Record(raise("fryer", alarm.Exceeds, noon()))
	flushed(t, s)
	byHand(t, s, fmt.Sprintf(`WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n WHERE i < 3000) INSERT INTO chunks (id, from_seq, to_seq, samples, from_ns, to_ns, state, data)
		SELECT (1 << 32) + i, i, i, 1, %d + i, %[1]d + i, 1, x'00' FROM n`, nanos(noon())))
	worked(s, func(w *writer) {
		if n := testing.AllocsPerRun(1, func() {
			if runs, err := w.doom(t.Context(), 1, "fryer", Keep{Age: time.Hour}, noon().Add(time.Minute)); err != nil || len(runs) > 0 {
				t.Errorf("%v are to go, %v", runs, err)
			}
		}); n > 3000 {
			t.Errorf("it took %.0f allocations: all rows were read", n)
		}
	})
}

// What is kept is compared with the chain in one go: the writer looks at each survey of a post
// each hour.
func TestEvidenceIsComparedInOneGo(t *testing.T) {
	s := open(t, t.TempDir(), Options{})
	defer shut(t, s)
	register(t, s, post("fryer"))
	worked(s, func(w *writer) {
		for i := range 200 {
			if err := w.writeEvidence(t.Context(), Evidence{Post: "fryer", From: noon(), To: noon(), Why: "survey", What: fmt.Sprint(i), Who: "R. Okafor"}, 0); err != nil {
				t.Error(err)
			}
		}
		if n := testing.AllocsPerRun(1, func() {
			if damaged, err := w.damagedEvidence(t.Context(), "fryer"); err != nil || damaged {
				t.Errorf("damaged: %t, %v", damaged, err)
			}
		}); n > 200*100 {
			t.Errorf("it took %.0f allocations: each row was asked for by itself", n)
		}
	})
}

// Rows of surveys, marks and events with a column that does not fit hold up no start and no
// list, and a change to no known state does not bring a probe back that is away.
func TestListsBesideAColumnThatDoesNotFit(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir, Options{})
	register(t, s, post("fryer"))
	surveyed(t, s, noon(), noon().Add(time.Hour))
	soaked(t, s, soak.Mark{Kind: soak.Started, At: noon()}, soak.Mark{Kind: soak.Noted, At: noon().Add(time.Minute), Text: "warm"})
	s.Record(acquire.Event{At: noon().Add(-time.Hour), Post: "fryer", Kind: acquire.KindPosition, Text: "it stands there"})
	s.Record(raise("fryer", alarm.Away, noon()))
	s.Record(changed(alarm.Away, alarm.Normal, noon().Add(time.Minute)))
	shut(t, s)
	loosened(t, dir)
	byTool(t, dir, "UPDATE surveys SET ended_ns = 'y', who = NULL; UPDATE soak_marks SET operations = 'y' WHERE text = 'warm'; UPDATE events SET at_ns = x'00' WHERE kind = 'position'; UPDATE post_versions SET valid_from_ns = 0")
	byTool(t, dir, `UPDATE events SET alarm = replace(alarm, '"state":"unack', '"state":"unabk')`)
	s = open(t, dir, Options{})
	defer shut(t, s)
	if all, err := s.Surveys(t.Context(), SurveyQuery{}, 10); err != nil || len(all) != 1 || all[0].ID != "one" || all[0].Ended.IsZero() {
		t.Errorf("%v, %+v", err, all)
	}
	if all, err := s.Soaks(t.Context()); err != nil || len(all) != 1 || len(all[0].Damage) != 1 {
		t.Errorf("%v, %+v", err, all)
	}
	register(t, s, post("fryer"))
	if _, err := s.Past(0, time.Hour); err != nil {
		t.Error(err)
	}
	if away, err := s.away(t.Context(), "fryer"); err != nil || !slices.Equal(away, []stretch{{nanos(noon()), nanos(noon().Add(time.Minute))}}) {
		t.Errorf("%v, away %v", err, away)
	}
}

// What a chunk's row says of its samples hides none of them, nor sends the post's next ones
// elsewhere: what the chunk itself says is checked.
func TestADamagedRowOfAChunkHidesNoSample(t *testing.T) {
	for _, which := range []string{"min", "max"} {
		for _, damage := range []string{"to_seq = to_seq + (1 << 40)", "to_seq = 0", "from_seq = from_seq + (1 << 40)", "from_seq = 0", "to_ns = to_ns + (1 << 55)", "from_ns = from_ns + (1 << 55)", "from_ns = 0"} {
			dir := t.TempDir()
			s := open(t, dir, Options{})
			register(t, s, post("fryer"))
			for i := range int64(3) {
				s.Append(0, samples(2000*i+1, 2000*i+2000))
				flushed(t, s)
				merged(t, s, true)
			}
			shut(t, s)
			byTool(t, dir, "UPDATE chunks SET "+damage+" WHERE id = (SELECT "+which+"(id) FROM chunks)")
			s = open(t, dir, Options{})
			register(t, s, post("fryer"))
			past, err := s.Past(0, time.Hour)
			if err != nil || past.LastSeq != 6000 || !past.LastAt.Equal(sample(6000).At) {
				t.Errorf("%s of %s: %v, last %d at %s", damage, which, err, past.LastSeq, past.LastAt)
			}
			s.Append(0, samples(6001, 6010))
			flushed(t, s)
			for name, all := range map[string]iter.Seq2[StoredSample, error]{"all": s.Samples(t.Context(), "fryer", time.Time{}, time.Time{}),
				"from 1": s.SamplesFrom(t.Context(), "fryer", 1), "since": s.Samples(t.Context(), "fryer", sample(1).At, sample(7000).At)} {
				n := 0
				for _, err := range all {
					if err != nil {
						t.Errorf("%s of %s: %s: %v", damage, which, name, err)
						break
					}
					n++
				}
				if n != 6010 {
					t.Errorf("%s of %s: %s: %d samples", damage, which, name, n)
				}
			}
			shut(t, s)
		}
	}
}

// Nor does what is left of one that was removed, of which nothing is checked.
func TestADamagedRowOfARemovedChunkHidesNoSample(t *testing.T) {
	s := open(t, t.TempDir(), Options{})
	defer shut(t, s)
	register(t, s, post("fryer"))
	for i := range int64(3) {
		s.Append(0, samples(2000*i+1, 2000*i+2000))
		flushed(t, s)
		merged(t, s, true)
	}
	worked(s, func(w *writer) {
		w.removals = []removal{{post: "fryer", chunks: []int64{1<<32 + 2}, text: "samples were removed"}}
		if err := w.attempt(true); err != nil {
			t.Error(err)
		}
	})
	byHand(t, s, "UPDATE chunks SET from_ns = 1, from_seq = 1 WHERE state = 2")
	for name, all := range map[string]iter.Seq2[StoredSample, error]{"from 1001": s.SamplesFrom(t.Context(), "fryer", 1001),
		"since": s.Samples(t.Context(), "fryer", sample(1001).At, sample(7000).At)} {
		n := 0
		for _, err := range all {
			if err != nil {
				t.Errorf("%s: %v", name, err)
				break
			}
			n++
		}
		if n != 3000 {
			t.Errorf("%s: %d samples", name, n)
		}
	}
}

// A chunk that was sealed grows no more, whatever its row says: its hash would prove it no more.
func TestASealedChunkGrowsNoMore(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir, Options{})
	register(t, s, post("fryer"))
	s.Append(0, samples(1, 2000))
	flushed(t, s)
	merged(t, s, true)
	shut(t, s)
	byTool(t, dir, "UPDATE chunks SET state = 0")
	s = open(t, dir, Options{})
	register(t, s, post("fryer"))
	s.Append(0, samples(2001, 2010))
	flushed(t, s)
	merged(t, s, true)
	if got := numbers(everything(t, s.Reader, "fryer")); got != "1-2010" {
		t.Errorf("there are %s", got)
	}
	shut(t, s)
	if said, _ := verified(t, dir); said != "" {
		t.Errorf("verify says %q", said)
	}
}

// A version of a post with a column that does not fit is lost to those who ask what the post
// was, and holds up neither its runs nor its charts.
func TestAVersionWithAColumnThatDoesNotFit(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir, Options{})
	register(t, s, post("fryer"))
	s.Append(0, samples(1, 2000))
	shut(t, s)
	loosened(t, dir)
	byTool(t, dir, "UPDATE post_versions SET probe_range_w_per_m2 = 'y', stale_s = 'y'")
	s = open(t, dir, Options{})
	defer shut(t, s)
	if _, err := s.Version(t.Context(), 1); !errors.Is(err, ErrLost) {
		t.Error(err)
	}
	n := 0
	for some, err := range s.PastSamples(t.Context(), "fryer", time.Time{}, time.Time{}) {
		if err != nil {
			t.Fatal(err)
		}
		n += len(some)
	}
	if n != 2000 {
		t.Errorf("there are %d", n)
	}
	if _, err := s.Chart(t.Context(), "fryer", sample(1).At, sample(2000).At, 1000); err != nil {
		t.Error(err)
	}
}

// Verify goes on behind a row that does not fit.
func TestVerifyGoesOnBehindARowThatDoesNotFit(t *testing.T) {
	for _, damage := range []string{"UPDATE events SET at_ns = 'y' WHERE text = 'note 1'", "UPDATE chunks SET from_ns = 'y'", "UPDATE chain SET ref = 'y' WHERE entry = (SELECT min(entry) FROM chain WHERE kind = 'event')"} {
		dir := t.TempDir()
		s := open(t, dir, Options{})
		register(t, s, post("fryer"))
		s.Append(0, samples(1, 100))
		flushed(t, s)
		merged(t, s, true)
		for i := range 9 {
			s.Record(note(fmt.Sprint("note ", i)))
		}
		shut(t, s)
		loosened(t, dir)
		byTool(t, dir, damage+"; UPDATE events SET text = 'another' WHERE text = 'note 7'")
		if said, rep := verified(t, dir); strings.Contains(said, "chain of hashes cannot be read") || len(rep.Problems) < 2 || rep.Events < 9 {
			t.Errorf("%s: verify says %q of %d events", damage, said, rep.Events)
		}
	}
}

// So it does behind what is left of a chunk that was removed, and behind one that still grows.
func TestVerifyGoesOnBehindARemovalThatDoesNotFit(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir, Options{})
	register(t, s, post("fryer"))
	s.Append(0, samples(1, 2000))
	flushed(t, s)
	merged(t, s, true)
	worked(s, func(w *writer) {
		w.removals = []removal{{post: "fryer", chunks: []int64{1<<32 | 1}, text: "samples were removed"}}
		if err := w.attempt(true); err != nil {
			t.Error(err)
		}
	})
	s.Append(0, samples(2001, 2010))
	flushed(t, s)
	merged(t, s, false)
	s.Record(note("behind it"))
	shut(t, s)
	loosened(t, dir)
	byTool(t, dir, "INSERT INTO events SELECT id + 1000, 'y', post, kind, who, text, raw, alarm FROM events WHERE text = 'behind it'")
	for _, damage := range []string{"from_ns = 'y', samples = NULL, removed = 'y' WHERE true", "state = NULL WHERE state = 0"} {
		byTool(t, dir, "UPDATE chunks SET "+damage+"; UPDATE events SET text = 'another' WHERE text = 'behind it'")
		said, _ := verified(t, dir)
		for _, want := range []string{"is not what was left", "was changed", "event 1002 was inserted", "chunk 2"} {
			if strings.Contains(said, "cannot be read") || !strings.Contains(said, want) {
				t.Errorf("%s: verify says %q, not %q", damage, said, want)
			}
		}
	}
}

// A head that is made again follows from the one before it, as verify has it, also where that
// does not follow from its entries: each day is told once.
func TestAHeadMadeAgainFollowsFromTheOneBefore(t *testing.T) {
	for _, damage := range []string{"UPDATE days SET entry = 1 WHERE day = (SELECT max(day) FROM days)", "DELETE FROM days WHERE day = (SELECT max(day) FROM days)"} {
		dir := t.TempDir()
		var o Options
		for day := range 3 {
			o.Now = func() time.Time { return noon().AddDate(0, 0, day) }
			s := open(t, dir, o)
			s.Record(note("one"))
			shut(t, s)
		}
		byTool(t, dir, "UPDATE chain SET sha256 = zeroblob(32) WHERE entry = 1; "+damage)
		s := open(t, dir, o)
		s.Record(note("two"))
		shut(t, s)
		if said, _ := verified(t, dir); strings.Count(said, "does not follow") != 1 || !strings.Contains(said, "the head of 2031-05-20 does not follow") {
			t.Errorf("%s: verify says %q", damage, said)
		}
	}
}

// Samples are merged behind a newest chunk whose row does not fit, and read in it.
func TestMergingBehindAChunkWhoseRowDoesNotFit(t *testing.T) {
	for _, damage := range []string{"state = 'y'", "state = NULL", "to_seq = 'y', to_ns = 'y'", "from_seq = NULL, from_ns = x'00'"} {
		dir := t.TempDir()
		s := open(t, dir, Options{})
		register(t, s, post("fryer"))
		s.Append(0, samples(1, 2000))
		flushed(t, s)
		merged(t, s, true)
		shut(t, s)
		loosened(t, dir)
		byTool(t, dir, "UPDATE chunks SET "+damage)
		s = open(t, dir, Options{})
		register(t, s, post("fryer"))
		s.Append(0, samples(2001, 2010))
		flushed(t, s)
		worked(s, func(w *writer) { w.merging(true) })
		var n int
		if err := s.db.QueryRowContext(t.Context(), "SELECT count(*) FROM fragments").Scan(&n); err != nil || n > 0 {
			t.Errorf("%s: %d commits are not merged, %v", damage, n, err)
		}
		if got := numbers(everything(t, s.Reader, "fryer")); got != "1-2010" {
			t.Errorf("%s: there are %s", damage, got)
		}
		shut(t, s)
	}
}

// A damaged row that says how far a post is summed up stops neither its runs nor its hours, and
// none of them comes twice; it is told once.
func TestADamagedRowOfHowFarAPostIsSummedUp(t *testing.T) {
	p := history.Post{ID: "combi", Options: history.Options{Floor: 0.1, Response: time.Second, Gap: 90 * time.Second, Stale: 3 * time.Second}}
	follow := func(s *Store, h time.Duration) error {
		return history.NewFollower(s, []history.Post{p}).Once(t.Context(), noon().Add(h*time.Hour))
	}
	kept := func(s *Store) string {
		all, err := s.Runs(t.Context(), "combi", noon(), noon().Add(24*time.Hour))
		if err != nil {
			t.Fatal(err)
		}
		said := fmt.Sprintf("%+v", all)
		for h, err := range s.PastHours(t.Context(), "combi", noon(), noon().Add(24*time.Hour)) {
			said += fmt.Sprintf("\n%s %+v %v", h.From, h.Sum, err)
		}
		return said
	}
	dir := t.TempDir()
	s := open(t, dir, Options{})
	register(t, s, post("combi"))
	cooked(t, s, 4*time.Hour)
	if err := follow(s, 3); err != nil {
		t.Fatal(err)
	}
	shut(t, s)
	whole := copyOf(t, dir)
	s = open(t, whole, Options{})
	if err := follow(s, 4); err != nil {
		t.Fatal(err)
	}
	want := kept(s)
	shut(t, s)
	for _, damage := range []string{
		"UPDATE histories SET hours_ns = 'y'", "UPDATE histories SET under_ns = 'y'", "UPDATE histories SET ended_ns = x'00'", "UPDATE histories SET runs = 0.5",
		"UPDATE histories SET hours_ns = hours_ns + (1 << 55)", "UPDATE histories SET hours_ns = hours_ns - (1 << 45)", "UPDATE histories SET under_ns = -1",
		"UPDATE histories SET ended_ns = ended_ns + (1 << 55)", "UPDATE histories SET ended_ns = ended_ns - (1 << 45)",
		"UPDATE histories SET runs = runs + 1024", "UPDATE histories SET runs = runs - 16", "UPDATE histories SET post = 'comby'", "DELETE FROM histories",
	} {
		at := copyOf(t, dir)
		loosened(t, at)
		byTool(t, at, damage)
		if said, _ := verified(t, at); !strings.Contains(said, "histories") && strings.ContainsAny(damage, "'.") {
			t.Errorf("%s: verify says %q", damage, said)
		}
		s := open(t, at, Options{})
		for range 2 {
			if err := follow(s, 4); err != nil {
				t.Errorf("%s: %v", damage, err)
			}
		}
		if got := kept(s); got != want {
			t.Errorf("%s: kept are\n%s\nwant\n%s", damage, got, want)
		}
		drained(t, s)
		events, err := s.Events(t.Context(), 0, 1000)
		n := 0
		for _, e := range events {
			if strings.Contains(e.Text, "table histories") {
				n++
			}
		}
		if err != nil || n != 1 {
			t.Errorf("%s: told %d times, %v", damage, n, err)
		}
		shut(t, s)
	}
}

// A start finds the record's counters again where their row does not fit, or is gone: it goes on,
// says so once, gives no number twice, and loses and doubles nothing, merged or not.
func TestDamagedCounters(t *testing.T) {
	made := t.TempDir()
	s := open(t, made, Options{Now: noon})
	register(t, s, post("fryer"))
	s.Record(raise("fryer", alarm.Exceeds, noon()))
	for i := range int64(3) {
		s.Append(0, samples(1+10*i, 10+10*i))
		flushed(t, s)
	}
	killed, commits := copyOf(t, made), s.Stats().Commits
	shut(t, s)
	for name, dir := range map[string]string{"stopped": made, "killed": killed} {
		for _, damage := range []string{
			"UPDATE record SET commits = 'y'", "UPDATE record SET committed_ns = x'00'", "UPDATE record SET next_event = 'y'", "UPDATE record SET link = 'y'",
			"UPDATE record SET next_correction = 0.5", "UPDATE record SET next_version = 'y'", "DELETE FROM record",
		} {
			at := copyOf(t, dir)
			loosened(t, at)
			byTool(t, at, damage)
			s, err := Open(at, Options{Now: noon})
			if err != nil {
				t.Errorf("%s, %s: %v", name, damage, err)
				continue
			}
			register(t, s, post("fryer"), post("combi"))
			if got := s.Stats().Commits; got < commits {
				t.Errorf("%s, %s: goes on behind commit %d, want %d", name, damage, got, commits)
			}
			s.Append(0, samples(31, 40))
			s.Record(note("behind it"))
			flushed(t, s)
			merged(t, s, true)
			all := collect(t, s.Samples(t.Context(), "fryer", time.Time{}, time.Time{}))
			for i := range all {
				if all[i].Seq != int64(i+1) {
					t.Fatalf("%s, %s: sample %d stands at place %d", name, damage, all[i].Seq, i+1)
				}
			}
			events, err := s.Events(t.Context(), 0, 100)
			told := 0
			for _, e := range events {
				if strings.Contains(e.Text, "table record") {
					told++
				}
			}
			if err != nil || len(all) != 40 || told != 1 || events[0].Alarm == nil {
				t.Errorf("%s, %s: %d samples, told %d times, %v, %v", name, damage, len(all), told, events, err)
			}
			shut(t, s)
			if said, _ := verified(t, at); said != "" {
				t.Errorf("%s, %s: verify says %q", name, damage, said)
			}
			s = open(t, at, Options{Now: noon})
			shut(t, s)
			if got := byTool(t, at, "SELECT count(*) FROM record WHERE typeof(commits) || typeof(committed_ns) || typeof(next_event) || typeof(next_correction) || typeof(next_version) = 'integerintegerintegerintegerinteger'"); got != "1" {
				t.Errorf("%s, %s: %s rows fit", name, damage, got)
			}
		}
	}
}

// A post goes on where its name, or its number, is damaged in the table of posts or in the index
// of that alone.
func TestADamagedNameOfAPost(t *testing.T) {
	made := t.TempDir()
	s := open(t, made, Options{Now: noon})
	register(t, s, post("fryer"), post("griddle"))
	s.Append(0, samples(1, 30))
	flushed(t, s)
	shut(t, s)
	const size = chunkPage
	for name, of := range map[string]string{"table": "posts", "index": "sqlite_autoindex_posts_1"} {
		root, err := strconv.Atoi(byTool(t, made, "SELECT rootpage FROM sqlite_schema WHERE name = '"+of+"'"))
		if err != nil {
			t.Fatal(err)
		}
		for _, flip := range []int{0, 4} { // a bit of a letter: at the begin another order, at the end the same
			dir := copyOf(t, made)
			file := filepath.Join(dir, FileName)
			b, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			page := b[(root-1)*size : root*size]
			at := bytes.LastIndex(page, []byte("fryer"))
			if at < 0 {
				t.Fatalf("no fryer on page %d", root)
			}
			page[at+flip] ^= 0x10
			if err := os.WriteFile(file, b, 0o640); err != nil {
				t.Fatal(err)
			}
			for start := range 2 {
				s := open(t, dir, Options{Now: noon})
				register(t, s, post("fryer"), post("griddle"))
				from := int64(31 + 10*start)
				s.Append(0, samples(from, from+9))
				flushed(t, s)
				merged(t, s, true)
				if all := collect(t, s.Samples(t.Context(), "fryer", time.Time{}, time.Time{})); len(all) != int(from)+9 {
					t.Errorf("%s, letter %d, start %d: %d samples of fryer, want %d", name, flip, start, len(all), from+9)
				}
				shut(t, s)
			}
			if got := byTool(t, dir, "SELECT count(*) FROM events WHERE text LIKE '%table posts%'; SELECT count(*) FROM posts; PRAGMA integrity_check"); got != "1\n2\nok" {
				t.Errorf("%s, letter %d: told, posts, SQLite says: %s", name, flip, got)
			}
			if said, _ := verified(t, dir); said != "" {
				t.Errorf("%s, letter %d: verify says %q", name, flip, said)
			}
		}
	}
}

// Where two rows name one post, for an earlier start that did not look at a damaged index gave it
// another number, a start says what to do and goes on as before.
func TestTwoRowsNameOnePost(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir, Options{Now: noon})
	register(t, s, post("fryer"), post("fryes"))
	shut(t, s)
	root, err := strconv.Atoi(byTool(t, dir, "SELECT rootpage FROM sqlite_schema WHERE name = 'posts'"))
	if err != nil {
		t.Fatal(err)
	}
	sum, err := hashOf([]string{"id", "post"}, make([]sql.NullString, 2), []any{"fryer", int64(2)})
	if err != nil {
		t.Fatal(err)
	}
	byTool(t, dir, fmt.Sprintf("UPDATE chain SET sha256 = x'%x' WHERE kind = 'posts' AND ref = 2", sum))
	file := filepath.Join(dir, FileName)
	b, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	at := bytes.LastIndex(b[:root*chunkPage], []byte("fryes"))
	b[at+4] = 'r'
	if err := os.WriteFile(file, b, 0o640); err != nil {
		t.Fatal(err)
	}
	s = open(t, dir, Options{Now: noon})
	defer shut(t, s)
	flushed(t, s)
	events, err := s.Events(t.Context(), 0, 100)
	if err != nil || !slices.ContainsFunc(events, func(e acquire.Event) bool {
		return strings.Contains(e.Text, "two of them name one post") && strings.Contains(e.Text, "--rebuild --storage.path="+dir)
	}) {
		t.Errorf("told are %v, %v", events, err)
	}
}
