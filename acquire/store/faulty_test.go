package store

import (
	"context"
	"log/slog"
	"strings"
	"sync"
)

// faults is a disk that can be made to fail.
type faults struct {
	mu    sync.Mutex
	fails func(Step) error
	seen  map[Step]int
}

func (f *faults) set(fails func(Step) error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.fails, f.seen = fails, map[Step]int{}
}

func (f *faults) at(s Step) error {
	f.mu.Lock()
	fails := f.fails
	if fails != nil {
		f.seen[s]++
	}
	f.mu.Unlock()
	if fails == nil {
		return nil
	}
	return fails(s) // which may hang
}

func (f *faults) times(s Step) int {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.seen[s]
}

// lines counts what is logged.
type lines struct {
	slog.Handler
	mu  sync.Mutex
	all []string
}

func logger() (*slog.Logger, *lines) {
	l := &lines{Handler: slog.DiscardHandler}
	return slog.New(l), l
}

func (l *lines) Enabled(context.Context, slog.Level) bool { return true }

func (l *lines) Handle(_ context.Context, r slog.Record) error {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.all = append(l.all, r.Level.String()+" "+r.Message)
	return nil
}

func (l *lines) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return strings.Join(l.all, "; ")
}
