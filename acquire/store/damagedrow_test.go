package store

import (
	"errors"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/alarm"
	"ovenward/acquire/cycle/soak"
	"ovenward/acquire/registry"
)

// loosened, before other SQL, has the record take values that do not fit their columns, as a
// flipped bit in the head of a row makes them.
const loosened = "PRAGMA writable_schema = ON; UPDATE sqlite_schema SET sql = replace(replace(sql, 'NOT NULL', ''), ') STRICT', ')') WHERE type = 'table'; PRAGMA writable_schema = RESET; "

// damagedRecord makes a record of the fryer and of what fill adds, shuts it, and damages it
// by SQL.
func damagedRecord(t *testing.T, damage string, fill func(s *Store)) (dir string) {
	t.Helper()
	dir = t.TempDir()
	s := open(t, dir, Options{})
	register(t, s, post("fryer"))
	fill(s)
	shut(t, s)
	byTool(t, dir, damage)
	return dir
}

// A row that is damaged is lost, as one that was deleted: what was said is read all the
// same, the post starts and new samples are corrected, and verify and a rebuilding say so.
func TestADamagedRowCostsNoMore(t *testing.T) {
	for sql, lost := range map[string]struct{ correction, version, hint bool }{
		"UPDATE certificates SET detail = '{'":                          {correction: true},
		"UPDATE certificates SET due = 'x'":                             {correction: true},
		"DELETE FROM certificates":                                      {correction: true},
		"UPDATE corrections SET impedance = 'x'":                        {correction: true},
		"UPDATE post_versions SET doubt = '{'":                          {version: true},
		"UPDATE post_versions SET limits_more = '['":                    {version: true},
		"UPDATE post_versions SET turned_on = 'x'":                      {version: true},
		"UPDATE events SET raw = CAST('x' AS BLOB) WHERE kind = 'hint'": {hint: true},
	} {
		dir := t.TempDir()
		s := open(t, dir, Options{})
		p := post("fryer")
		p.Probe.Certificate.AsFound = 1.1
		register(t, s, p)
		c := v1Correction()
		c.Certificate = p.Probe.Certificate
		s.Correction(0, c)
		s.Append(0, samples(1, 100))
		s.Record(acquire.Event{At: noon(), Post: "fryer", Kind: acquire.KindHint, Text: "it runs", Raw: []byte(noon().Add(time.Hour).Format(time.RFC3339))})
		shut(t, s)
		byTool(t, dir, sql)

		s = open(t, dir, Options{})
		p.Probe.Certificate, c.Certificate = nil, nil // as it would look without the row
		register(t, s, p)
		past, err := s.Past(0, time.Hour)
		if err != nil || past.Hint.IsZero() != lost.hint || past.Zero.ZeroBy != c.ZeroBy {
			t.Errorf("%s: %v, %+v", sql, err, past)
		}
		s.Correction(0, c)
		s.Append(0, samples(101, 200))
		flushed(t, s)
		all := everything(t, s.Reader, "fryer")
		if len(all) != 200 {
			t.Fatalf("%s: %d samples", sql, len(all))
		}
		for _, x := range all {
			if string(x.Said) != string(sample(x.Seq).Said) || math.IsNaN(float64(x.S)) != (lost.correction && x.Seq <= 100) {
				t.Fatalf("%s: sample %d said %q and is %v", sql, x.Seq, x.Said, x.S)
			}
		}
		if versions, err := s.History(t.Context(), "fryer"); err != nil || len(versions) != map[bool]int{true: 1, false: 2}[lost.version] {
			t.Errorf("%s: %d versions, %v", sql, len(versions), err)
		}
		if _, err := s.Tenures(t.Context()); err != nil {
			t.Errorf("%s: %v", sql, err)
		}
		shut(t, s)

		if told, _ := verified(t, dir); !strings.Contains(told, "was changed") && !strings.Contains(told, "was deleted") {
			t.Errorf("%s: verify says %q", sql, told)
		}
		out, err := Rebuild(t.Context(), dir, Options{})
		if err != nil || out.Samples != 200 {
			t.Errorf("%s: rebuilt: %v, %+v", sql, err, out)
		}
	}
}

// A column that holds what does not fit it, as where a bit of its row's head is flipped,
// costs no more than its row.
func TestAColumnThatDoesNotFit(t *testing.T) {
	for _, sql := range []string{"UPDATE events SET at_ns = 'y'", "UPDATE events SET text = NULL, who = NULL, kind = NULL", "UPDATE alarms SET since_ns = 'y', aside = NULL",
		"UPDATE cursors SET event = 'y'", "UPDATE told SET event = x'ff'", "UPDATE post_versions SET turned = 'y'", "UPDATE corrections SET says_temperature = 7"} {
		dir := damagedRecord(t, loosened+sql, func(s *Store) {
			s.Correction(0, v1Correction())
			s.Record(raise("fryer", alarm.Away, noon()))
			s.Record(note("another"))
			s.Append(0, samples(1, 100))
			flushed(t, s)
			if err := s.Keep(t.Context(), map[string]int64{"mail": 1}, []Told{{Event: 1, At: noon(), Courier: "mail", Post: "fryer", Rule: "away", Outcome: ToldAccepted}}); err != nil {
				t.Fatal(err)
			}
		})
		s := open(t, dir, Options{})
		register(t, s, post("fryer"))
		past, err := s.Past(0, time.Hour)
		if err != nil || len(past.Alarms) != 1 || !past.Alarms[0].State.Standing() {
			t.Errorf("%s: %v, %+v", sql, err, past.Alarms)
		}
		if all := events(t, s.Reader); len(all) != 2 {
			t.Errorf("%s: %d events", sql, len(all))
		}
		if stand, _, err := s.Standing(t.Context()); err != nil || len(stand) != 1 {
			t.Errorf("%s: %d stand, %v", sql, len(stand), err)
		}
		if _, err := s.History(t.Context(), "fryer"); err != nil {
			t.Errorf("%s: %v", sql, err)
		}
		if _, err := s.Cursors(t.Context(), "mail"); err != nil {
			t.Errorf("%s: %v", sql, err)
		}
		if _, err := s.Told(t.Context(), ToldQuery{}, 10); err != nil {
			t.Errorf("%s: %v", sql, err)
		}
		if n := len(everything(t, s.Reader, "fryer")); n != 100 {
			t.Errorf("%s: %d samples", sql, n)
		}
		shut(t, s)
		if out, err := Rebuild(t.Context(), dir, Options{}); err != nil || out.Samples != 100 {
			t.Errorf("%s: rebuilt: %v, %+v", sql, err, out)
		}
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
	byTool(t, dir, loosened+"UPDATE ovens SET withdrawn = NULL, power_w = 'y', next_check = 7; UPDATE probes SET next_check = NULL, valid_from_ns = 'y'; UPDATE oven_tests SET by_whom = NULL; UPDATE certificates SET factor = 'y'")
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

// A version of a post with a column that does not fit is lost to those who ask what the post
// was, and holds up neither its runs nor its charts.
func TestAVersionWithAColumnThatDoesNotFit(t *testing.T) {
	dir := damagedRecord(t, loosened+"UPDATE post_versions SET probe_range_w_per_m2 = 'y', stale_s = 'y'", func(s *Store) {
		s.Append(0, samples(1, 2000))
	})
	s := open(t, dir, Options{})
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

// Rows of surveys, marks and events with a column that does not fit hold up no start and no
// list, and a change to no known state does not bring a probe back that is away.
func TestListsBesideAColumnThatDoesNotFit(t *testing.T) {
	dir := damagedRecord(t, loosened+"UPDATE surveys SET ended_ns = 'y', who = NULL; UPDATE soak_marks SET operations = 'y' WHERE text = 'warm'; UPDATE events SET at_ns = x'00' WHERE kind = 'position'; UPDATE post_versions SET valid_from_ns = 0;"+
		`UPDATE events SET alarm = replace(alarm, '"state":"unack', '"state":"unabk')`, func(s *Store) {
		surveyed(t, s, noon(), noon().Add(time.Hour))
		soaked(t, s, soak.Mark{Kind: soak.Started, At: noon()}, soak.Mark{Kind: soak.Noted, At: noon().Add(time.Minute), Text: "warm"})
		s.Record(acquire.Event{At: noon().Add(-time.Hour), Post: "fryer", Kind: acquire.KindPosition, Text: "it stands there"})
		s.Record(raise("fryer", alarm.Away, noon()))
		s.Record(changed(alarm.Away, alarm.Normal, noon().Add(time.Minute)))
	})
	s := open(t, dir, Options{})
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
