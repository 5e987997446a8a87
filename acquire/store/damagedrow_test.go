package store

import (
	"math"
	"strings"
	"testing"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/alarm"
)

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
		dir := t.TempDir()
		s := open(t, dir, Options{})
		register(t, s, post("fryer"))
		s.Correction(0, v1Correction())
		s.Record(raise("fryer", alarm.Away, noon()))
		s.Record(note("another"))
		s.Append(0, samples(1, 100))
		flushed(t, s)
		if err := s.Keep(t.Context(), map[string]int64{"mail": 1}, []Told{{Event: 1, At: noon(), Courier: "mail", Post: "fryer", Rule: "away", Outcome: ToldAccepted}}); err != nil {
			t.Fatal(err)
		}
		shut(t, s)
		byTool(t, dir, "PRAGMA writable_schema = ON; UPDATE sqlite_schema SET sql = replace(replace(sql, 'NOT NULL', ''), ') STRICT', ')') WHERE type = 'table'")
		byTool(t, dir, sql)

		s = open(t, dir, Options{})
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
