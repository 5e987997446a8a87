package store

import (
	"fmt"
	"strings"
	"testing"
	"time"
)

// The chain goes on where the head of its newest day does not fit, which is made again, and
// where that of the day before does not, which is told, shown to nobody, and held against no entry.
func TestAHeadThatDoesNotFit(t *testing.T) {
	for _, damage := range []string{"entry = 'y'", "entry = NULL", "head = NULL", "head = x'00'"} {
		for which, want := range map[string]string{"max": "", "min": ": the head of 2031-05-20 is none"} {
			dir := t.TempDir()
			var o Options
			for day := range 2 {
				o.Now = func() time.Time { return noon().AddDate(0, 0, day) }
				s := open(t, dir, o)
				s.Record(note("one"))
				s.Record(note("another"))
				shut(t, s)
			}
			byTool(t, dir, loosened+"UPDATE days SET "+damage+" WHERE day = (SELECT "+which+"(day) FROM days)")
			s, err := Open(dir, o)
			if err != nil {
				t.Errorf("%s of %s: %v", damage, which, err)
				continue
			}
			if head := s.Stats().DayHead; (head.SHA256 != "") != (which == "max") {
				t.Errorf("%s of %s: the head of the last day is %+v", damage, which, head)
			}
			s.Record(note("two"))
			flushed(t, s)
			if _, err := s.Heads(t.Context(), time.Time{}, time.Time{}); err != nil {
				t.Errorf("%s of %s: %v", damage, which, err)
			}
			shut(t, s)
			if said, _ := verified(t, dir); said != want {
				t.Errorf("%s of %s: verify says %q", damage, which, said)
			}
		}
	}
}

// A head that is made again follows from the one before it, as verify has it, also where that
// does not follow from its entries: each day is told once.
func TestAHeadMadeAgainFollowsFromTheOneBefore(t *testing.T) {
	for _, damage := range []string{"UPDATE days SET entry = 1 WHERE day = (SELECT max(day) FROM days)", "DELETE FROM days WHERE day = (SELECT max(day) FROM days)"} {
		dir := t.TempDir()
		var o Options
		for day := range 3 {
			o.Now = func() time.Time { return noon().AddDate(0, 0, day) }
			s := open(t, dir, o)
			s.Record(note("one"))
			shut(t, s)
		}
		byTool(t, dir, "UPDATE chain SET sha256 = zeroblob(32) WHERE entry = 1; "+damage)
		s := open(t, dir, o)
		s.Record(note("two"))
		shut(t, s)
		if said, _ := verified(t, dir); strings.Count(said, "does not follow") != 1 || !strings.Contains(said, "the head of 2031-05-20 does not follow") {
			t.Errorf("%s: verify says %q", damage, said)
		}
	}
}

// Verify goes on behind a row that does not fit.
func TestVerifyGoesOnBehindARowThatDoesNotFit(t *testing.T) {
	for _, damage := range []string{"UPDATE events SET at_ns = 'y' WHERE text = 'note 1'", "UPDATE chunks SET from_ns = 'y'", "UPDATE chain SET ref = 'y' WHERE entry = (SELECT min(entry) FROM chain WHERE kind = 'event')"} {
		dir := damagedRecord(t, loosened+damage+"; UPDATE events SET text = 'another' WHERE text = 'note 7'", func(s *Store) {
			chunked(t, s, 1, 100)
			for i := range 9 {
				s.Record(note(fmt.Sprint("note ", i)))
			}
		})
		if said, rep := verified(t, dir); strings.Contains(said, "chain of hashes cannot be read") || len(rep.Problems) < 2 || rep.Events < 9 {
			t.Errorf("%s: verify says %q of %d events", damage, said, rep.Events)
		}
	}
}

// So it does behind what is left of a chunk that was removed, and behind one that still grows.
func TestVerifyGoesOnBehindARemovalThatDoesNotFit(t *testing.T) {
	from := t.TempDir()
	s := open(t, from, Options{})
	register(t, s, post("fryer"))
	chunked(t, s, 1, 2000)
	emptied(t, s, 1<<32|1)
	s.Append(0, samples(2001, 2010))
	flushed(t, s)
	merged(t, s, false)
	s.Record(note("behind it"))
	flushed(t, s)
	dir := crashed(t, from) // a stop would seal what grows
	shut(t, s)
	byTool(t, dir, loosened+"INSERT INTO events SELECT id + 1000, 'y', post, kind, who, text, raw, alarm FROM events WHERE text = 'behind it'")
	for damage, wants := range map[string][]string{"from_ns = 'y', samples = NULL, removed = 'y' WHERE true": {"is not what was left", "the row of chunk 2 says"},
		"state = NULL WHERE state = 0": {"chunk 2 was inserted"}} {
		to := copyOf(t, dir)
		byTool(t, to, "UPDATE chunks SET "+damage+"; UPDATE events SET text = 'another' WHERE text = 'behind it'")
		said, _ := verified(t, to)
		for _, want := range append(wants, "was changed", "event 1002 was inserted") {
			if strings.Contains(said, "cannot be read") || !strings.Contains(said, want) {
				t.Errorf("%s: verify says %q, not %q", damage, said, want)
			}
		}
	}
}

// A damaged head of the newest day, or none, keeps nothing from being recorded: the chain
// goes on behind its entries.
func TestADamagedHeadHoldsUpNothing(t *testing.T) {
	for _, damage := range []string{"UPDATE days SET entry = entry - 1", "UPDATE days SET entry = -entry", "DELETE FROM days"} {
		dir := damagedRecord(t, damage, func(s *Store) {
			s.Append(0, samples(1, 100))
			s.Record(note("before"))
			merged(t, s, true)
		})
		s := open(t, dir, Options{})
		register(t, s, post("fryer"))
		s.Append(0, samples(101, 200))
		s.Record(note("after"))
		if err := s.Flush(t.Context()); err != nil {
			t.Errorf("%s: %v", damage, err)
		}
		shut(t, s)
		if said, _ := verified(t, dir); said != "" { // the head of the same day was written anew
			t.Errorf("%s: verify says %q", damage, said)
		}
	}
}
