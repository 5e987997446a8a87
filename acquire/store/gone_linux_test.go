package store

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// SQLite goes on writing into a file that was removed, moved or replaced, and says
// nothing. So it is looked at: nothing counts as kept until it is back.
func TestFileThatIsGone(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir, Options{closes: closeWithin})
	register(t, s, post("fryer"))
	s.Append(0, samples(1, 100))
	flushed(t, s)
	file, aside := filepath.Join(dir, FileName), filepath.Join(t.TempDir(), "aside")
	gone := func(what string, seq int64) {
		t.Helper()
		s.Append(0, samples(seq, seq+9))
		if err := s.Flush(t.Context()); !errors.Is(err, errGone) {
			t.Errorf("with its file %s, a commit says %v", what, err)
		}
		if err := s.Err(); err == nil || !strings.Contains(err.Error(), "put that file back into "+dir) {
			t.Errorf("with its file %s, the record says %v", what, err)
		}
		if got := s.Stats().Pending; got != int(seq+9-100) {
			t.Errorf("with its file %s, %d samples wait", what, got)
		}
	}
	if err := os.Rename(file, aside); err != nil {
		t.Fatal(err)
	}
	gone("moved", 101)
	if _, err := os.Stat(file); err == nil {
		t.Error("another file was made in its place")
	}
	if err := os.WriteFile(file, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	gone("replaced", 111)
	if err := os.Rename(aside, file); err != nil {
		t.Fatal(err)
	}
	flushed(t, s)
	if err := s.Err(); err != nil {
		t.Errorf("with its file back, the record says %v", err)
	}
	if got := everything(t, s.Reader, "fryer"); len(got) != 120 {
		t.Errorf("%d samples of 120 are kept", len(got))
	}
	if err := os.Remove(file); err != nil {
		t.Fatal(err)
	}
	s.Append(0, samples(121, 125))
	if err := s.Close(); !errors.Is(err, errGone) || !strings.Contains(err.Error(), "5 samples") {
		t.Errorf("closed without its file, the record says %v", err)
	}
}

// The lock's file is anybody's to tidy away: it is taken again with the next commit.
func TestLockThatIsGone(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir, Options{})
	register(t, s, post("fryer"))
	file := filepath.Join(dir, lockName)
	if err := os.Remove(file); err != nil {
		t.Fatal(err)
	}
	s.Append(0, samples(1, 10))
	flushed(t, s)
	if _, err := Open(dir, Options{}); !errors.Is(err, ErrInUse) {
		t.Errorf("a second one is let in: %v", err)
	}
	// One that came first keeps ours out.
	if err := os.Remove(file); err != nil {
		t.Fatal(err)
	}
	other := must(lock(dir))
	s.Append(0, samples(11, 20))
	if err := s.Flush(t.Context()); !errors.Is(err, ErrInUse) {
		t.Errorf("with another one's lock, a commit says %v", err)
	}
	if err := other.Close(); err != nil {
		t.Fatal(err)
	}
	flushed(t, s)
	if got := everything(t, s.Reader, "fryer"); len(got) != 20 {
		t.Errorf("%d samples of 20 are kept", len(got))
	}
}

// A copy never takes the place of the record, nor of another one in use.
func TestBackupNeverOverARecord(t *testing.T) {
	dir, other := t.TempDir(), t.TempDir()
	s := open(t, dir, Options{})
	open(t, other, Options{})
	register(t, s, post("fryer"))
	s.Append(0, samples(1, 100))
	flushed(t, s)
	link := filepath.Join(t.TempDir(), "link")
	if err := os.Symlink(dir, link); err != nil {
		t.Fatal(err)
	}
	for file, want := range map[string]string{
		filepath.Join(dir, FileName):        "the record itself lies there",
		filepath.Join(link, FileName):       "the record itself lies there",
		filepath.Join(dir, FileName+"-wal"): "the record itself lies there",
		filepath.Join(dir, sidecarName):     "the record itself lies there",
		filepath.Join(other, FileName):      "is or was in use there",
		other:                               "it is a folder",
	} {
		for _, replace := range []bool{false, true} {
			if _, err := s.Backup(t.Context(), file, replace); err == nil || !strings.Contains(err.Error(), want) {
				t.Errorf("a copy to %s, replacing %v, gives %v, want %q", file, replace, err, want)
			}
		}
	}
	s.Append(0, samples(101, 200))
	flushed(t, s)
	if got := everything(t, s.Reader, "fryer"); len(got) != 200 {
		t.Errorf("%d samples of 200 are kept", len(got))
	}
}
