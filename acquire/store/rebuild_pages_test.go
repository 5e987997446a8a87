package store

import (
	"fmt"
	"slices"
	"strings"
	"testing"
)

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

// One row that does not fit costs a rebuilding that row, and none of those that are read with it.
func TestARowThatDoesNotFitCostsARebuildingNoOther(t *testing.T) {
	dir := damagedRecord(t, loosened+"UPDATE events SET at_ns = 'y' WHERE text = 'note 3'", func(s *Store) {
		for i := range 30 {
			s.Record(note(fmt.Sprint("note ", i)))
		}
	})
	out, err := Rebuild(t.Context(), dir, Options{Now: noon})
	if err != nil || out.Events != 29 || len(out.Lost) != 1 {
		t.Errorf("%v, %+v", err, out)
	}
}
