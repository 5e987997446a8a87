package main

import (
	"context"
	"log/slog"
	"strings"
	"sync"
	"time"
)

const (
	// sumEvery is how far apart two lines of a kind are that somebody on the network
	// may cause as often as they like.
	sumEvery = time.Minute
	// mostKinds is how many kinds of lines are told apart.
	mostKinds = 64
	// otherLines is the kind of those beyond.
	otherLines = "other lines"
)

// sparing bounds what visitors can have written into the log. Of each kind of line the
// first is written at once; further ones are counted, and each minute the newest of
// them is written with their number ('times'). Lines at Info pass: they tell of what
// was done by somebody who may.
type sparing struct {
	now   func() time.Time
	begun chan struct{} // something is counted

	mu    sync.Mutex
	kinds map[string]*kindOfLine
}

// kindOfLine is one kind in one minute.
type kindOfLine struct {
	ends   time.Time
	times  int // not told yet
	newest slog.Record
	to     slog.Handler
}

func newSparing(now func() time.Time) *sparing {
	return &sparing{now: now, begun: make(chan struct{}, 1), kinds: map[string]*kindOfLine{}}
}

// log makes of a log one that is sparing.
func (s *sparing) log(log *slog.Logger) *slog.Logger {
	return slog.New(sparingHandler{log.Handler(), s})
}

// Run writes the sums until ctx ends, and then what is still counted.
func (s *sparing) Run(ctx context.Context) error {
	due := time.NewTimer(0)
	defer due.Stop()
	for {
		due.Stop()
		if wait := s.sum(s.now()); wait > 0 {
			due.Reset(wait)
		}
		select {
		case <-due.C:
		case <-s.begun:
		case <-ctx.Done():
			s.sum(s.now().Add(sumEvery))
			return nil
		}
	}
}

// sum writes the sums that are due at now, and says how long until the next; 0 when
// nothing is counted.
func (s *sparing) sum(now time.Time) (wait time.Duration) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for name, k := range s.kinds {
		left := k.ends.Sub(now)
		switch {
		case left <= 0 && k.times == 0:
			delete(s.kinds, name)
			continue
		case left <= 0:
			line := k.newest.Clone()
			line.AddAttrs(slog.Int("times", k.times))
			_ = k.to.Handle(context.Background(), line) // where a log cannot be written, nobody can be told
			*k = kindOfLine{ends: now.Add(sumEvery)}
		case k.times > 0 && (wait == 0 || left < wait):
			wait = left
		}
	}
	return wait
}

// first says whether a line is the first of its kind, and counts it if it is not.
func (s *sparing) first(to slog.Handler, line slog.Record) bool {
	name, _, _ := strings.Cut(line.Message, " from ") // net/http says from whom in the text
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.kinds[name] == nil && len(s.kinds) >= mostKinds {
		name = otherLines
	}
	now := s.now()
	k := s.kinds[name]
	if k == nil || k.times == 0 && !now.Before(k.ends) {
		s.kinds[name] = &kindOfLine{ends: now.Add(sumEvery)}
		return true
	}
	k.times++
	k.newest, k.to = line.Clone(), to
	if k.times == 1 {
		select {
		case s.begun <- struct{}{}:
		default:
		}
	}
	return false
}

// sparingHandler is a slog.Handler that a sparing stands before.
type sparingHandler struct {
	slog.Handler
	s *sparing
}

// Handle implements slog.Handler.
func (h sparingHandler) Handle(ctx context.Context, line slog.Record) error {
	if line.Level == slog.LevelInfo || h.s.first(h.Handler, line) {
		return h.Handler.Handle(ctx, line)
	}
	return nil
}

// WithAttrs implements slog.Handler.
func (h sparingHandler) WithAttrs(all []slog.Attr) slog.Handler {
	return sparingHandler{h.Handler.WithAttrs(all), h.s}
}

// WithGroup implements slog.Handler.
func (h sparingHandler) WithGroup(name string) slog.Handler {
	return sparingHandler{h.Handler.WithGroup(name), h.s}
}
