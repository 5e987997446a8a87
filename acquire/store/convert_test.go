package store

import (
	"database/sql"
	"fmt"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/alarm"
)

// older makes a record as version v left it, with n samples of two posts, those
// of the second one without a number.
func older(t *testing.T, v, n int) string {
	t.Helper()
	dir := t.TempDir()
	var script strings.Builder
	more := ""
	for _, s := range steps() {
		if s.version > v {
			break
		}
		script.WriteString(s.sql + ";\n")
		fmt.Fprintf(&script, "PRAGMA application_id = %d; PRAGMA user_version = %d;\n", applicationID, s.version)
		if s.version >= 3 {
			more = ", more"
		}
	}
	script.WriteString("INSERT INTO posts (id) VALUES ('fryer'), ('combi'); INSERT INTO units VALUES (1, 'mW/cm2'), (2, '');\nBEGIN;\n")
	for _, p := range []string{"fryer", "combi"} {
		at := noon().UnixNano()
		fmt.Fprintf(&script, `INSERT INTO post_versions (post, valid_from_ns, entered_at_ns, site, oven, oven_place, turned, limit_id, limit_basis, limit_source,
			probe, probe_port, probe_axes, probe_simulated) SELECT post, %d, %d, 's', 'o', '', 1, 'l', 'b', 's', 'p', '', 1, 0 FROM posts WHERE id = '%s';`+"\n", at, at, p)
	}
	script.WriteString(olderRows(v))
	for i := range int64(n) {
		s := sample(i + 1)
		extra := ""
		if more != "" {
			extra = ", NULL"
			if i == 1 {
				extra = `, '{"temperature":23.50}'`
			}
		}
		fmt.Fprintf(&script, "INSERT INTO samples (post, seq, version, at_ns, at_u_ns, said, digits, exp, unit, status, quality, correction%s) VALUES (1, %d, 1, %d, %d, '%s', %d, %d, 1, 0, 0, 1%s);\n",
			more, s.Seq, s.At.UnixNano()+i%7, s.AtU, s.Said, s.Reading.Value.Digits, s.Reading.Value.Exp, extra)
		if i < 5 {
			fmt.Fprintf(&script, "INSERT INTO samples (post, seq, version, at_ns, at_u_ns, said, unit, status, quality, correction) VALUES (2, %d, 2, %d, 1, x'ff00', 2, 1, 2, NULL);\n",
				2*i+1, s.At.UnixNano())
		}
	}
	script.WriteString("INSERT INTO events VALUES (3, 5, 'fryer', 'station', '', 'as before', NULL, NULL);\nCOMMIT;\n")
	made(t, dir, script.String())
	return dir
}

// olderRows are rows of the other tables as version v left them.
func olderRows(v int) string {
	at := noon().UnixNano()
	rows := fmt.Sprintf(`INSERT INTO certificates (number, laboratory, date, due, factor, expanded_uncertainty, k) VALUES ('LH-17', 'Larkfield Metrology', '2031-01-01T00:00:00Z', '2032-01-01T00:00:00Z', 1.04, 0.12, 2);
		INSERT INTO corrections (correction, post, entered_at_ns, zero_w_per_m2, zero_at_ns, zero_by, certificate) VALUES (1, 1, %[1]d, 0.25, %[1]d, 'R. Okafor', 1);
		INSERT INTO events VALUES (4, %[1]d, 'fryer', 'alarm', '', 'exceeds', NULL, '{"post":"fryer","rule":"exceeds","state":"unacknowledged","id":"a1","since":"2031-05-20T12:00:00.123Z","changed":"2031-05-20T12:00:00.123Z","from":"normal","reason":"raised"}');
		INSERT INTO alarms (post, rule, state, id, since_ns, changed_ns, event) VALUES ('fryer', 'exceeds', 'unacknowledged', 'a1', %[1]d, %[1]d, 4);
		INSERT INTO cursors VALUES ('webhook', 3);
		UPDATE record SET commits = 12, committed_ns = %[1]d, next_event = 77;
		UPDATE post_versions SET limit_w_per_m2 = 50, stale_s = 5, distance_m = 0.05 WHERE version = 1;`+"\n", at)
	if v >= 2 {
		rows += "UPDATE post_versions SET limit_averaging_s = 360, limit_rule = 'simple acceptance', limits_more = '[{\"id\":\"people\"}]' WHERE version = 1;\n"
	}
	if v >= 3 {
		rows += "UPDATE post_versions SET probe_offset_s = 0.01, probe_battery_below_v = 3.3 WHERE version = 1;\n"
	}
	if v >= 4 {
		rows += "UPDATE corrections SET frequency_hz = 2.45e9, u_rel = 0.1, u_abs_w_per_m2 = 0.5, u_k = 2; UPDATE post_versions SET doubt = '{}' WHERE version = 1;\n"
	}
	if v >= 5 {
		rows += "UPDATE post_versions SET rules = '[]' WHERE version = 1;\n"
	}
	if v >= 6 {
		rows += fmt.Sprintf(`INSERT INTO told VALUES (1, 'webhook', 'desk', 'm1', 4, 'fryer', 'exceeds', %[1]d, %[1]d, 2, 0, 'accepted', '200', 'subject', 'text');`+"\n", at)
	}
	return rows
}

// checkOlderRows reads back what olderRows wrote.
func checkOlderRows(t *testing.T, s *Store, v int) {
	t.Helper()
	first := collect(t, s.Samples(t.Context(), "fryer", time.Time{}, time.Time{}))[0]
	c, err := s.CorrectionOf(t.Context(), first.CorrectionID)
	if err != nil || first.CorrectionID != 1 || c.Zero != 0.25 || c.ZeroBy != "R. Okafor" || !c.ZeroAt.Equal(noon()) || c.Certificate == nil || c.Certificate.Number != "LH-17" || c.Certificate.Factor != 1.04 ||
		(c.Spread.K == 2) != (v >= 4) || (c.Setting.Frequency == 2.45e9) != (v >= 4) {
		t.Errorf("the correction is %+v, %v", c, err)
	}
	if want, _ := c.Apply(10 * valued(1)); !closeTo(first.S, want) {
		t.Errorf("the first sample is %v W/m², want %v", first.S, want)
	}
	a := s.Alarms()
	if len(a) != 1 || a[0].State != alarm.Unacknowledged || a[0].ID != "a1" || !a[0].Since.Equal(noon()) {
		t.Errorf("the alarms are %+v", a)
	}
	if id, err := s.Cursor(t.Context(), "webhook"); err != nil || id != 3 {
		t.Errorf("the cursor is %d, %v", id, err)
	}
	if all := events(t, s.Reader); len(all) < 2 || all[1].ID != 4 || all[1].Alarm == nil || all[1].Alarm.Reason != "raised" {
		t.Errorf("the events are %+v", all)
	}
	told, err := s.Told(t.Context(), ToldQuery{}, 9)
	if err != nil || (len(told) == 1) != (v >= 6) || v >= 6 && (told[0].MessageID != "m1" || told[0].Attempts != 2 || !told[0].At.Equal(noon())) {
		t.Errorf("told is %+v, %v", told, err)
	}
	var limit, averaging, offset sql.NullFloat64
	var more, rules sql.NullString
	if err := s.db.QueryRow("SELECT limit_w_per_m2, limit_averaging_s, probe_offset_s, limits_more, rules FROM post_versions WHERE version = 1").Scan(&limit, &averaging, &offset, &more, &rules); err != nil ||
		limit.Float64 != 50 || (averaging.Float64 == 360) != (v >= 2) || (more.String == `[{"id":"people"}]`) != (v >= 2) || (offset.Float64 == 0.01) != (v >= 3) || (rules.String == "[]") != (v >= 5) {
		t.Errorf("the post is %v %v %v %v %v, %v", limit, averaging, offset, more, rules, err)
	}
	if got := s.Stats(); got.Commits < 12 {
		t.Errorf("%d commits", got.Commits)
	}
	if r, err := s.Verify(t.Context()); err != nil || !r.Intact() {
		t.Errorf("verify says %v %+v", err, r.Problems)
	}
}

// A record of each earlier version comes over whole, to the ns and the byte.
func TestEveryVersionConverts(t *testing.T) {
	for _, v := range steps() {
		if v.version >= 7 || raced && v.version%3 != 0 {
			continue
		}
		t.Run(fmt.Sprint("version ", v.version), func(t *testing.T) {
			const n = 300
			dir := older(t, v.version, n)
			s := open(t, dir, Options{})
			checkOlder(t, s, n, v.version >= 3)
			checkOlderRows(t, s, v.version)
			var size, old int
			if err := s.db.QueryRow("SELECT (SELECT page_size FROM pragma_page_size), (SELECT count(*) FROM sqlite_schema WHERE name IN ('samples_before', 'units'))").Scan(&size, &old); err != nil || size != chunkPage || old != 0 {
				t.Errorf("pages of %d bytes, %d tables of before, %v", size, old, err)
			}
			register(t, s, post("fryer"), post("combi"))
			s.Append(0, samples(n+1, n+10))
			s.Record(note("newer"))
			flushed(t, s)
			if all := events(t, s.Reader); all[len(all)-1].ID < 77 {
				t.Errorf("a number of an event that may have been told is used again: %+v", all[len(all)-1])
			}
			shut(t, s)
			debianSays(t, filepath.Join(dir, FileName))
			s = open(t, dir, Options{})
			if got := numbers(everything(t, s.Reader, "fryer")); got != fmt.Sprintf("1-%d", n+10) {
				t.Errorf("samples %s", got)
			}
		})
	}
}

func checkOlder(t *testing.T, s *Store, n int, more bool) {
	t.Helper()
	got := everything(t, s.Reader, "fryer")
	if want := fmt.Sprintf("1-%d", n); numbers(got) != want {
		t.Fatalf("samples %s, want %s", numbers(got), want)
	}
	for i, g := range got {
		want := sample(int64(i + 1))
		if string(g.Said) != string(want.Said) || g.Reading.Value != want.Reading.Value || g.At.UnixNano() != want.At.UnixNano()+int64(i)%7 || g.AtU != want.AtU || g.Version != 1 {
			t.Fatalf("sample %d is %+v", i+1, g)
		}
		if g.Reading.HasTemp != (more && i == 1) {
			t.Errorf("sample %d has a temperature: %v", i+1, g.Reading.HasTemp)
		}
	}
	got = everything(t, s.Reader, "combi")
	if numbers(got) != "1-1 3-3 5-5 7-7 9-9" || string(got[2].Said) != "\xff\x00" || got[2].Reading.HasValue || got[2].Quality != acquire.OverRange || got[2].Version != 2 {
		t.Errorf("combi has %s, %+v", numbers(got), got[2])
	}
	if all := events(t, s.Reader); len(all) == 0 || all[0].ID != 3 || all[0].Text != "as before" {
		t.Errorf("events %+v", all)
	}
}

// A conversion that breaks off goes on at the next start, wherever it was.
func TestConversionGoesOn(t *testing.T) {
	const at, n = 700, 1500
	dir := older(t, 4, n)
	for left := 1; ; left++ {
		rest := left
		s, err := Open(dir, Options{reserve: testReserve, converts: at, Fault: func(st Step) error {
			if st == StepMerge {
				if rest--; rest == 0 {
					return syscall.ENOSPC
				}
			}
			return nil
		}})
		if err != nil {
			if left > 10 {
				t.Fatal("the conversion makes no way:", err)
			}
			continue
		}
		shut(t, s)
		break
	}
	s := open(t, dir, Options{})
	checkOlder(t, s, n, true)
	if r, err := s.Verify(t.Context()); err != nil || !r.Intact() {
		t.Errorf("after it: %v %+v", err, r.Problems)
	}
}
