package clockfile

import (
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"ovenward/acquire"
)

// A pipe in the file's place would have whoever opens it wait.
func TestReadingNeverWaits(t *testing.T) {
	d := newDesk(t)
	if err := unix.Mkfifo(d.path, 0o600); err != nil {
		t.Fatal(err)
	}
	read := make(chan error, 1)
	go func() { _, err := d.read(); read <- err }()
	select {
	case err := <-read:
		if err == nil || !strings.Contains(err.Error(), "it is no file") {
			t.Errorf("it says %v", err)
		}
	case <-time.After(20 * time.Second):
		t.Fatal("it waits for whoever writes into the pipe")
	}
}

// The clocks of this machine go on, and its kernel's word goes through a real file.
func TestThisMachine(t *testing.T) {
	path := filepath.Join(t.TempDir(), "state")
	first, err := SystemClocks()
	if err != nil {
		t.Fatal(err)
	}
	if err := Renew(path, SystemClocks, acquire.SystemClock()); err != nil {
		t.Fatal(err)
	}
	kernel, err := acquire.SystemClock()()
	if err != nil {
		t.Fatal(err)
	}
	got, err := Source(path, SystemClocks)()
	if err != nil || got.Synchronised != kernel.Synchronised || got.MaxError < kernel.MaxError {
		t.Errorf("the file says %+v, %v, the kernel %+v", got, err, kernel)
	}
	second, err := SystemClocks()
	if err != nil || second.Boot != first.Boot || len(first.Boot) != 36 || second.Since <= first.Since || time.Since(second.Wall).Abs() > time.Minute {
		t.Errorf("%+v after %+v, %v", second, first, err)
	}
}

// A reader beside a writer finds whole words only.
func TestWordsAreReplacedWhole(t *testing.T) {
	path := filepath.Join(t.TempDir(), "state")
	w := said()
	if err := Write(path, w); err != nil {
		t.Fatal(err)
	}
	var writer sync.WaitGroup
	writer.Go(func() {
		for i := range 2000 {
			w.Said.MaxError = time.Duration(i%16) * time.Second // of several lengths
			if err := Write(path, w); err != nil {
				t.Error(err)
				return
			}
		}
	})
	done := make(chan struct{})
	go func() { writer.Wait(); close(done) }()
	for n := 0; ; n++ {
		text, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := Parse(text); err != nil {
			t.Fatalf("%q: %v", text, err)
		}
		select {
		case <-done:
			t.Logf("read %d times", n)
			return
		default:
		}
	}
}
