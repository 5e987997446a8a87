package main

import (
	"context"
	"slices"
	"sync"
	"time"

	"ovenward/acquire"
)

// ease decides whether the program runs on one processor or on all that it may have. For
// each poll Go wakes a second thread to look for work that there may be. At rest there is
// none: to wake one thread alone saves a fifth of the time that the program takes.
type ease struct {
	used func() (time.Duration, error) // processor time of the program so far
	set  func(alone bool)

	mu    sync.Mutex
	never bool // a probe talks by itself
	alone bool
	calm  int // looks in a row that found little to do
}

const (
	easeEvery = time.Second // a whole one, as others wait for: one wake-up serves all
	little    = 0.03        // of a core
	longCalm  = 10          // looks
)

// Run looks until ctx ends, or nobody says how much is used; then it is on all.
func (e *ease) Run(ctx context.Context, beat acquire.Sleeper) error {
	defer func() {
		e.mu.Lock()
		defer e.mu.Unlock()
		e.turn(false)
	}()
	since := time.Now()
	before, err := e.used()
	for err == nil {
		now := time.Now()
		if beat.SleepUntil(ctx, now.Add(acquire.UntilBeat(now, easeEvery))) != nil {
			return nil
		}
		var used time.Duration
		now = time.Now()
		if used, err = e.used(); err == nil && now.Sub(since) >= easeEvery/2 { // shorter where the clock was set
			e.look(used-before, now.Sub(since))
			since, before = now, used
		}
	}
	return err
}

// look takes note of how much the program used in a span.
func (e *ease) look(used, span time.Duration) {
	e.mu.Lock()
	defer e.mu.Unlock()
	if e.calm++; used.Seconds() > little*span.Seconds() {
		e.calm = 0
	}
	e.turn(e.calm >= longCalm)
}

// watches says what posts are watched. Where a probe talks by itself the program never goes
// alone: a sample is stamped when it is read, and must not be read late.
func (e *ease) watches(posts []acquire.Post) {
	if e == nil {
		return
	}
	e.mu.Lock()
	defer e.mu.Unlock()
	e.never = slices.ContainsFunc(posts, func(p acquire.Post) bool { return p.Probe.Period == 0 })
	e.turn(e.alone)
}

// asked has all processors at once where it may take long what somebody asks for: polls
// must not wait for it.
func (e *ease) asked(path string) {
	if !slices.Contains([]string{"/metrics", "/api/v1/live", "/-/healthy", "/-/ready"}, path) {
		e.hurry()
	}
}

// hurry has all processors at once, for something long may begin.
func (e *ease) hurry() {
	if e == nil {
		return
	}
	e.mu.Lock()
	defer e.mu.Unlock()
	e.calm = 0
	e.turn(false)
}

// turn goes on alone, or no longer.
func (e *ease) turn(alone bool) {
	if alone = alone && !e.never; alone != e.alone {
		e.alone = alone
		e.set(alone)
	}
}
