package store

import (
	"errors"
	"os"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"ovenward/acquire"
)

// A copy that is made while the daemon records is whole, proves itself, and goes
// on as a record.
func TestBackupBesideWriter(t *testing.T) {
	s := open(t, t.TempDir(), Options{CommitEvery: 4 * time.Millisecond})
	register(t, s, post("fryer"))
	s.Append(0, samples(1, 5000))
	flushed(t, s)
	merged(t, s, false)
	r, err := OpenReadOnly(s.dir)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	stop, n := make(chan struct{}), int64(5001)
	var wg sync.WaitGroup
	wg.Go(func() {
		for {
			select {
			case <-stop:
				return
			default:
				s.Append(0, []acquire.Sample{sample(n)})
				n++
			}
		}
	})
	to := t.TempDir()
	file := filepath.Join(to, FileName)
	size, err := r.Backup(t.Context(), file, false)
	close(stop)
	wg.Wait()
	if err != nil {
		t.Fatal(err)
	}
	if st := must(os.Stat(file)); st.Size() != size || st.Mode().Perm()&0o037 != 0 {
		t.Errorf("the copy has %d bytes and mode %v, told were %d", st.Size(), st.Mode(), size)
	}
	if all := must(os.ReadDir(to)); len(all) != 1 {
		t.Errorf("beside the copy lie %v", all)
	}
	c := open(t, to, Options{})
	got := everything(t, c.Reader, "fryer")
	if len(got) < 5000 || int64(len(got)) != got[len(got)-1].Seq {
		t.Errorf("the copy has %s", numbers(got))
	}
	if v, err := c.Verify(t.Context()); err != nil || !v.Intact() {
		t.Errorf("the copy: %v %+v", err, v.Problems)
	}
	register(t, c, post("fryer"))
	c.Append(0, []acquire.Sample{sample(got[len(got)-1].Seq + 1)})
	shut(t, c)
}

func TestBackupKeepsWhatIsThere(t *testing.T) {
	s := open(t, t.TempDir(), Options{})
	register(t, s, post("fryer"))
	file := filepath.Join(t.TempDir(), "copy.db")
	if err := os.WriteFile(file, []byte("precious"), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := s.Backup(t.Context(), file, false); !errors.Is(err, ErrExists) {
		t.Errorf("a copy over a file gives %v", err)
	}
	if b := must(os.ReadFile(file)); string(b) != "precious" {
		t.Error("the file was overwritten")
	}
	if _, err := s.Backup(t.Context(), file, true); err != nil {
		t.Error(err)
	}
	if _, err := s.Backup(t.Context(), filepath.Join(t.TempDir(), "nowhere", "copy.db"), false); err == nil {
		t.Error("a copy into no folder gives no error")
	}
}
