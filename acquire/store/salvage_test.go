package store

import (
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"ovenward/acquire/alarm"
)

// crashed copies what a crash leaves of the record in dir.
func crashed(t testing.TB, dir string) string {
	t.Helper()
	to := t.TempDir()
	for _, name := range []string{FileName, FileName + "-wal", sidecarName} {
		b, err := os.ReadFile(filepath.Join(dir, name))
		if err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(filepath.Join(to, name), b, 0o640); err != nil {
			t.Fatal(err)
		}
	}
	return to
}

// secondly records n seconds of 10 samples, each its own commit, an alarm on the
// way, and leaves all of it in the log.
func secondly(t testing.TB, s *Store, n int64) {
	t.Helper()
	for i := range n {
		s.Append(0, samples(10*i+1, 10*i+10))
		if i == n/2 {
			s.Record(raise("fryer", alarm.Exceeds, noon()))
		}
		drained(t, s)
	}
}

// Wherever a bit of the log flips, what SQLite drops is read all the same: at
// most the one commit that was hit is lost, and it is named.
func TestFlippedLog(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir, Options{CommitEvery: 1})
	register(t, s, post("fryer"))
	s.works <- func(w *writer) { w.unfolded = true; w.checkpoint("TRUNCATE") }
	const n = 30
	secondly(t, s, n)
	left := crashed(t, dir)
	size := len(must(os.ReadFile(filepath.Join(left, FileName+"-wal"))))
	if size < n*chunkPage/2 {
		t.Fatalf("the log has %d bytes: nothing to try", size)
	}
	random := rand.New(rand.NewPCG(7, 9))
	for i := range 16 {
		at := random.IntN(size)
		if i < 6 {
			at = 5 * i // the log's head
		}
		to := crashed(t, left)
		path := filepath.Join(to, FileName+"-wal")
		b := must(os.ReadFile(path))
		b[at] ^= 1 << random.IntN(8)
		if err := os.WriteFile(path, b, 0o640); err != nil {
			t.Fatal(err)
		}
		r := open(t, to, Options{})
		got := everything(t, r.Reader, "fryer")
		if lost := 10*n - len(got); lost > 10 {
			t.Errorf("a bit at %d of the log costs %d samples: %s", at, lost, numbers(got))
		} else if lost > 0 && !strings.Contains(eventTexts(t, r), "are lost") {
			drained(t, r)
			if !strings.Contains(eventTexts(t, r), "are lost") {
				t.Errorf("a bit at %d of the log costs %d samples, and nothing says so: %s", at, lost, eventTexts(t, r))
			}
		}
		if a := r.Alarms(); len(a) != 1 || !a[0].State.Standing() {
			t.Errorf("a bit at %d of the log costs the alarm", at)
		}
		if v, err := r.Verify(t.Context()); err != nil || !v.Intact() {
			t.Errorf("after a bit at %d: %v %+v", at, err, v.Problems)
		}
		shut(t, r)
	}
}

func must[T any](v T, err error) T {
	if err != nil {
		panic(err)
	}
	return v
}

func eventTexts(t testing.TB, s *Store) string {
	t.Helper()
	var all []string
	for _, e := range events(t, s.Reader) {
		all = append(all, e.Text)
	}
	return strings.Join(all, "; ")
}

// A log that is gone is missed, and told by numbers and instants.
func TestLostTailIsNamed(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir, Options{CommitEvery: 1})
	register(t, s, post("fryer"))
	s.Append(0, samples(1, 10))
	drained(t, s)
	s.works <- func(w *writer) { w.checkpoint("TRUNCATE") }
	s.Append(0, samples(11, 35))
	drained(t, s)
	s.works <- func(*writer) {} // it has named its last commit, which it does after telling of it
	to := crashed(t, dir)
	if err := os.Truncate(filepath.Join(to, FileName+"-wal"), 0); err != nil {
		t.Fatal(err)
	}
	r := open(t, to, Options{})
	drained(t, r)
	if got := numbers(everything(t, r.Reader, "fryer")); got != "1-10" {
		t.Errorf("samples %s", got)
	}
	texts := eventTexts(t, r)
	if !strings.Contains(texts, "samples 11 to 35, between 2031-05-20T12:00:01.123Z and 2031-05-20T12:00:03.623Z") {
		t.Errorf("the loss is told as %q", texts)
	}
	if st := r.Stats(); st.Damaged == 0 {
		t.Error("the loss is not counted")
	}
	shut(t, r)
	if r = open(t, to, Options{}); r.Stats().Damaged != 0 {
		t.Error("a loss that was told is told again")
	}
}
