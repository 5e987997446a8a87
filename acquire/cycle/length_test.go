package cycle

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"ovenward/acquire/quantity"
)

// A run never emits for longer than it lasts, whatever comes: rapid polls and slow
// ones, pauses, silence, no value, over range, and looks by the clock in between.
func TestARunEmitsNoLongerThanItLasts(t *testing.T) {
	for seed := range uint64(400) {
		rng := rand.New(rand.NewPCG(seed, 77))
		r := NewRuns(Options{Floor: floor, Gap: gap, Response: time.Duration(rng.IntN(2)) * time.Second, Stale: time.Duration(1+rng.IntN(200)) * time.Second})
		level := func() quantity.PowerDensity { return quantity.PowerDensity(math.Abs(0.03 * rng.NormFloat64())) }
		at, told, end := time.Duration(0), 0, time.Duration(-1)
		look := func() {
			if n, run := r.Finished(); n > told {
				told = n
				if run.On > run.End-run.Start || run.OverRange > run.On || run.Last > run.End || run.Last < run.Start || run.Start < end ||
					float64(run.Energy) > float64(run.Peak)*run.On.Seconds()*(1+1e-9) || !(run.Duty() <= 1) {
					t.Fatalf("seed %d: run %d, the one before up to %v: %+v", seed, n, end, run)
				}
				end = run.End
			}
		}
		for range 3000 {
			switch rng.IntN(40) {
			case 0:
				at += time.Duration(rng.Int64N(int64(3 * gap))) // silence
			case 1:
				r.Observe(at, quantity.PowerDensity(math.NaN()))
			case 2:
				r.Advance(at)
			case 3: // it goes on or off
				x := quantity.PowerDensity(40 * rng.Float64())
				if rng.IntN(3) == 0 {
					x = 0
				}
				level = func() quantity.PowerDensity {
					return max(0, x+quantity.PowerDensity(0.03*rng.NormFloat64()))
				}
			case 4:
				r.Observe(at, quantity.PowerDensity(math.Inf(1)))
			default:
				r.Observe(at, level())
			}
			look()
			at += time.Duration(1 + rng.Int64N(int64([]time.Duration{poll, time.Second, 20 * time.Second}[rng.IntN(3)])))
		}
		if told < 3 {
			t.Fatalf("seed %d: only %d runs", seed, told)
		}
	}
}

// What a value held for before a silence counts once, and up to where no value was
// known it counts no longer.
func TestAValueHoldsOnce(t *testing.T) {
	for _, c := range []struct {
		name string
		then func(r *Runs)
		on   time.Duration
	}{
		{"silence", func(r *Runs) { r.Observe(10*time.Minute, 0) }, 14 * time.Second},
		{"silence that was looked at", func(r *Runs) { r.Advance(5 * time.Minute); r.Observe(10*time.Minute, 0) }, 14 * time.Second},
		{"no value", func(r *Runs) {
			r.Observe(191*time.Second, quantity.PowerDensity(math.NaN()))
			r.Observe(192*time.Second, quantity.PowerDensity(math.NaN()))
			r.Observe(10*time.Minute, 0)
		}, 11 * time.Second},
	} {
		r := NewRuns(Options{Floor: floor, Gap: gap, Stale: 4 * time.Second})
		for at := time.Duration(0); at <= 190*time.Second; at += time.Second {
			x := quantity.PowerDensity(0)
			if at >= 180*time.Second {
				x = 5
			}
			r.Observe(at, x)
		}
		c.then(r)
		n, run := r.Finished()
		if n != 1 || run.On != c.on || run.End-run.Start != c.on || run.Last != 190*time.Second || float64(run.Energy) != 5*c.on.Seconds() {
			t.Errorf("%s: %d runs, %+v, want %v on", c.name, n, run, c.on)
		}
	}
}
