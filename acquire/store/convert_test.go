package store

import (
	"fmt"
	"strings"
	"syscall"
	"testing"

	"ovenward/acquire"
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
	for i := range int64(n) {
		s := sample(i + 1)
		extra := ""
		if more != "" {
			extra = ", NULL"
			if i == 1 {
				extra = `, '{"temperature":23.50}'`
			}
		}
		fmt.Fprintf(&script, "INSERT INTO samples (post, seq, version, at_ns, at_u_ns, said, digits, exp, unit, status, quality, correction%s) VALUES (1, %d, 1, %d, %d, '%s', %d, %d, 1, 0, 0, NULL%s);\n",
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

// A record of each earlier version comes over whole, to the ns and the byte.
func TestEveryVersionConverts(t *testing.T) {
	for _, v := range steps() {
		if v.version >= 7 {
			continue
		}
		t.Run(fmt.Sprint("version ", v.version), func(t *testing.T) {
			const n = 300
			dir := older(t, v.version, n)
			s := open(t, dir, Options{})
			checkOlder(t, s, n, v.version >= 3)
			var size, old int
			if err := s.db.QueryRow("SELECT (SELECT page_size FROM pragma_page_size), (SELECT count(*) FROM sqlite_schema WHERE name IN ('samples_before', 'units'))").Scan(&size, &old); err != nil || size != chunkPage || old != 0 {
				t.Errorf("pages of %d bytes, %d tables of before, %v", size, old, err)
			}
			register(t, s, post("fryer"), post("combi"))
			s.Append(0, samples(n+1, n+10))
			shut(t, s)
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
