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

// A program goes on one processor after ten looks that found little to do, and has all again
// at the first that finds more, and when it ends.
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
		{"as much as is little", []turn{{longCalm, 0.029, true}, {1, 0.031, false}, {longCalm - 1, 0.01, false}, {1, 0.01, true}}},
		{"never calm for long", []turn{{longCalm - 1, 0.01, false}, {1, 0.04, false}, {longCalm - 1, 0.01, false}}},
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
				done := make(chan error, 1)
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
	for _, path := range []string{"/metrics", "/api/v1/live", "/-/healthy", "/-/ready"} {
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
	e.hurry()
	if n := len(said); n != 4 || said[3] {
		t.Errorf("%v when the configuration is loaded", said)
	}
}

// A sample of a probe that talks by itself is stamped when it is read, so it is read at once.
func TestAllProcessorsForProbesThatTalk(t *testing.T) {
	var said []bool
	e := &ease{set: func(alone bool) { said = append(said, alone) }}
	calm := func() []bool {
		for range 2 * longCalm {
			e.look(time.Millisecond, time.Second)
		}
		return said
	}
	asks := acquire.Post{Probe: acquire.Probe{Period: time.Second}}
	talks := acquire.Post{Probe: acquire.Probe{Period: 0}}
	e.watches([]acquire.Post{asks, talks})
	if said := calm(); len(said) > 0 {
		t.Errorf("%v where one talks", said)
	}
	e.watches([]acquire.Post{asks})
	if said := calm(); !slices.Equal(said, []bool{true}) {
		t.Errorf("%v when it is gone", said)
	}
	e.watches([]acquire.Post{talks, asks})
	if said := calm(); !slices.Equal(said, []bool{true, false}) {
		t.Errorf("%v when it is back", said)
	}
}

// A look of a moment, as after the clock was set, is none.
func TestAMomentIsNoLook(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithCancel(t.Context())
		looks, turns := 0, 0
		e := &ease{set: func(bool) { turns++ }, used: func() (time.Duration, error) {
			if looks++; looks == 200 {
				cancel()
			}
			return 0, nil
		}}
		if err := e.Run(ctx, momentary{}); err != nil || looks < 200 || turns != 0 {
			t.Errorf("%v; after %d looks %d turns", err, looks, turns)
		}
	})
}

// momentary is a Sleeper that sleeps for a moment, whatever it is asked for.
type momentary struct{}

func (momentary) SleepUntil(ctx context.Context, _ time.Time) error {
	time.Sleep(time.Millisecond) // the bubble's clock
	return ctx.Err()
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
		if err := e.Run(t.Context(), acquire.Timers{}); err == nil || err.Error() != "not permitted" || !slices.Equal(said, []bool{true, false}) {
			t.Errorf("%v, %v", said, err)
		}
	})
}
