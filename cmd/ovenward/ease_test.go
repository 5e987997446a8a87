package main

import (
	"context"
	"errors"
	"slices"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"ovenward/acquire"
)

// A program goes on one processor after ten looks that found little to do, has all again
// at the first that finds much, and when it ends.
func TestOneProcessorAtEase(t *testing.T) {
	type turn struct {
		seconds int
		share   float64 // of a core
		alone   bool    // at the end of it
	}
	for _, c := range []struct {
		name  string
		turns []turn
	}{
		{"at rest from the start", []turn{{longCalm - 1, 0.01, false}, {1, 0.01, true}, {100, 0.01, true}}},
		{"a start takes much", []turn{{3, 0.9, false}, {longCalm - 1, 0.01, false}, {1, 0.01, true}}},
		{"what is neither little nor much changes nothing", []turn{{100, 0.09, false}, {longCalm, 0.05, true}, {100, 0.09, true}}},
		{"once much, and all is had again for long", []turn{{20, 0.01, true}, {1, 0.13, false}, {longCalm - 1, 0.01, false}, {1, 0.01, true}}},
		{"never calm for long", []turn{{longCalm - 1, 0.01, false}, {1, 0.07, false}, {longCalm - 1, 0.01, false}}},
	} {
		t.Run(c.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				var used atomic.Int64
				var mu sync.Mutex
				var said []bool
				e := &ease{used: func() (time.Duration, error) { return time.Duration(used.Load()), nil }, set: func(alone bool) {
					mu.Lock()
					defer mu.Unlock()
					said = append(said, alone)
				}}
				soFar := func() []bool {
					mu.Lock()
					defer mu.Unlock()
					return slices.Clone(said)
				}
				ctx, cancel := context.WithCancel(t.Context())
				done := make(chan error)
				go func() { done <- e.Run(ctx, acquire.Timers{}) }()
				synctest.Wait()
				alone := false
				for _, turn := range c.turns {
					for range turn.seconds {
						used.Add(int64(turn.share * float64(time.Second)))
						time.Sleep(time.Second) // the bubble's clock
						synctest.Wait()
					}
					said := soFar()
					if n := len(said); (n > 0 && said[n-1]) != turn.alone {
						t.Fatalf("after %d s at %g of a core: %v; want it alone: %v", turn.seconds, turn.share, said, turn.alone)
					}
					alone = turn.alone
				}
				cancel()
				if err := <-done; err != nil {
					t.Fatal(err)
				}
				if n := len(said); alone && said[n-1] {
					t.Error("it ends on one processor")
				}
				if i := slices.Index(said, false); i == 0 {
					t.Error("it was given all processors, which it had")
				}
			})
		})
	}
}

// A page that somebody asks for has all processors at once, and for as long as after much
// work; what asks by the second or the minute has no need of them.
func TestAskedForPagesHaveAllProcessors(t *testing.T) {
	var said []bool
	e := &ease{set: func(alone bool) { said = append(said, alone) }}
	calm := func(looks int) {
		for range looks {
			e.look(time.Millisecond, time.Second)
		}
	}
	calm(longCalm)
	for _, path := range []string{"/metrics", "/api/v1/live", "/-/healthy"} {
		e.asked(path)
	}
	if !slices.Equal(said, []bool{true}) {
		t.Fatalf("%v after what takes little", said)
	}
	e.asked("/reports")
	calm(longCalm - 1)
	e.asked("/")
	calm(longCalm - 1)
	if !slices.Equal(said, []bool{true, false}) {
		t.Fatalf("%v after two pages", said)
	}
	calm(1)
	if !slices.Equal(said, []bool{true, false, true}) {
		t.Errorf("%v when it was calm for long again", said)
	}
	(*ease)(nil).asked("/")
}

// Nobody says how much is used: then all processors are had.
func TestAllProcessorsWhereNobodyKnows(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var said []bool
		looks := 0
		e := &ease{set: func(alone bool) { said = append(said, alone) }, used: func() (time.Duration, error) {
			if looks++; looks > 20 {
				return 0, errors.New("not permitted")
			}
			return 0, nil
		}}
		if err := e.Run(t.Context(), acquire.Timers{}); err != nil || !slices.Equal(said, []bool{true, false}) {
			t.Errorf("%v, %v", said, err)
		}
	})
}
