package main

import (
	"io"
	"strings"
	"testing"
	"time"
)

// TestStuckLogHoldsNothingUp writes to a log that nobody reads.
func TestStuckLogHoldsNothingUp(t *testing.T) {
	r, pipe := io.Pipe()
	w := newLogWriter(pipe)
	began := time.Now()
	for range 3 * logLines {
		if _, err := w.Write([]byte("a line\n")); err != nil {
			t.Fatal(err)
		}
	}
	w.Close()
	if took := time.Since(began); took > 2*time.Second {
		t.Errorf("%v for a log that nobody reads", took)
	}
	r.Close() // frees the goroutine
	<-w.done
}

func TestLogSaysWhatItDropped(t *testing.T) {
	r, pipe := io.Pipe()
	w := newLogWriter(pipe)
	for range 2 * logLines {
		w.Write([]byte("a line\n"))
	}
	all := make(chan string)
	go func() {
		b, _ := io.ReadAll(r)
		all <- string(b)
	}()
	waitFor(t, 10*time.Second, "the log to drain", func() bool { return len(w.lines) == 0 })
	w.Write([]byte("the last\n"))
	w.Close()
	<-w.done
	pipe.Close()
	got := <-all
	if !strings.Contains(got, "lines of the log were dropped") || !strings.HasSuffix(got, "the last\n") {
		t.Errorf("the log ends with %q", got[max(0, len(got)-200):])
	}
}
