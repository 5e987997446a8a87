package main

import (
	"fmt"
	"io"
	"sync"
	"time"
)

const (
	logLines = 1024                   // wait at most
	logFlush = 200 * time.Millisecond // for what waits, at the end
)

// logWriter passes log lines on without ever waiting for whoever reads them: a
// paused terminal or a full pipe may not stop a probe from being read. Lines
// that find no room are dropped and counted.
type logWriter struct {
	to    io.Writer
	lines chan []byte
	done  chan struct{}

	mu      sync.Mutex
	closed  bool
	dropped int
}

func newLogWriter(to io.Writer) *logWriter {
	w := &logWriter{to: to, lines: make(chan []byte, logLines), done: make(chan struct{})}
	go w.run()
	return w
}

func (w *logWriter) run() {
	defer close(w.done)
	for line := range w.lines {
		w.to.Write(line) // where a log cannot be written, nobody can be told
	}
}

// Write takes one line. It never waits and never fails.
func (w *logWriter) Write(line []byte) (int, error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.closed {
		return len(line), nil
	}
	if w.dropped > 0 && w.offer(fmt.Appendf(nil, "ovenward: %d lines of the log were dropped, for nobody read them\n", w.dropped)) {
		w.dropped = 0
	}
	if !w.offer(append([]byte(nil), line...)) {
		w.dropped++
	}
	return len(line), nil
}

func (w *logWriter) offer(line []byte) bool {
	select {
	case w.lines <- line:
		return true
	default:
		return false
	}
}

// Close writes what waits, for a moment.
func (w *logWriter) Close() {
	w.mu.Lock()
	if !w.closed {
		w.closed = true
		close(w.lines)
	}
	w.mu.Unlock()
	select {
	case <-w.done:
	case <-time.After(logFlush): // the reader is stuck, and so is our goroutine; the program ends
	}
}
