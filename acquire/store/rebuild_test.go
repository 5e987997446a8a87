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

// TestNumbersOfLostRowsAreNotGivenAgain: samples whose correction and version were lost
// take no others, whatever is entered after the rebuilding.
func TestNumbersOfLostRowsAreNotGivenAgain(t *testing.T) {
	dir := damagedRecord(t, "DELETE FROM certificates; DELETE FROM corrections; DELETE FROM post_versions; VACUUM", func(s *Store) {
		s.Correction(0, v1Correction())
		s.Append(0, samples(1, 600))
		flushed(t, s)
	})
	for range 2 { // a record that was rebuilt may break again
		if _, err := Rebuild(t.Context(), dir, Options{}); err != nil {
			t.Fatal(err)
		}
	}
	s := open(t, dir, Options{})
	later := post("fryer")
	later.Oven = "another"
	register(t, s, later)
	other := v1Correction()
	other.Certificate = certificate()
	other.Certificate.Number, other.Certificate.Factor = "LH-18", 1.5
	s.Correction(0, other)
	s.Append(0, samples(601, 610))
	flushed(t, s)
	all := everything(t, s.Reader, "fryer")
	if old := all[0]; len(all) != 610 || !math.IsNaN(float64(old.S)) {
		t.Errorf("of %d samples the first is %v W/m2", len(all), old.S)
	} else if v, err := s.Version(t.Context(), old.Version); err == nil {
		t.Errorf("it has a version of oven %s", v.Oven)
	}
	newest := all[len(all)-1]
	c, err := s.CorrectionOf(t.Context(), newest.CorrectionID)
	v, verr := s.Version(t.Context(), newest.Version)
	if err != nil || verr != nil || c.Certificate.Number != "LH-18" || v.Oven != "another" || math.IsNaN(float64(newest.S)) {
		t.Errorf("the newest is %v, corrected by %+v, of oven %s, %v %v", newest.S, c, v.Oven, err, verr)
	}
}

// TestALostPostKeepsItsNumber: a post whose row was lost gets back its versions and zero
// where its samples name them, and where none do they become no other post's.
func TestALostPostKeepsItsNumber(t *testing.T) {
	for name, sampled := range map[string]bool{"with samples": true, "without": false} {
		dir := t.TempDir()
		s := open(t, dir, Options{})
		register(t, s, post("fryer"), post("combi"))
		zeroed := v1Correction()
		zeroed.ZeroBy = "M. Ashdown"
		s.Correction(0, zeroed)
		if sampled {
			s.Append(0, samples(1, 600))
			s.Append(1, samples(1, 5))
		}
		flushed(t, s)
		shut(t, s)
		byTool(t, dir, "DELETE FROM posts; VACUUM")
		if _, err := Rebuild(t.Context(), dir, Options{}); err != nil {
			t.Fatal(err)
		}
		s = open(t, dir, Options{})
		other := post("grill")
		other.Oven, other.Distance = "another", 2
		register(t, s, other, post("combi"), post("fryer"))
		for i, id := range []string{"grill", "combi", "fryer"} {
			past, err := s.Past(i, time.Hour)
			if err != nil {
				t.Fatal(err)
			}
			versions, err := s.History(t.Context(), id)
			if err != nil || len(versions) != 1 || (versions[0].Oven == "another") != (id == "grill") {
				t.Errorf("%s: the versions of %s are %+v, %v", name, id, versions, err)
			}
			if zero := sampled && id == "fryer"; (past.Zero.ZeroBy != "") != zero {
				t.Errorf("%s: the zero of %s was taken by %q", name, id, past.Zero.ZeroBy)
			}
		}
		if n := len(everything(t, s.Reader, "fryer")); sampled && n != 600 {
			t.Errorf("%s: %d samples", name, n)
		}
		shut(t, s)
	}
}

// TestALostPostKeepsTheNumberOfItsChunks: where its versions are lost too, their ids tell it,
// and so whose the zeros are.
func TestALostPostKeepsTheNumberOfItsChunks(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir, Options{})
	register(t, s, post("fryer"), post("combi"))
	zeroed := v1Correction()
	zeroed.ZeroBy = "M. Ashdown"
	s.Correction(1, zeroed)
	s.Append(1, samples(1, 600)) // the post with the lower number has none
	merged(t, s, true)
	shut(t, s)
	byTool(t, dir, "DELETE FROM posts; DELETE FROM post_versions; VACUUM")
	out, err := Rebuild(t.Context(), dir, Options{})
	if err != nil || out.Samples != 600 {
		t.Fatalf("%+v, %v", out, err)
	}
	if got := byTool(t, dir, "SELECT post, id FROM posts"); got != "2|combi" {
		t.Errorf("the posts are %q", got)
	}
	for _, x := range out.Rows {
		if strings.HasPrefix(x.Text, "row 2 of table posts") {
			t.Errorf("it is told that %s", x.Text)
		}
	}
	s = open(t, dir, Options{})
	register(t, s, post("combi"))
	if past, err := s.Past(0, time.Hour); err != nil || past.Zero.ZeroBy != "M. Ashdown" {
		t.Errorf("the zero of combi was taken by %q, %v", past.Zero.ZeroBy, err)
	}
	if n := len(everything(t, s.Reader, "combi")); n != 600 {
		t.Errorf("%d samples", n)
	}
}

// TestNumbersOfChunksBehindADamagedPage: what can be read behind it counts, and of names in
// chunks of one number that in most; where that cannot be known, it is said.
func TestNumbersOfChunksBehindADamagedPage(t *testing.T) {
	for _, tt := range []struct{ strays, posts, lost string }{
		{"id & 0xffffffff < 5", "1|fryer\n2|combi\n3|grill", ""},
		{"id & 0xffffffff <= 30", "1|fryer\n2|combi", "which post had number 3: as many of its chunks name grill as salamander"},
	} {
		dir := t.TempDir()
		s := open(t, dir, Options{})
		register(t, s, post("fryer"), post("combi"), post("grill"), post("salamander"))
		for i := range 4 {
			s.Append(i, samples(1, 600))
		}
		merged(t, s, true)
		shut(t, s)
		byTool(t, dir, `DELETE FROM posts; DELETE FROM post_versions; WITH RECURSIVE n(i) AS (VALUES(1) UNION ALL SELECT i + 1 FROM n WHERE i < 59)
			INSERT INTO chunks SELECT id + i, from_seq, to_seq, samples, from_ns, to_ns, state, removed, data FROM chunks, n;
			UPDATE chunks SET data = (SELECT data FROM chunks WHERE id >> 32 = 4) WHERE id >> 32 = 3 AND `+tt.strays+`;
			DELETE FROM chunks WHERE id >> 32 = 4; VACUUM`)
		var page, leaves int64
		if err := outside(t, dir).QueryRow("SELECT min(pageno), count(*) FROM dbstat WHERE name = 'chunks' AND pagetype = 'leaf'").Scan(&page, &leaves); err != nil || leaves < 4 {
			t.Fatal(leaves, err)
		}
		if got := byTool(t, dir, "SELECT count(*) FROM chunks WHERE id >> 32 = 1"); got != "60" {
			t.Fatal(got)
		}
		spoil(t, dir, page, spoilt()["all of it"])
		out, err := Rebuild(t.Context(), dir, Options{})
		if err != nil || tt.lost != "" && !slices.Contains(out.Lost, tt.lost) {
			t.Fatalf("%+v, %v", out, err)
		}
		if got := byTool(t, dir, "SELECT post, id FROM posts WHERE post < 4 AND id <> 'salamander'"); !strings.HasPrefix(got, tt.posts) {
			t.Errorf("strays %s: the posts are %q, lost %q", tt.strays, got, out.Lost)
		}
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

// TestSumsOfALostPostAreNoOthers: not of the post that has its number in the new record.
func TestSumsOfALostPostAreNoOthers(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir, Options{})
	register(t, s, post("fryer"), post("combi"), post("grill"))
	s.Append(0, samples(1, 600))
	s.Append(1, cooking(0, 10*time.Minute, 1500))
	s.Append(2, samples(1, 600))
	merged(t, s, true)
	shut(t, s)
	// Of combi there are only sums; the chunk of the grill is found by its end.
	byTool(t, dir, "DELETE FROM posts; DELETE FROM post_versions; DELETE FROM chunks WHERE id >> 32 = 2; UPDATE chunks SET data = substr(data, 2) WHERE id >> 32 = 3; VACUUM")
	out, err := Rebuild(t.Context(), dir, Options{})
	if err != nil || out.Samples != 1200 || !slices.Contains(out.Lost, "which post had number 2, whose sums are left out") {
		t.Fatalf("%+v, %v", out, err)
	}
	r, err := OpenReadOnly(dir)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	for _, id := range []string{"fryer", "grill"} {
		points, err := r.Chart(t.Context(), id, noon(), noon().Add(10*time.Hour), 10)
		if err != nil || len(points) != 1 || points[0].Samples != 600 || points[0].Max > 20 {
			t.Errorf("the sums of %s are %+v, %v", id, points, err)
		}
	}
}

// TestWhatWasRemovedOfALostPostIsNotMissing: of a post that got its number back, samples that
// were removed on purpose are none that the damage took.
func TestWhatWasRemovedOfALostPostIsNotMissing(t *testing.T) {
	dir := eventful(t, 150*time.Minute)
	if got := byTool(t, dir, "SELECT count(*) > 0 FROM chunks AS c WHERE state = 2 AND EXISTS (SELECT 1 FROM chunks WHERE id = c.id - 1 AND state = 1)"); got != "1" {
		t.Fatal("nothing was removed between what was kept")
	}
	byTool(t, dir, "DELETE FROM posts; VACUUM")
	if out, err := Rebuild(t.Context(), dir, Options{}); err != nil || len(out.Missing) > 0 {
		t.Errorf("missing is %+v, %v", out.Missing, err)
	}
}

// TestACertificateTakesNoNumberThatIsNamed: a correction whose certificate was lost is
// not of the next one that is entered.
func TestACertificateTakesNoNumberThatIsNamed(t *testing.T) {
	var first int64
	dir := damagedRecord(t, "DELETE FROM certificates", func(s *Store) {
		s.Correction(0, v1Correction())
		s.Append(0, samples(1, 10))
		flushed(t, s)
		first = everything(t, s.Reader, "fryer")[0].CorrectionID
	})
	s := open(t, dir, Options{})
	other := v1Correction()
	other.Certificate = certificate()
	other.Certificate.Number = "LH-18"
	next := post("fryer")
	next.Probe.Certificate = other.Certificate
	register(t, s, next)
	s.Correction(0, other)
	flushed(t, s)
	if c, err := s.CorrectionOf(t.Context(), first); err == nil && c.Certificate != nil && c.Certificate.Number == "LH-18" {
		t.Error("what was corrected before is of the new certificate")
	}
}

// TestRebuildReadsBetweenDamagedPages: only the rows in them are lost, of tables whose rows
// have numbers; of others what lies before and behind them is found.
func TestRebuildReadsBetweenDamagedPages(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir, Options{})
	for i := range 2000 {
		s.Record(note(fmt.Sprint(i, strings.Repeat(" and so on", 10))))
	}
	keys := map[string]int64{}
	for i := range 2000 {
		keys[fmt.Sprintf("courier %04d%s", i, strings.Repeat(" and so on", 10))] = int64(i)
	}
	flushed(t, s)
	if err := s.Keep(t.Context(), keys, nil); err != nil {
		t.Fatal(err)
	}
	shut(t, s)
	byTool(t, dir, "VACUUM")
	rows := func(table string) (pages []int64, in []int) {
		t.Helper()
		for _, row := range strings.Fields(byTool(t, dir, "SELECT pageno || '|' || ncell FROM dbstat WHERE name = '"+table+"' AND pagetype = 'leaf' ORDER BY path")) {
			var page int64
			var n int
			if _, err := fmt.Sscanf(row, "%d|%d", &page, &n); err != nil {
				t.Fatal(err)
			}
			pages, in = append(pages, page), append(in, n)
		}
		return pages, in
	}
	events, ofEvents := rows("events")
	cursors, ofCursors := rows("cursors")
	chain, _ := rows("chain")
	if len(events) < 9 || len(cursors) < 4 {
		t.Fatal(len(events), len(cursors))
	}
	for _, page := range []int64{events[2], events[3], events[6], cursors[1], chain[1]} {
		spoil(t, dir, page, spoilt()["all of it"])
	}
	out, err := Rebuild(t.Context(), dir, Options{})
	if err != nil {
		t.Fatal(err)
	}
	if want := 2000 - ofEvents[2] - ofEvents[3] - ofEvents[6]; out.Events != int64(want) {
		t.Errorf("%d events were found, want %d", out.Events, want)
	}
	if want, got := 2000-ofCursors[1], byTool(t, dir, "SELECT count(*) FROM cursors"); got < fmt.Sprint(want-1) || got > fmt.Sprint(want) {
		t.Errorf("%s cursors were found, want %d", got, want)
	}
	if got := len(out.Rows) + int(out.More); got < ofEvents[6] { // whose entries lie behind the damaged page of the chain
		t.Errorf("%d rows are said to be missing, want %d and more", got, ofEvents[6])
	}
	for _, table := range []string{"events", "cursors"} {
		if !slices.ContainsFunc(out.Lost, func(s string) bool { return strings.HasPrefix(s, "table "+table+": ") }) {
			t.Errorf("that not all of %s were read is not said: %q", table, out.Lost)
		}
	}
}

// TestRebuildKeepsSumsBehindADamagedPage: sums of samples that are there no longer are all
// that is left of them.
func TestRebuildKeepsSumsBehindADamagedPage(t *testing.T) {
	dir := damagedRecord(t, `DELETE FROM chunks; WITH RECURSIVE n(i) AS (VALUES(1) UNION ALL SELECT i + 1 FROM n WHERE i < 2000)
		INSERT INTO rollups SELECT id - i, data FROM rollups, n WHERE id & 2147483647 <> 2147483647 AND id >> 31 & 1 = 0; VACUUM`, func(s *Store) {
		s.Append(0, samples(1, 600))
		merged(t, s, true)
	})
	var page, in, leaves, sums int64
	if err := outside(t, dir).QueryRow("SELECT pageno, ncell, (SELECT count(*) FROM dbstat WHERE name = 'rollups' AND pagetype = 'leaf'), (SELECT count(*) FROM rollups WHERE id & 2147483647 <> 2147483647) FROM dbstat WHERE name = 'rollups' AND pagetype = 'leaf' ORDER BY path LIMIT 1 OFFSET 1").Scan(&page, &in, &leaves, &sums); err != nil || leaves < 4 {
		t.Fatal(leaves, err)
	}
	spoil(t, dir, page, spoilt()["all of it"])
	out, err := Rebuild(t.Context(), dir, Options{})
	if err != nil {
		t.Fatal(err)
	}
	if got := byTool(t, dir, "SELECT count(*) FROM rollups WHERE id & 2147483647 <> 2147483647"); got != fmt.Sprint(sums-in) {
		t.Errorf("%s sums are kept, want %d of %d", got, sums-in, sums)
	}
	if !slices.ContainsFunc(out.Lost, func(s string) bool { return strings.HasPrefix(s, "sums of samples that were removed: ") }) {
		t.Errorf("that not all were read is not said: %q", out.Lost)
	}
}
