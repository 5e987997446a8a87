package store

import (
	"errors"
	"iter"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// A commit that took place and failed to say so: whichever it was, what follows
// goes on from it, in numbers, links and hashes.
func TestCommitsThatFailToSayTheyTookPlace(t *testing.T) {
	for _, tc := range []struct {
		name string
		do   func(t *testing.T, s *Store)
	}{
		{"samples and events", func(t *testing.T, s *Store) {
			s.Append(0, samples(11, 20))
			s.Record(note("in between"))
			worked(s, func(w *writer) { w.attempt(true) })
		}},
		{"a request", func(t *testing.T, s *Store) {
			if err := s.KeepEvidence(t.Context(), Evidence{Post: "fryer", From: noon(), Why: "survey", What: "1"}); !errors.Is(err, errBroken) {
				t.Errorf("the request gives %v", err)
			}
		}},
		{"a merge that seals", func(t *testing.T, s *Store) {
			worked(s, func(w *writer) { w.merging(true) })
		}},
	} {
		t.Run(tc.name, func(t *testing.T) {
			var f faults
			dir := t.TempDir()
			s := open(t, dir, Options{CommitEvery: time.Hour, Fault: f.at})
			register(t, s, post("fryer"))
			s.Append(0, samples(1, 10))
			s.Record(note("before"))
			flushed(t, s)
			before := s.Stats().Commits
			f.set(func(st Step) error {
				if st == StepAfterCommit {
					return errBroken
				}
				return nil
			})
			tc.do(t, s)
			f.set(nil)
			s.Append(0, samples(21, 30))
			s.Record(note("after"))
			worked(s, func(w *writer) {
				if err := w.attempt(true); err != nil {
					t.Error(err)
				}
				w.merging(true)
			})
			if n := s.Stats().Commits; n < before+1 {
				t.Errorf("%d commits, %d before", n, before)
			}
			if v, err := s.Verify(t.Context()); err != nil || !v.Intact() || v.Head.SHA256 != s.Stats().Head.SHA256 {
				t.Errorf("after it: %v %+v", err, v)
			}
			if texts := eventTexts(t, s); !strings.Contains(texts, "after") {
				t.Errorf("the events are %s", texts)
			}
			shut(t, s)
			if said, _ := verified(t, dir); said != "" {
				t.Errorf("closed: %s", said)
			}
		})
	}
}

var errBroken = errors.New("broken")

// Requests are commits with numbers of their own, so one that is lost is missed.
func TestALostRequestIsNamed(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir, Options{CommitEvery: time.Hour})
	register(t, s, post("fryer"))
	s.works <- func(w *writer) { w.checkpoint("TRUNCATE") }
	before := s.Stats().Commits
	if err := s.KeepEvidence(t.Context(), Evidence{Post: "fryer", From: noon(), Why: "survey", What: "1"}); err != nil {
		t.Fatal(err)
	}
	if n := s.Stats().Commits; n != before+1 {
		t.Errorf("%d commits, %d before", n, before)
	}
	to := crashed(t, dir)
	if err := os.Truncate(filepath.Join(to, FileName+"-wal"), 0); err != nil {
		t.Fatal(err)
	}
	if said, _ := verified(t, to); !strings.Contains(said, "the record ends at commit") {
		t.Errorf("verify says %q", said)
	}
	r := open(t, to, Options{})
	drained(t, r)
	if texts := eventTexts(t, r); !strings.Contains(texts, "are lost") || r.Stats().Damaged == 0 {
		t.Errorf("the events are %q", texts)
	}
}

// One that is lost between commits that were read from a damaged log is named too.
func TestALostRequestAmongSalvagedCommitsIsNamed(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir, Options{CommitEvery: 1})
	register(t, s, post("fryer"))
	worked(s, func(w *writer) { w.unfolded = true; w.checkpoint("TRUNCATE") })
	s.Append(0, samples(1, 10))
	drained(t, s)
	if err := s.Keep(t.Context(), map[string]int64{"mail": 1}, nil); err != nil {
		t.Fatal(err)
	}
	s.Append(0, samples(11, 20))
	drained(t, s)
	to := crashed(t, dir)
	file := filepath.Join(to, FileName+"-wal")
	b := must(os.ReadFile(file))
	b[40] ^= 1 // in the first frame's head: SQLite drops all of it
	if err := os.WriteFile(file, b, 0o640); err != nil {
		t.Fatal(err)
	}
	r := open(t, to, Options{})
	drained(t, r)
	if got := numbers(everything(t, r.Reader, "fryer")); got != "1-20" {
		t.Errorf("samples %s", got)
	}
	if texts := eventTexts(t, r); !strings.Contains(texts, "cursors, versions of posts, imports and what was told may be lost") {
		t.Errorf("the events are %q", texts)
	}
}

// imported takes n samples into the post, and fails behind the last when told to.
func imported(t *testing.T, s *Store, n int64, fails error) error {
	t.Helper()
	var rows iter.Seq[ImportRow] = func(yield func(ImportRow) bool) {
		for i := range n {
			if !yield(ImportRow{Post: "combi", Site: "s", Oven: "o", Probe: "p", Sample: sample(i + 1)}) {
				return
			}
		}
	}
	_, err := s.Import(t.Context(), Import{Who: "R. Okafor", File: "old.csv", At: noon(), Rows: rows,
		Refuse: func(why error) { t.Error(why) }, Failed: func() error { return fails }})
	return err
}

// After an import the record knows at once how far the post is.
func TestAnImportIsKnownAtOnce(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir, Options{})
	if err := imported(t, s, 50, nil); err != nil {
		t.Fatal(err)
	}
	s.mu.Lock()
	var post int32
	for p, name := range s.queue.names {
		if name == "imported/combi" {
			post = p
		}
	}
	got := s.queue.last[post]
	s.mu.Unlock()
	if want := (mark{50, sample(50).At.UnixNano()}); post == 0 || got != want {
		t.Errorf("post %d is known up to %+v, want %+v", post, got, want)
	}
	f := must(os.Open(filepath.Join(dir, sidecarName)))
	defer f.Close()
	if p, _, err := readSidecar(f); err != nil || p.last[post] != got {
		t.Errorf("beside the record is %+v, %v", p, err)
	}
}

// What was read in an import that came to nothing is forgotten: the number of its
// version of a post is given again, to one whose samples hold for longer.
func TestNothingStaysOfAnImportThatFailed(t *testing.T) {
	s := open(t, t.TempDir(), Options{})
	if err := imported(t, s, importRows+10, errBroken); !errors.Is(err, errBroken) {
		t.Fatal(err)
	}
	register(t, s, post("fryer"))
	x := samples(1, 100)
	for i := range x {
		x[i].At = noon().Add(time.Duration(i) * time.Second)
	}
	s.Append(0, x)
	flushed(t, s)
	merged(t, s, true)
	all, err := s.Chart(t.Context(), "fryer", noon().Truncate(time.Minute), noon().Truncate(time.Minute).Add(2*time.Minute), 2)
	if err != nil || len(all) == 0 || all[0].Seen < 50*time.Second {
		t.Errorf("the sums are %+v, %v: want nearly a minute seen", all, err)
	}
	if v, err := s.Verify(t.Context()); err != nil || !v.Intact() {
		t.Errorf("after it: %v %+v", err, v.Problems)
	}
}
