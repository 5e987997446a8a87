package store

import (
	"fmt"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"ovenward/acquire/alarm"
)

// worked runs f on the writer's goroutine.
func worked(s *Store, f func(w *writer)) {
	done := make(chan struct{})
	s.works <- func(w *writer) { defer close(done); f(w) }
	<-done
}

// retained removes what is too old, or too much, at once.
func retained(t *testing.T, s *Store) {
	t.Helper()
	worked(s, func(w *writer) {
		w.retaining()
		if err := w.attempt(true); err != nil {
			t.Error(err)
		}
	})
}

// emptied removes a chunk of the fryer, by an event.
func emptied(t *testing.T, s *Store, id int64) {
	t.Helper()
	worked(s, func(w *writer) {
		w.removals = []removal{{post: "fryer", chunks: []int64{id}, text: "samples were removed"}}
		if err := w.attempt(true); err != nil {
			t.Error(err)
		}
	})
}

// What is too old, or too much, goes by an event; what lies round an alarm stays;
// what stays proves itself, and the file gets shorter.
func TestRetention(t *testing.T) {
	const hours = 5
	for _, tc := range []struct {
		name string
		keep Retention
		post map[string]int // hours left, about
		held time.Duration  // evidence of combi, from the begin on
	}{
		{"by default all", Retention{}, map[string]int{"fryer": hours, "combi": hours}, 0},
		{"by age", Retention{Keep: Keep{Age: 3 * time.Hour}, Around: time.Minute}, map[string]int{"fryer": 4, "combi": 3}, 0},
		{"by size", Retention{Posts: map[string]Keep{"combi": {Bytes: 40_000}}}, map[string]int{"fryer": hours, "combi": 1}, 0},
		{"by size, beside more evidence", Retention{Posts: map[string]Keep{"combi": {Bytes: 40_000}}}, map[string]int{"fryer": hours, "combi": 4}, 3 * time.Hour},
	} {
		t.Run(tc.name, func(t *testing.T) {
			t.Parallel()
			var now atomic.Int64
			begin := time.Now()
			dir := t.TempDir()
			o := Options{Retention: tc.keep, Now: func() time.Time { return begin.Add(time.Duration(now.Load())) }}
			s := open(t, dir, o)
			register(t, s, post("fryer"), post("combi"))
			s.Record(raise("fryer", alarm.Exceeds, begin.Add(90*time.Minute)))
			if tc.held > 0 {
				if err := s.KeepEvidence(t.Context(), Evidence{Post: "combi", From: begin, To: begin.Add(tc.held), Why: "dispute", What: "7", Who: "R. Okafor"}); err != nil {
					t.Fatal(err)
				}
			}
			recordedFrom(t, s, begin, hours*time.Hour, 3, "fryer", "combi")
			merged(t, s, true)
			before := numbersOf(t, s)
			worked(s, func(w *writer) { w.giveBack(); w.checkpoint("TRUNCATE") })
			size := pagesUsed(t, s)
			now.Store(int64(hours * time.Hour))
			worked(s, func(w *writer) {
				w.retaining()
				if err := w.attempt(true); err != nil {
					t.Error(err)
				}
				w.giveBack()
				w.checkpoint("TRUNCATE")
			})
			for name, want := range tc.post {
				if got := before[name].n(t, s, name); got < want*36_000-25_000 || got > want*36_000+25_000 {
					t.Errorf("%s has %d samples left, want about %d h of them", name, got, want)
				}
			}
			checkRetained(t, s, tc.keep, begin)
			if after := pagesUsed(t, s); tc.name != "by default all" && after >= size {
				t.Errorf("the file used %d pages and uses %d", size, after)
			}
			var free int
			if err := s.db.QueryRow("PRAGMA freelist_count").Scan(&free); err != nil || free > slackPages {
				t.Errorf("%d pages are free in the file, %v", free, err)
			}
			shut(t, s)
			checkNothingComesBack(t, dir, o, func(s *Store) int { return int(before["combi"].n(t, s, "combi")) })
		})
	}
}

// checkNothingComesBack: what was removed reads on without damage, and a rebuilding
// brings nothing back.
func checkNothingComesBack(t *testing.T, dir string, o Options, count func(s *Store) int) {
	t.Helper()
	s := open(t, dir, o)
	left := count(s)
	shut(t, s)
	out, err := Rebuild(t.Context(), dir, o)
	if err != nil {
		t.Fatal(err)
	}
	t.Logf("%+v", out)
	s = open(t, dir, o)
	if got := count(s); got != left {
		t.Errorf("rebuilt, combi has %d samples, %d before", got, left)
	}
}

type counted int

func (c counted) n(t *testing.T, s *Store, name string) (n int) {
	t.Helper()
	for v, err := range s.Values(t.Context(), name, time.Time{}, time.Time{}) {
		if err != nil {
			t.Fatal(err)
		}
		n += len(v.Seq)
	}
	return n
}

func numbersOf(t *testing.T, s *Store) map[string]counted {
	return map[string]counted{"fryer": counted(counted(0).n(t, s, "fryer")), "combi": counted(counted(0).n(t, s, "combi"))}
}

// pagesUsed is how many pages of the file hold anything.
func pagesUsed(t *testing.T, s *Store) (n int) {
	t.Helper()
	if err := s.db.QueryRow("SELECT (SELECT page_count FROM pragma_page_count) - (SELECT freelist_count FROM pragma_freelist_count)").Scan(&n); err != nil {
		t.Fatal(err)
	}
	return n
}

func checkRetained(t *testing.T, s *Store, keep Retention, begin time.Time) {
	t.Helper()
	if v, err := s.Verify(t.Context()); err != nil || !v.Intact() {
		t.Errorf("after it: %v %+v", err, v.Problems)
	}
	told := strings.Count(eventTexts(t, s), "were removed: kept are")
	if (told > 0) != (keep.Age > 0 || len(keep.Posts) > 0) {
		t.Errorf("%d removals are told", told)
	}
	if keep.Around > 0 {
		at, n := begin.Add(90*time.Minute), 0
		for range collect(t, s.Samples(t.Context(), "fryer", at.Add(-keep.Around), at.Add(keep.Around))) {
			n++
		}
		if n < 1190 || n > 1210 {
			t.Errorf("%d samples are left within a minute of the alarm, want 1200", n)
		}
	}
	var removals int
	if err := s.db.QueryRow("SELECT count(*) FROM chunks WHERE state = 2 AND data IS NULL").Scan(&removals); err != nil || (removals > 0) != (told > 0) {
		t.Errorf("%d chunks are removed, %v", removals, err)
	}
}

// A wall clock that jumps removes nothing.
func TestFaultRetentionAfterAClockJump(t *testing.T) {
	begin := time.Now()
	now := begin
	s := open(t, t.TempDir(), Options{Retention: Retention{Keep: Keep{Age: time.Hour}}, Now: func() time.Time { return now }, CommitEvery: time.Hour})
	register(t, s, post("fryer"))
	recordedFrom(t, s, begin, 10*time.Minute, 3, "fryer")
	merged(t, s, true)
	worked(s, func(w *writer) { w.retaining() })
	worked(s, func(w *writer) {
		now = begin.Add(2*time.Hour).Round(0).AddDate(10, 0, 0) // no monotonic reading, as after a step
		w.retainedAt = begin.Add(-2 * time.Hour)
		w.retaining()
		now = begin
	})
	if n := counted(0).n(t, s, "fryer"); n != 6000 {
		t.Errorf("%d samples are left, want all 6000", n)
	}
	if got := eventTexts(t, s); strings.Contains(got, "removed") {
		t.Error(got)
	}
}

// Retention looks at no more of a post than its first chunk that is young, also where an alarm
// keeps all that is: each row stands on a page of its own, and those of a year at 10 Hz are 2 GB.
func TestRetentionReadsNoFurtherThanWhatIsYoung(t *testing.T) {
	s := open(t, t.TempDir(), Options{Retention: Retention{Around: 10 * time.Minute}})
	defer shut(t, s)
	register(t, s, post("fryer"))
	s.Record(raise("fryer", alarm.Exceeds, noon()))
	flushed(t, s)
	byHand(t, s, fmt.Sprintf(`WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n WHERE i < 3000) INSERT INTO chunks (id, from_seq, to_seq, samples, from_ns, to_ns, state, data)
		SELECT (1 << 32) + i, i, i, 1, %d + i, %[1]d + i, 1, x'00' FROM n`, nanos(noon())))
	worked(s, func(w *writer) {
		if n := testing.AllocsPerRun(1, func() {
			if runs, err := w.doom(t.Context(), 1, "fryer", Keep{Age: time.Hour}, noon().Add(time.Minute)); err != nil || len(runs) > 0 {
				t.Errorf("%v are to go, %v", runs, err)
			}
		}); n > 3000 {
			t.Errorf("it took %.0f allocations: all rows were read", n)
		}
	})
}
