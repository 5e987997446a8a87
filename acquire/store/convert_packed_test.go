package store

import (
	"database/sql"
	"errors"
	"fmt"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"ovenward/acquire/alarm"
)

// packedBefore makes a record as version v, of those with chunks, left it: the tables
// of its own SQL, and in them rows of known samples, events and alarms.
func packedBefore(t *testing.T, v int) string {
	t.Helper()
	from := t.TempDir()
	s := open(t, from, Options{CommitEvery: time.Hour})
	register(t, s, post("fryer"), post("combi"))
	s.Correction(0, v1Correction())
	s.Append(0, samples(1, 3900))
	s.Append(1, samples(1, 300))
	s.Record(note("as before"))
	s.Record(raise("fryer", alarm.Exceeds, noon()))
	flushed(t, s)
	merged(t, s, true)
	s.Append(0, samples(3901, 4000))
	flushed(t, s)
	merged(t, s, false)
	s.Append(0, samples(4001, 4100))
	flushed(t, s)
	told := []Told{{Courier: "mail", To: "duty", MessageID: "m1", Event: 2, Rule: "exceeds", Queued: noon(), At: noon(), Attempts: 1, Outcome: ToldAccepted}}
	if err := errors.Join(s.Keep(t.Context(), map[string]int64{"mail": 1}, told), s.SetRemoteState(t.Context(), "far", []byte(`{"seq":7}`))); err != nil {
		t.Fatal(err)
	}
	registered(t, s, noon())
	src := crashed(t, from)
	shut(t, s)
	return asBefore(t, src, v)
}

// asBefore makes a record as version v would have written what the one in src holds.
func asBefore(t *testing.T, src string, v int) string {
	t.Helper()
	dir := t.TempDir()
	script := fmt.Sprintf("PRAGMA page_size = %d; PRAGMA auto_vacuum = INCREMENTAL;\n", chunkPage)
	for _, st := range steps() {
		if st.version <= v {
			script += fmt.Sprintf("%s;\nPRAGMA application_id = %d; PRAGMA user_version = %d;\n", st.sql, applicationID, st.version)
		}
	}
	made(t, dir, script+"DROP TABLE samples_before; DROP TABLE units; DELETE FROM record;")
	db := outside(t, dir)
	db.SetMaxOpenConns(1)
	exec := func(q string, args ...any) {
		t.Helper()
		if _, err := db.Exec(q, args...); err != nil {
			t.Fatalf("%s: %v", q, err)
		}
	}
	exec("ATTACH ? AS src", filepath.Join(src, FileName))
	var tables []string
	if err := each(t.Context(), db, "SELECT name FROM main.sqlite_schema WHERE type = 'table' AND name NOT IN ('chain', 'days', 'chain_before')", func(scan func(...any) error) error {
		tables = append(tables, "")
		return scan(&tables[len(tables)-1])
	}); err != nil {
		t.Fatal(err)
	}
	for _, tab := range tables {
		names, _, err := columnsIn(t.Context(), db, tab)
		if err != nil {
			t.Fatal(err)
		}
		exec(fmt.Sprintf("INSERT INTO main.%[1]s (%[2]s) SELECT %[2]s FROM src.%[1]s", tab, strings.Join(names, ", ")))
	}
	chainAsBefore(t, db, exec, v)
	exec("DETACH src")
	if err := db.Close(); err != nil {
		t.Fatal(err)
	}
	return dir
}

// chainAsBefore makes the chain as version v had it: before 11 of chunks and events
// alone, before 21 without soak tests and steps of surveys, before 25 without what they
// found and the register.
func chainAsBefore(t *testing.T, db *sql.DB, exec func(string, ...any), v int) {
	t.Helper()
	type entry struct {
		day, ref int64
		kind     string
		sum      [32]byte
	}
	var all []entry
	err := each(t.Context(), db, "SELECT day, kind, ref, sha256 FROM src.chain WHERE kind IN ('chunk', 'event') OR ? AND kind NOT IN ('surveys', 'survey_places', 'ovens', 'probes', 'probe_certificates', 'oven_tests') AND (? OR kind NOT IN ('soaks', 'soak_marks', 'survey_steps')) ORDER BY entry", func(scan func(...any) error) error {
		var e entry
		var sum []byte
		err := scan(&e.day, &e.kind, &e.ref, &sum)
		copy(e.sum[:], sum)
		all = append(all, e)
		return err
	}, v >= 11, v >= 21)
	if err != nil || len(all) < 3 {
		t.Fatal(len(all), err)
	}
	var end chainEnd
	for _, e := range all {
		end = end.add(e.day, e.kind, e.ref, e.sum)
		exec("INSERT INTO main.chain VALUES (?, ?, ?, ?, ?)", end.entry, end.day, e.kind, e.ref, e.sum[:])
	}
	exec("INSERT INTO main.days VALUES (?, ?, ?, NULL, NULL)", end.day, end.entry, end.head[:])
}

// A record that was packed already comes over whole, too: its chain goes on, and
// what it did not hold yet is in it.
func TestEveryPackedVersionConverts(t *testing.T) {
	for _, st := range steps() {
		v := st.version
		if v < 7 || v == steps()[len(steps())-1].version || raced && v%3 != 0 {
			continue
		}
		t.Run(fmt.Sprint("version ", v), func(t *testing.T) {
			dir := packedBefore(t, v)
			s := open(t, dir, Options{})
			got := everything(t, s.Reader, "fryer")
			if numbers(got) != "1-4100" || numbers(everything(t, s.Reader, "combi")) != "1-300" {
				t.Fatalf("samples %s", numbers(got))
			}
			for i, g := range got {
				want := sample(int64(i + 1))
				if s, _ := v1Correction().Apply(10 * valued(int64(i+1))); string(g.Said) != string(want.Said) || !g.At.Equal(want.At) || !closeTo(g.S, s) {
					t.Fatalf("sample %d is %+v", i+1, g)
				}
			}
			if a := s.Alarms(); len(a) != 1 || !a[0].State.Standing() {
				t.Errorf("the alarms are %+v", a)
			}
			if texts := eventTexts(t, s); !strings.Contains(texts, "as before") {
				t.Errorf("the events are %s", texts)
			}
			if told, err := s.Told(t.Context(), ToldQuery{}, 9); err != nil || len(told) != 1 || told[0].MessageID != "m1" {
				t.Errorf("told is %+v, %v", told, err)
			}
			if state, err := s.RemoteState(t.Context(), "far"); err != nil || (string(state) == `{"seq":7}`) != (v >= 8) {
				t.Errorf("remote write stands at %q, %v", state, err)
			}
			r, err := s.Verify(t.Context())
			if err != nil || !r.Intact() || r.Rows < 6 || r.Chunks == 0 {
				t.Errorf("verify says %v %+v", err, r)
			}
			register(t, s, post("fryer"), post("combi"))
			s.Append(0, samples(4101, 4110))
			shut(t, s)
			if said, _ := verified(t, dir); said != "" {
				t.Errorf("closed, verify says %q", said)
			}
			debianSays(t, filepath.Join(dir, FileName))
			// What was brought over is guarded from then on.
			tells(t, dir, "UPDATE certificates SET factor = 1.05", "of table certificates")
			tells(t, dir, "UPDATE post_versions SET stale_s = 9", "of table post_versions")
			if v >= 12 {
				tells(t, dir, "UPDATE ovens SET serial = 'another'", "of table ovens, entered on")
				tells(t, dir, "DELETE FROM oven_tests", "of table oven_tests, entered on")
			}
			if v >= 14 {
				tells(t, dir, "UPDATE survey_places SET w_per_m2 = 1.5", "of table survey_places, entered on")
				tells(t, dir, "UPDATE surveys SET outcome = 'within' WHERE id = 'one'", "of table surveys, entered on")
			}
		})
	}
}

// Soak tests, their marks and steps of surveys of before enter the chain when the
// record is brought to this form.
func TestSoaksConvert(t *testing.T) {
	src := eventful(t, 30*time.Second)
	dir := asBefore(t, src, 17)
	shut(t, open(t, dir, Options{}))
	if said, v := verified(t, dir); said != "" || v.Rows < 13 {
		t.Errorf("verify says %q, %+v", said, v)
	}
	for _, q := range []string{"UPDATE soak_marks SET operations = 70 WHERE kind = 'operations'", "UPDATE soaks SET plan = replace(plan, '100', '10')", "UPDATE survey_steps SET who = 'B. Other'"} {
		tells(t, dir, q, "entered on")
	}
}

// Sums and removals of before enter the chain when the record is brought to this
// form; a removal that nobody vouched for does not.
func TestSumsAndRemovalsConvert(t *testing.T) {
	src := eventful(t, 150*time.Minute)
	dir := asBefore(t, src, 9)
	shut(t, open(t, dir, Options{}))
	if said, v := verified(t, dir); said != "" || v.Rows < 8 {
		t.Errorf("verify says %q, %+v", said, v)
	}
	tells(t, dir, "UPDATE chunks SET samples = samples - 1 WHERE state = 2", "is not what was left")
	tells(t, dir, "UPDATE rollups SET data = CAST(substr(data, 1, 2) || CAST(x'01' AS TEXT) || substr(data, 4) AS BLOB) WHERE id = (SELECT min(id) FROM rollups WHERE id >> 31 = 2)", "sums over that time, entered on")

	forged := asBefore(t, src, 9)
	byTool(t, forged, "DELETE FROM chain WHERE kind = 'chunk' AND ref = (SELECT min(id) FROM chunks WHERE state = 2)")
	shut(t, open(t, forged, Options{}))
	if said, _ := verified(t, forged); !strings.Contains(said, "the chain of hashes does not know it") {
		t.Errorf("verify says %q", said)
	}
}
