package store

import (
	"math"
	"strings"
	"testing"
	"time"

	"ovenward/acquire"
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
