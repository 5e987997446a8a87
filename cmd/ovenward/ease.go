package main

import (
	"context"
	"strings"
	"sync"
	"time"

	"ovenward/acquire"
)

// ease decides whether the program runs on one processor or on all that it may have. For
// each poll Go wakes a second thread to look for work that there may be. At rest there is
// none: to wake one thread alone saves a fifth of the time that the program takes, and a
// twentieth of its memory.
type ease struct {
	used func() (time.Duration, error) // processor time of the program so far
	set  func(alone bool)

	mu    sync.Mutex
	alone bool
	calm  int // looks in a row that found little to do
}

const (
	easeEvery = time.Second // a whole one, as others wait for: one wake-up serves all
	little    = 0.06        // of a core
	much      = 0.12
	longCalm  = 10 // looks
)

// Run looks until ctx ends, or nobody says how much is used; then it is on all.
func (e *ease) Run(ctx context.Context, beat acquire.Sleeper) error {
	before, err := e.used()
	for at := time.Now(); err == nil; {
		if beat.SleepUntil(ctx, at.Add(at.Truncate(easeEvery).Add(easeEvery).Sub(at))) != nil {
			break
		}
		now := time.Now()
		var used time.Duration
		if used, err = e.used(); err == nil {
			e.look(used-before, now.Sub(at))
		}
		at, before = now, used
	}
	e.mu.Lock()
	defer e.mu.Unlock()
	e.turn(false)
	return nil
}

// look takes note of how much the program used in a span.
func (e *ease) look(used, span time.Duration) {
	e.mu.Lock()
	defer e.mu.Unlock()
	share := used.Seconds() / span.Seconds()
	e.calm++
	if share > little {
		e.calm = 0
	}
	e.turn(e.calm >= longCalm || e.alone && share <= much)
}

// asked has all processors at once where the answer may take long: polls must not wait
// for it. What is asked by the second or the minute takes little.
func (e *ease) asked(path string) {
	if e == nil || path == "/metrics" || path == "/api/v1/live" || strings.HasPrefix(path, "/-/") {
		return
	}
	e.mu.Lock()
	defer e.mu.Unlock()
	e.calm = 0
	e.turn(false)
}

// turn goes on alone, or no longer.
func (e *ease) turn(alone bool) {
	if alone != e.alone {
		e.alone = alone
		e.set(alone)
	}
}
