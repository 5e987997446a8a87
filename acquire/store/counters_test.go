package store

import (
	"strings"
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
