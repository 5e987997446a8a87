package store

import (
	"context"
	"crypto/ed25519"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/alarm"
	"ovenward/acquire/calib"
	"ovenward/acquire/cycle/history"
	"ovenward/acquire/cycle/soak"
	"ovenward/acquire/limit"
	"ovenward/acquire/registry"
	"ovenward/acquire/survey"
	"ovenward/drivers/driverstest"
)

// byTool runs SQL on the record in dir with a SQLite that is not ours.
func byTool(t *testing.T, dir, sql string) string {
	t.Helper()
	tool := driverstest.Program(t, "sqlite3")
	out, err := exec.Command(tool, "-bail", filepath.Join(dir, FileName), sql).CombinedOutput()
	if err != nil {
		t.Fatalf("%s: %s: %v", sql, out, err)
	}
	return strings.TrimSpace(string(out))
}

// verified returns what verify says of the record in dir, in one line.
func verified(t *testing.T, dir string, keys ...ed25519.PublicKey) (string, *Report) {
	t.Helper()
	r, err := OpenReadOnly(dir)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	v, err := r.Verify(t.Context(), keys...)
	if err != nil {
		t.Fatal(err)
	}
	var all []string
	for _, p := range v.Problems {
		all = append(all, p.Post+": "+p.Text)
	}
	return strings.Join(all, "; "), v
}

// eventful makes a record with a row in every table that matters, and samples of
// two posts, of which those of combi are removed after an hour, and the last
// minutes are not sealed.
func eventful(t *testing.T, span time.Duration) string {
	t.Helper()
	var now atomic.Int64
	begin := time.Date(2031, 5, 20, 6, 0, 0, 0, time.UTC)
	dir := t.TempDir()
	s := open(t, dir, Options{Retention: Retention{Posts: map[string]Keep{"combi": {Age: time.Hour}}},
		Now: func() time.Time { return begin.Add(time.Duration(now.Load())) }})
	first := post("fryer")
	first.More = []limit.Limit{{ID: "house", Value: 5, Basis: limit.EmissionInUse, Source: "house rule"}}
	register(t, s, first, post("combi"))
	s.Correction(0, v1Correction())
	s.Record(raise("fryer", alarm.Exceeds, begin.Add(time.Minute)))
	s.Record(note("a port went away"))
	const every = 5 * time.Second
	for n, all := int64(0), int64(span/every); n < all; { // half an hour a chunk, and the last one grows
		var batch []acquire.Sample
		for ; n < all && len(batch) < 360; n++ {
			x := sample(n + 1)
			x.At = begin.Add(time.Duration(n) * every)
			if n%100 < 80 {
				x.Reading.Value.Digits = n % 5 // the oven rests
			}
			batch = append(batch, x)
		}
		s.Append(0, batch)
		s.Append(1, batch)
		flushed(t, s)
		merged(t, s, n < all)
	}
	if err := s.Keep(t.Context(), map[string]int64{"mail": 1}, []Told{{Courier: "mail", To: "duty", MessageID: "m1", Event: 1, Rule: "exceeds",
		Queued: begin, At: begin.Add(time.Second), Attempts: 1, Outcome: ToldAccepted, Answer: "250", Subject: "s", Text: "t"}}); err != nil {
		t.Fatal(err)
	}
	if err := s.KeepEvidence(t.Context(), Evidence{Post: "combi", From: begin, To: begin.Add(time.Minute), Why: "survey", What: "7", Who: "R. Okafor"}); err != nil {
		t.Fatal(err)
	}
	longTested(t, s, first, begin)
	now.Store(int64(span))
	worked(s, func(w *writer) {
		w.retaining()
		if err := w.attempt(true); err != nil {
			t.Error(err)
		}
		w.checkpoint("TRUNCATE")
	})
	to := crashed(t, dir)
	shut(t, s)
	return to
}

// longTested keeps a soak test, what is made of the samples, and what registered does.
func longTested(t *testing.T, s *Store, p acquire.Post, begin time.Time) {
	t.Helper()
	plan := soak.Plan{ID: "door-7", Oven: "galley", Post: "fryer", Procedure: "door cycling", Source: "our own", LimitID: "in use", Level: 50, Operations: 100}
	err := s.PlanSoak(t.Context(), plan, "R. Okafor", begin)
	for _, m := range []soak.Mark{{Kind: soak.Started}, {Kind: soak.Operations, Count: 7, From: soak.FromInput}, {Kind: soak.Paused, Text: "the night"}} {
		if m.Soak, m.At, m.Entered, m.Who = "door-7", begin, begin, "R. Okafor"; err == nil {
			_, err = s.MarkSoak(t.Context(), m)
		}
	}
	err = errors.Join(err, history.NewFollower(s, []history.Post{historyOf(p)}).Once(t.Context(), begin.Add(24*time.Hour)))
	if err != nil {
		t.Fatal(err)
	}
	registered(t, s, begin)
}

// registered enters an oven, a probe with a certificate that is taken back, and a test
// into the register, and keeps a survey that has ended and one that is under way.
func registered(t *testing.T, s *Store, begin time.Time) {
	t.Helper()
	day, err := registry.ParseDay("2031-05-19")
	if err != nil {
		t.Fatal(err)
	}
	cert := registry.Certificate{Probe: "hatch", Certificate: calib.Certificate{Number: "LH-1", Laboratory: "a laboratory", Date: day, Due: day.AddDate(1, 0, 0), Factor: 1, U: .1, K: 2}}
	back := cert
	back.TakenBack = true
	for _, e := range []registry.Entry{
		{Ovens: []registry.OvenEntry{{Oven: anOven("counter"), Base: registry.New}}, Probes: []registry.ProbeEntry{{Probe: registry.Probe{ID: "hatch", Serial: "7"}, Base: registry.New}}},
		{Tests: []registry.Test{{Oven: "counter", On: day, Kind: "survey", By: "P. Marlow", Outcome: "exceeds", Highest: 72, HasValue: true}}, Certificates: []registry.Certificate{cert}},
		{Certificates: []registry.Certificate{back}, Why: "of another probe"},
	} {
		e.Who = "R. Okafor"
		if err := s.Enter(t.Context(), e, begin); err != nil {
			t.Fatal(err)
		}
	}
	value := 61.5
	end := survey.Result{ID: "one", Ended: begin, State: survey.Complete, Verdict: survey.Verdict{Outcome: limit.Exceeds, Worst: 1},
		Places: []survey.Place{{N: 1, Sweep: "door seam", Surface: survey.Front, Cell: 2, Value: &value, U: &value}}}
	under := twoSteps(begin)
	under[0].Setup = &survey.Setup{ID: "two", Post: "fryer"}
	if err := errors.Join(s.KeepSurvey(t.Context(), "one", "galley", twoSteps(begin)[:1], &end), s.KeepSurvey(t.Context(), "two", "galley", under, nil)); err != nil {
		t.Fatal(err)
	}
}

// One digit changed by another program in any column of any table that proves
// something is found; so is a row put in or taken away.
func TestVerifyFindsAChangeInEachTable(t *testing.T) {
	t.Parallel()
	left := eventful(t, 30*time.Second)
	long := eventful(t, 150*time.Minute)
	for _, dir := range []string{left, long} {
		if said, v := verified(t, dir); said != "" || v.Rows < 8 {
			t.Fatalf("before any change verify says %q, %+v", said, v)
		}
	}
	if got := byTool(t, long, "SELECT (SELECT count(*) > 0 FROM chunks WHERE state = 2), (SELECT count(*) FROM alarms), (SELECT count(*) >= 6 FROM rollups)"); got != "1|1|1" {
		t.Fatalf("the record has %s", got)
	}
	t.Run("rows", func(t *testing.T) {
		for _, tab := range rowTables() {
			columns := strings.Fields(byTool(t, left, fmt.Sprintf("SELECT name FROM pragma_table_info('%s') WHERE name <> '%s'", tab.name, tab.key)))
			for i, c := range columns {
				if raced && i%4 != 0 {
					continue
				}
				tells(t, left, fmt.Sprintf("UPDATE %[1]s SET %[2]s = CASE typeof(%[2]s) WHEN 'text' THEN %[2]s || '1' WHEN 'null' THEN (SELECT iif(type = 'TEXT', '1', 1) FROM pragma_table_info('%[1]s') WHERE name = '%[2]s') ELSE %[2]s + 7 END WHERE %[3]s = (SELECT min(%[3]s) FROM %[1]s)",
					tab.name, c, tab.key), "of table "+tab.name+", entered on")
			}
			tells(t, left, fmt.Sprintf("DELETE FROM %[1]s WHERE %[2]s = (SELECT min(%[2]s) FROM %[1]s)", tab.name, tab.key), "of table "+tab.name)
		}
		tells(t, left, "INSERT INTO certificates SELECT 99, number, laboratory, date, due, factor * 2, expanded_uncertainty, k, detail FROM certificates LIMIT 1", "row 99 of table certificates was inserted")
		tells(t, left, "INSERT INTO soak_marks SELECT 99, soak, at_ns, entered_ns, kind, who, text, 100000, counted_from, checkpoint, survey, outcome FROM soak_marks WHERE operations > 0", "row 99 of table soak_marks was inserted")
		tells(t, left, "INSERT INTO surveys SELECT 99, 'three', oven, post, who, begun_ns, ended_ns, state, 'within', NULL FROM surveys WHERE id = 'one'", "row 99 of table surveys was inserted")
		tells(t, left, "UPDATE surveys SET ended_ns = begun_ns, outcome = 'within' WHERE id = 'two'", "of table surveys was inserted")
		tells(t, left, "UPDATE surveys SET result = replace(result, '61.5', '1.5')", "of table surveys, entered on")
		tells(t, left, "UPDATE probe_certificates SET taken_back = 0", "of table probe_certificates, entered on")
		tells(t, left, "UPDATE post_versions SET limit_w_per_m2 = limit_w_per_m2 * 10", "of table post_versions")
		tells(t, left, "UPDATE post_versions SET limits_more = replace(limits_more, '5', '6')", "of table post_versions")
	})
	t.Run("alarms", func(t *testing.T) { tellsOfAlarms(t, left) })
	t.Run("sums", func(t *testing.T) {
		one := "UPDATE rollups SET data = CAST(substr(data, 1, 2) || CAST(x'01' AS TEXT) || substr(data, 4) AS BLOB) WHERE id = (SELECT %s(id) FROM rollups WHERE id >> 31 = %s AND id & 2147483647 <> 2147483647)"
		for _, level := range []string{"2", "3"} { // minutes and hours of the first post
			tells(t, long, fmt.Sprintf(one, "min", level), "sums")
			tells(t, long, fmt.Sprintf(one, "max", level), "sums that are kept are not those")
		}
		tells(t, long, "DELETE FROM rollups WHERE id = (SELECT min(id) FROM rollups)", "deleted by no event")
	})
	t.Run("removals", func(t *testing.T) {
		// A chunk taken away as if an event, of another removal, of another post, or of a loss, told of it.
		for _, event := range []string{"(SELECT max(id) FROM events WHERE text LIKE 'samples % were removed%')", "1"} {
			tells(t, long, "UPDATE chunks SET data = NULL, state = 2, removed = "+event+" WHERE id = (SELECT max(id) FROM chunks WHERE state = 1)", "by no event")
		}
		tells(t, long, "DELETE FROM chunks WHERE state = 0", "the last chunks are missing")
		tells(t, long, "UPDATE chunks SET from_ns = from_ns - 1 WHERE state = 2", "is not what was left")
		tells(t, long, "UPDATE chunks SET samples = samples - 1 WHERE state = 2", "is not what was left")
		tells(t, long, "UPDATE chunks SET removed = 1 WHERE state = 2", "is not what was left")
		tells(t, long, "UPDATE events SET text = replace(text, 'were removed', 'were lost')", "was changed")
	})
}

// tellsOfAlarms changes each column of the alarms of a record.
func tellsOfAlarms(t *testing.T, left string) {
	t.Helper()
	for _, c := range strings.Fields(byTool(t, left, "SELECT name FROM pragma_table_info('alarms') WHERE name NOT IN ('post', 'rule')")) {
		to := "'" + string(alarm.Acknowledged) + "'"
		switch c {
		case "state":
		case "aside":
			to = "'" + string(alarm.Shelved) + "'"
		default:
			to = fmt.Sprintf("CASE typeof(%[1]s) WHEN 'text' THEN %[1]s || '1' ELSE %[1]s + 1 END", c)
		}
		tells(t, left, fmt.Sprintf("UPDATE alarms SET %s = %s", c, to), "the state of the alarm exceeds")
	}
	tells(t, left, "DELETE FROM alarms", "the state of the alarm exceeds was deleted")
}

// copyOf copies the files of a record that nobody writes to.
func copyOf(t *testing.T, dir string) string {
	t.Helper()
	to := t.TempDir()
	for _, end := range []string{FileName, FileName + "-wal", sidecarName} {
		b, err := os.ReadFile(filepath.Join(dir, end))
		if err == nil {
			err = os.WriteFile(filepath.Join(to, end), b, 0o640)
		}
		if err != nil && !errors.Is(err, os.ErrNotExist) {
			t.Fatal(err)
		}
	}
	return to
}

// tells makes a change by another program, and expects verify to tell it.
func tells(t *testing.T, left, sql, want string) {
	t.Helper()
	to := copyOf(t, left)
	defer os.RemoveAll(to)
	if n := byTool(t, to, sql+"; SELECT changes()"); n == "0" {
		t.Errorf("%s changes nothing", sql)
	}
	if said, _ := verified(t, to); !strings.Contains(said, want) {
		t.Errorf("after %s verify says %q, want %q", sql, said, want)
	}
}

// A removal of samples that had been changed before is not vouched for.
func TestARemovalHidesNoChange(t *testing.T) {
	var now atomic.Int64
	begin := time.Date(2031, 5, 20, 6, 0, 0, 0, time.UTC)
	dir := t.TempDir()
	s := open(t, dir, Options{Retention: Retention{Keep: Keep{Age: time.Hour}}, Now: func() time.Time { return begin.Add(time.Duration(now.Load())) }})
	register(t, s, post("fryer"))
	recordedFrom(t, s, begin, 70*time.Minute, 3, "fryer")
	merged(t, s, true)
	byHand(t, s, "UPDATE chunks SET data = CAST(substr(data, 1, length(data) - 1) || x'00' AS BLOB) WHERE id = (SELECT min(id) FROM chunks)")
	now.Store(int64(48 * time.Hour))
	retained(t, s)
	v, err := s.Verify(t.Context())
	if err != nil || len(v.Problems) != 1 || !strings.Contains(v.Problems[0].Text, "had been changed before") {
		t.Errorf("verify says %+v, %v", v.Problems, err)
	}
}

// Signatures taken away are missed: by the chain, and by whoever has the key's
// public half.
func TestStrippedSignatures(t *testing.T) {
	public, key, err := ed25519.GenerateKey(nil)
	if err != nil {
		t.Fatal(err)
	}
	other, _, err := ed25519.GenerateKey(nil)
	if err != nil {
		t.Fatal(err)
	}
	left := signedDays(t, key)
	if said, v := verified(t, left, public); said != "" || v.Signed != 4 || v.SignedFrom != "2031-05-21" {
		t.Fatalf("before any change verify says %q, %+v", said, v)
	}
	tells(t, left, "UPDATE chain SET day = day - 1 WHERE day = (SELECT min(day) + 2 FROM days)", "stands under the head of 2031-05-22")
	bare := copyOf(t, left)
	byTool(t, bare, "DELETE FROM days; DELETE FROM chain")
	if said, _ := verified(t, bare, public); !strings.Contains(said, "no head that the key could vouch for") {
		t.Errorf("without heads verify says %q", said)
	}
	// What a forger can do who makes the whole chain anew: only the key tells.
	forged := signedDays(t, nil)
	if said, _ := verified(t, forged); said != "" {
		t.Fatalf("a record without signatures is %q", said)
	}
	if said, _ := verified(t, forged, public); !strings.Contains(said, "is not signed") {
		t.Errorf("with a key, a record that is not signed at all is %q", said)
	}
	if said, _ := verified(t, left, other); !strings.Contains(said, "which is not the one given") {
		t.Errorf("with another key verify says %q", said)
	}
	if said, _ := verified(t, left, other, public); said != "" {
		t.Errorf("with two keys verify says %q", said)
	}
	for _, tc := range []struct{ name, sql string }{
		{"all", "UPDATE days SET signature = NULL, signer = NULL"},
		{"one in the middle", "UPDATE days SET signature = NULL, signer = NULL WHERE day = (SELECT min(day) + 2 FROM days)"},
		{"the last", "UPDATE days SET signature = NULL, signer = NULL WHERE day = (SELECT max(day) FROM days)"},
	} {
		for _, keys := range [][]ed25519.PublicKey{nil, {public}} {
			to := copyOf(t, left)
			byTool(t, to, tc.sql)
			if said, _ := verified(t, to, keys...); !strings.Contains(said, "is not signed") {
				t.Errorf("%s, %d keys: verify says %q", tc.name, len(keys), said)
			}
		}
	}
	signingEnds(t, left, public, key)
}

// signingEnds: signing that was ended is an event, and a key finds that nobody vouches
// for the end.
func signingEnds(t *testing.T, left string, public ed25519.PublicKey, key ed25519.PrivateKey) {
	t.Helper()
	s := open(t, left, Options{Now: func() time.Time { return noon().AddDate(0, 0, 9) }})
	shut(t, s)
	if said, v := verified(t, left); said != "" || v.SignedFrom != "" {
		t.Errorf("after signing ended verify says %q, %+v", said, v)
	}
	if said, _ := verified(t, left, public); !strings.Contains(said, "nobody vouches for") {
		t.Errorf("after signing ended verify with the key says %q", said)
	}
	s = open(t, left, Options{SigningKey: key, Now: func() time.Time { return noon().AddDate(0, 0, 10) }})
	if texts := eventTexts(t, s); !strings.Contains(texts, "are signed from now on") || !strings.Contains(texts, "are no longer signed") {
		t.Errorf("the events are %s", texts)
	}
	shut(t, s)
	if said, _ := verified(t, left, public); said != "" {
		t.Errorf("signed again verify with the key says %q", said)
	}
}

// signedDays makes a record of five days, of which the first is not signed.
func signedDays(t *testing.T, key ed25519.PrivateKey) string {
	t.Helper()
	dir := t.TempDir()
	for day := range 5 {
		o := Options{SigningKey: key, Now: func() time.Time { return noon().AddDate(0, 0, day) }}
		if day == 0 {
			o.SigningKey = nil
		}
		s := open(t, dir, o)
		s.Record(note(fmt.Sprint("day ", day)))
		shut(t, s)
	}
	return dir
}

// What is not in the chain yet is said to be so.
func TestVerifyNamesWhatIsNotSealed(t *testing.T) {
	s := open(t, t.TempDir(), Options{})
	register(t, s, post("fryer"), post("combi"))
	recorded(t, s, 90*time.Minute, 3, "fryer")
	s.Append(1, samples(1, 5))
	flushed(t, s)
	v, err := s.Verify(t.Context())
	if err != nil || !v.Intact() || len(v.Unsealed) != 2 {
		t.Fatalf("%v, %+v", err, v)
	}
	var sealed int64
	if err := s.db.QueryRowContext(context.Background(), "SELECT sum(samples) FROM chunks WHERE state = 1").Scan(&sealed); err != nil || sealed == 0 {
		t.Fatal(sealed, err)
	}
	if u := v.Unsealed[1]; u.Post != "fryer" || u.Samples != 54_000-sealed || u.From.Before(noon().Add(10*time.Minute)) {
		t.Errorf("not sealed is %+v, sealed are %d", u, sealed)
	}
	if u := v.Unsealed[0]; u.Post != "combi" || u.Samples != 5 || !u.From.Equal(samples(1, 1)[0].At) {
		t.Errorf("not sealed is %+v", u)
	}
	merged(t, s, true)
	if v, err = s.Verify(t.Context()); err != nil || len(v.Unsealed) != 0 {
		t.Errorf("%v, %+v", err, v)
	}
}
