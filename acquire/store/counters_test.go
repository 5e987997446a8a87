package store

import (
	"bytes"
	"encoding/binary"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"ovenward/acquire/alarm"
)

// A start finds the record's counters again where their row does not fit, or is gone: it goes on,
// says so once, gives no number twice, and loses and doubles nothing, merged or not.
func TestDamagedCounters(t *testing.T) {
	made := t.TempDir()
	s := open(t, made, Options{Now: noon})
	register(t, s, post("fryer"))
	s.Record(raise("fryer", alarm.Exceeds, noon()))
	for i := range int64(3) {
		s.Append(0, samples(1+10*i, 10+10*i))
		flushed(t, s)
	}
	killed, commits := copyOf(t, made), s.Stats().Commits
	shut(t, s)
	for name, dir := range map[string]string{"stopped": made, "killed": killed} {
		for _, damage := range []string{
			"UPDATE record SET commits = 'y'", "UPDATE record SET committed_ns = x'00'", "UPDATE record SET next_event = 'y'", "UPDATE record SET link = 'y'",
			"UPDATE record SET next_correction = 0.5", "UPDATE record SET next_version = 'y'", "DELETE FROM record",
		} {
			at := copyOf(t, dir)
			byTool(t, at, loosened+damage)
			if said, _ := verified(t, at); strings.Contains(damage, "commits") && !strings.Contains(said, "nothing says whether the record ends before its last commit") {
				t.Errorf("%s, %s: before a start verify says %q", name, damage, said)
			}
			s, err := Open(at, Options{Now: noon})
			if err != nil {
				t.Errorf("%s, %s: %v", name, damage, err)
				continue
			}
			register(t, s, post("fryer"), post("combi"))
			if got := s.Stats().Commits; got < commits {
				t.Errorf("%s, %s: goes on behind commit %d, want %d", name, damage, got, commits)
			}
			s.Append(0, samples(31, 40))
			s.Record(note("behind it"))
			flushed(t, s)
			merged(t, s, true)
			all := collect(t, s.Samples(t.Context(), "fryer", time.Time{}, time.Time{}))
			for i := range all {
				if all[i].Seq != int64(i+1) {
					t.Fatalf("%s, %s: sample %d stands at place %d", name, damage, all[i].Seq, i+1)
				}
			}
			events, err := s.Events(t.Context(), 0, 100)
			told := 0
			for _, e := range events {
				if strings.Contains(e.Text, "table record") {
					told++
				}
			}
			if err != nil || len(all) != 40 || told != 1 || events[0].Alarm == nil {
				t.Errorf("%s, %s: %d samples, told %d times, %v, %v", name, damage, len(all), told, events, err)
			}
			shut(t, s)
			if said, _ := verified(t, at); said != "" {
				t.Errorf("%s, %s: verify says %q", name, damage, said)
			}
			s = open(t, at, Options{Now: noon})
			shut(t, s)
			if got := byTool(t, at, "SELECT count(*) FROM record WHERE typeof(commits) || typeof(committed_ns) || typeof(next_event) || typeof(next_correction) || typeof(next_version) = 'integerintegerintegerintegerinteger'"); got != "1" {
				t.Errorf("%s, %s: %s rows fit", name, damage, got)
			}
		}
	}
}

// A flipped bit in the number of the last commit is told as that, and not as commits that are lost.
func TestADamagedNumberOfTheLastCommit(t *testing.T) {
	var now atomic.Int64
	o := Options{Now: func() time.Time { return noon().Add(time.Duration(now.Add(1)) * time.Millisecond) }}
	dir := t.TempDir()
	s := open(t, dir, o)
	register(t, s, post("fryer"))
	for i := range int64(5) {
		s.Append(0, samples(1+10*i, 10+10*i))
		flushed(t, s)
	}
	shut(t, s)
	byTool(t, dir, "UPDATE record SET commits = commits - 4")
	for range 2 {
		s := open(t, dir, o)
		register(t, s, post("fryer"))
		shut(t, s)
	}
	if got := byTool(t, dir, "SELECT text FROM events"); got != "damaged: the number of the last commit in table record: it says 2, and was 6" {
		t.Errorf("told is %s", got)
	}
}

// A flipped bit in the head of the row of counters shifts what stands behind it, or keeps SQLite
// from reading or writing the row: a start goes on all the same, and says so once.
func TestAFlippedBitInTheRowOfCounters(t *testing.T) {
	made := t.TempDir()
	s := open(t, made, Options{Now: noon})
	register(t, s, post("fryer"))
	s.Append(0, samples(1, 300))
	for range 300 {
		s.Record(note("before it"))
		flushed(t, s)
	}
	commits := s.Stats().Commits
	shut(t, s)
	root, err := strconv.Atoi(byTool(t, made, "SELECT rootpage FROM sqlite_schema WHERE name = 'record'"))
	if err != nil {
		t.Fatal(err)
	}
	whole, err := os.ReadFile(filepath.Join(made, FileName))
	if err != nil {
		t.Fatal(err)
	}
	page := (root - 1) * chunkPage
	cell := page + int(binary.BigEndian.Uint16(whole[page+8:]))
	// Its size and number, and the sizes of head, number, commits, committed_ns and next_event.
	for _, flip := range [][2]int{{0, 1}, {0, 7}, {1, 0}, {1, 7}, {2, 0}, {2, 3}, {3, 7}, {4, 0}, {4, 3}, {5, 1}, {5, 3}, {6, 0}, {6, 1}} {
		dir := copyOf(t, made)
		b := bytes.Clone(whole)
		b[cell+flip[0]] ^= 1 << flip[1]
		if err := os.WriteFile(filepath.Join(dir, FileName), b, 0o640); err != nil {
			t.Fatal(err)
		}
		for start := range int64(2) {
			s, err := Open(dir, Options{Now: noon})
			if err != nil {
				t.Errorf("byte %d, bit %d: %v", flip[0], flip[1], err)
				break
			}
			if got := s.Stats().Commits; got < commits {
				t.Errorf("byte %d, bit %d: goes on behind commit %d, want %d", flip[0], flip[1], got, commits)
			}
			register(t, s, post("fryer"))
			s.Append(0, samples(301+10*start, 310+10*start))
			flushed(t, s)
			merged(t, s, true)
			if all := collect(t, s.Samples(t.Context(), "fryer", time.Time{}, time.Time{})); len(all) != int(310+10*start) {
				t.Errorf("byte %d, bit %d: %d samples, want %d", flip[0], flip[1], len(all), 310+10*start)
			}
			shut(t, s)
		}
		if got := byTool(t, dir, "SELECT count(*) FROM events WHERE text LIKE '%table record%'; SELECT count(*) FROM events WHERE text LIKE '%lost%'; SELECT count(*) FROM record; PRAGMA integrity_check"); got != "1\n0\n1\nok" {
			t.Errorf("byte %d, bit %d: told, lost, rows, SQLite says: %s", flip[0], flip[1], got)
		}
		if said, _ := verified(t, dir); said != "" {
			t.Errorf("byte %d, bit %d: verify says %q", flip[0], flip[1], said)
		}
	}
}
