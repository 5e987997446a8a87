package store

import (
	"errors"
	"fmt"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/alarm"
)

var errKilled = errors.New("killed")

// killedAt fails the nth step of a swap, and all behind it, as a kill would.
func killedAt(n int) func(Step) error {
	seen := 0
	return func(st Step) error {
		if st != StepSwap {
			return nil
		}
		if seen++; seen >= n {
			return errKilled
		}
		return nil
	}
}

// Of a folder without a record none is made, and nothing is left there: a folder
// that was spelled wrong would be told as a record without samples.
func TestNothingIsRebuiltOfNothing(t *testing.T) {
	dir := t.TempDir()
	for _, in := range []string{dir, filepath.Join(dir, "none")} {
		if _, err := Rebuild(t.Context(), in, Options{}); !errors.Is(err, fs.ErrNotExist) || !strings.Contains(err.Error(), in) {
			t.Errorf("rebuilding gives %v", err)
		}
		if _, err := OpenReadOnly(in); !errors.Is(err, fs.ErrNotExist) || !strings.Contains(err.Error(), "name the folder that holds "+FileName) {
			t.Errorf("reading gives %v", err)
		}
	}
	if left := must(os.ReadDir(dir)); len(left) != 0 {
		t.Errorf("left behind: %v", left)
	}
}

// A rebuilding that is killed at any step leaves a record under the name at all
// times, and whoever opens it next finds the rebuilt one, whole, and the broken one
// beside it; or the broken one, where the new one was not whole yet.
func TestFaultRebuildKilledAtEachStep(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir, Options{})
	register(t, s, post("fryer"))
	s.Append(0, samples(1, 200))
	s.Record(raise("fryer", alarm.Exceeds, noon()))
	flushed(t, s)
	left := crashed(t, dir)
	shut(t, s)
	step := 1
	if raced {
		step = 3
	}
	for n := 1; ; n += step {
		to := copyOf(t, left)
		_, err := Rebuild(t.Context(), to, Options{Fault: killedAt(n)})
		if err == nil {
			if n < 8 {
				t.Fatalf("there were only %d steps", n)
			}
			return
		}
		if !errors.Is(err, errKilled) {
			t.Fatal(err)
		}
		if _, err := os.Stat(filepath.Join(to, FileName)); err != nil {
			t.Errorf("killed at step %d there is no record: %v", n, err)
		}
		s, err := Open(to, Options{reserve: testReserve, Fault: killedAt(1)})
		if n > 1 && !errors.Is(err, errKilled) {
			t.Errorf("killed at step %d, and again: %v", n, err)
		}
		if err == nil {
			shut(t, s)
		}
		s = open(t, to, Options{})
		if got := numbers(everything(t, s.Reader, "fryer")); got != "1-200" {
			t.Errorf("killed at step %d the record has %s", n, got)
		}
		if texts := eventTexts(t, s); strings.Contains(texts, "was rebuilt from a broken one") != (n > 1) {
			t.Errorf("killed at step %d the events are %s", n, texts)
		}
		if v, err := s.Verify(t.Context()); err != nil || !v.Intact() {
			t.Errorf("killed at step %d: %v %+v", n, err, v.Problems)
		}
		shut(t, s)
		if broken, _ := filepath.Glob(filepath.Join(to, FileName+".broken-*Z")); len(broken) != min(1, n-1) {
			t.Errorf("killed at step %d the broken record is kept as %q", n, broken)
		}
		if rest, _ := os.ReadDir(filepath.Join(to, rebuildingDir)); len(rest) > 0 {
			t.Errorf("killed at step %d it leaves %v", n, rest)
		}
	}
}

// A rebuilding keeps every table, sums of samples that were removed, and an alarm
// whose event is lost.
func TestRebuildKeepsAllTables(t *testing.T) {
	left := eventful(t, 150*time.Minute)
	lost := strings.Fields(byTool(t, left, "SELECT id FROM events WHERE alarm IS NOT NULL"))
	byTool(t, left, "INSERT INTO remote_write VALUES ('far', '{\"seq\":7}'); DELETE FROM events WHERE alarm IS NOT NULL")
	tables := strings.Fields(byTool(t, left, "SELECT name FROM sqlite_schema WHERE type = 'table' AND name NOT IN ('record', 'chunks', 'fragments', 'chain', 'days', 'rollups', 'set_aside', 'events')"))
	rows := func(dir, table string) string {
		if table == "alarms" { // which rests on another event
			return byTool(t, dir, "SELECT post, rule, state, id, since_ns, changed_ns, priority FROM alarms")
		}
		return byTool(t, dir, fmt.Sprintf("SELECT * FROM %s", table))
	}
	const oldest = "SELECT min(id), hex(substr(data, 1, 20)) FROM rollups WHERE id >> 31 = %d"
	before := map[string]string{}
	for _, tab := range tables {
		if said := rows(left, tab); said != "" {
			before[tab] = said
		}
	}
	for _, tab := range []string{"posts", "certificates", "post_versions", "corrections", "alarms", "cursors", "told", "remote_write", "evidence",
		"soaks", "soak_marks", "surveys", "survey_steps", "survey_places", "ovens", "probes", "probe_certificates", "oven_tests", "runs", "hour_sums", "histories"} {
		if before[tab] == "" {
			t.Errorf("table %s is empty: nothing is tried", tab)
		}
	}
	sums := byTool(t, left, fmt.Sprintf(oldest, 4)) // minutes of the second post, whose first samples are removed
	gone := byTool(t, left, "SELECT count(*) FROM chunks WHERE state = 2 AND id >> 32 = 2")
	if gone == "0" {
		t.Fatal("nothing was removed")
	}
	out, err := Rebuild(t.Context(), left, Options{})
	if err != nil || len(out.Lost) > 0 {
		t.Fatalf("%+v, %v", out, err)
	}
	for i, x := range out.Rows {
		if len(out.Rows) != len(lost) || !strings.HasPrefix(x.Text, "event "+lost[i]+", entered on ") || !strings.HasSuffix(x.Text, ", was not found") {
			t.Errorf("of %q it is told that %+v", lost, x)
		}
	}
	if len(out.Rows) == 0 {
		t.Error("of the lost events nothing is told")
	}
	for _, tab := range tables {
		if got := rows(left, tab); got != before[tab] {
			t.Errorf("table %s has\n%s\nit had\n%s", tab, got, before[tab])
		}
	}
	if got := byTool(t, left, fmt.Sprintf(oldest, 4)); got != sums {
		t.Errorf("the oldest sums are %s, they were %s", got, sums)
	}
	if said, _ := verified(t, left); said != "" {
		t.Errorf("verify says %q", said)
	}
	tells(t, left, "UPDATE survey_places SET w_per_m2 = 1.5", "of table survey_places, entered on")
	tells(t, left, "UPDATE ovens SET serial = 'another'", "of table ovens, entered on")
	s := open(t, left, Options{})
	if a := s.Alarms(); len(a) != 1 || !a[0].State.Standing() {
		t.Errorf("the alarms are %+v", a)
	}
	if texts, want := eventTexts(t, s), fmt.Sprintf(" stretches of samples are missing, %d rows and events are missing or changed", len(lost)); !strings.Contains(texts, want) {
		t.Errorf("the record says %q of its rebuilding, want %q", texts, want)
	}
}

// A probe was away since it was announced, also where the event that said so is lost: what
// it read there is not the field of its post.
func TestRebuildKnowsSinceWhenAProbeIsAway(t *testing.T) {
	dir := damagedRecord(t, "DELETE FROM events WHERE "+isAway+"; VACUUM", func(s *Store) {
		s.Record(raise("fryer", alarm.Away, noon()))
		s.Append(0, samples(1, 400))
		flushed(t, s)
		merged(t, s, true) // else it is beside the samples, too
	})
	if _, err := Rebuild(t.Context(), dir, Options{Now: func() time.Time { return noon().Add(time.Hour) }}); err != nil {
		t.Fatal(err)
	}
	s := open(t, dir, Options{})
	register(t, s, post("fryer"))
	past, err := s.Past(0, time.Hour)
	if err != nil {
		t.Fatal(err)
	}
	n := 0
	for x, err := range past.Recent {
		if n++; err != nil || !math.IsNaN(float64(x.S)) {
			t.Fatalf("sample %d of an away probe is recalled as %v, %v", x.Seq, x.S, err)
		}
	}
	if n != 400 {
		t.Errorf("%d samples, want 400", n)
	}
}

// Where the chain of hashes is lost too, nobody knows what else is.
func TestRebuildWithoutAChainCountsNothing(t *testing.T) {
	dir := damagedRecord(t, "DROP TABLE chain", func(s *Store) {
		s.Record(raise("fryer", alarm.Silent, noon()))
	})
	out, err := Rebuild(t.Context(), dir, Options{})
	if err != nil || len(out.Lost) == 0 {
		t.Fatalf("%+v, %v", out, err)
	}
	if texts := eventTexts(t, open(t, dir, Options{})); !strings.Contains(texts, "whether rows and events are missing is not known") {
		t.Errorf("the record says %q of its rebuilding", texts)
	}
}

// A record that says it is of a newer Ovenward is rebuilt, for that may be its damage;
// what this one cannot know of is told. Neither it nor one of an earlier form is
// called broken.
func TestRebuildOfANewerForm(t *testing.T) {
	dir := packedBefore(t, 9)
	if _, err := OpenReadOnly(dir); !errors.Is(err, ErrOlder) {
		t.Errorf("an earlier one: %v", err)
	}
	shut(t, open(t, dir, Options{}))
	byTool(t, dir, "PRAGMA user_version = 99")
	if _, err := OpenReadOnly(dir); !errors.Is(err, ErrNewer) {
		t.Errorf("a newer one: %v", err)
	}
	out, err := Rebuild(t.Context(), dir, Options{})
	if err != nil || out.Samples != 4400 || len(out.Lost) != 1 || !strings.Contains(out.Lost[0], "its version is 99") {
		t.Fatalf("%+v, %v", out, err)
	}
	if said, _ := verified(t, dir); said != "" {
		t.Errorf("verify says %q", said)
	}
}

// A broken record of an earlier form, of those with chunks, is rebuilt in the newest.
func TestRebuildOfAnEarlierForm(t *testing.T) {
	dir := packedBefore(t, 8)
	out, err := Rebuild(t.Context(), dir, Options{})
	if err != nil || len(out.Lost) > 0 || out.Samples != 4400 {
		t.Fatalf("%+v, %v", out, err)
	}
	if said, _ := verified(t, dir); said != "" {
		t.Errorf("verify says %q", said)
	}
	s := open(t, dir, Options{})
	if got := numbers(everything(t, s.Reader, "fryer")); got != "1-4100" {
		t.Errorf("samples %s", got)
	}
}

// TestRebuildSaysWhatOfTheChainIsMissing: of rows that only that knew it could not tell.
func TestRebuildSaysWhatOfTheChainIsMissing(t *testing.T) {
	whole, _ := cookedThrice(t, 0.25, false)
	const unknown = "whether rows and events are missing is not known"
	for sql, want := range map[string]string{
		"": ", 0 rows and events are missing or changed", "DELETE FROM chain": unknown, "DELETE FROM chain WHERE entry = 2": unknown,
		"DELETE FROM chain WHERE entry = 2; DELETE FROM corrections WHERE correction = 2; VACUUM": ", at least 1 rows and events are missing or changed: not all",
	} {
		dir := copyOf(t, whole)
		byTool(t, dir, sql)
		out, err := Rebuild(t.Context(), dir, Options{})
		if err != nil {
			t.Fatal(err)
		}
		r, err := OpenReadOnly(dir)
		if err != nil {
			t.Fatal(err)
		}
		all := events(t, r)
		r.Close()
		lacks := strings.Contains(strings.Join(out.Lost, "\n"), "of which nothing is said")
		said := slices.ContainsFunc(all, func(e acquire.Event) bool { return strings.Contains(e.Text, want) })
		if lacks != (sql != "") || !said {
			t.Errorf("after %q it says %q and %v, want %q in its event", sql, out.Lost, out.Rows, want)
		}
	}
}
