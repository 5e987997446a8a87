package cycle

import (
	"math"
	"testing"
	"time"

	"ovenward/acquire/quantity"
)

const (
	floor = 0.125 // W/m²; three times it is exact in binary
	gap   = 90 * time.Second
	poll  = 100 * time.Millisecond
)

// resting makes Runs that has seen the field of a resting oven just before 0.
func resting() *Runs {
	r := NewRuns(Options{Floor: floor, Gap: gap})
	r.Observe(-2*time.Second, 0)
	return r
}

// bursts shows an oven at part power from an instant until another.
func bursts(r *Runs, from, to, on, period time.Duration, s quantity.PowerDensity) (runs int) {
	_, was := r.Running()
	for at := from; at < to; at += poll {
		v := quantity.PowerDensity(0.05)
		if (at-from)%period < on {
			v = s
		}
		r.Observe(at, v)
		_, is := r.Running()
		if is && !was {
			runs++
		}
		was = is
	}
	return runs
}

// An oven at its lowest setting emits for about 4 s in each 22 s (common
// practice, no source): one run.
func TestPartPowerIsOneRun(t *testing.T) {
	for _, period := range []time.Duration{20 * time.Second, 22 * time.Second, 30 * time.Second, gap + 4*time.Second - poll} {
		r := resting()
		from := 10 * time.Second
		if n := bursts(r, from, from+20*time.Minute, 4*time.Second, period, 5); n != 1 {
			t.Errorf("4 s in each %v made %d runs", period, n)
		}
		if since, running := r.Running(); !running || since != from {
			t.Errorf("running %v since %v, want true since %v", running, since, from)
		}
	}
	if n := bursts(resting(), 0, 20*time.Minute, 4*time.Second, 2*time.Minute, 5); n != 10 {
		t.Errorf("4 s in each 2 min made %d runs in 20 min, want 10", n)
	}
}

func TestPauseEndsARun(t *testing.T) {
	r := resting()
	if _, running := r.Running(); running {
		t.Error("an oven not yet seen is running")
	}
	r.Observe(-time.Second, 5)
	for _, tc := range []struct {
		at   time.Duration
		want bool
	}{{0, true}, {gap - time.Second, true}, {gap - time.Second + 1, false}} {
		r.Advance(tc.at)
		if _, running := r.Running(); running != tc.want {
			t.Errorf("running %v at %v, %v after the last emission", running, tc.at, tc.at+time.Second)
		}
	}
	// A silent probe gives no samples: the next one finds the run ended by itself.
	r.Observe(199*time.Second, 0)
	r.Observe(200*time.Second, 5)
	r.Observe(200*time.Second+gap+1, 7)
	if since, running := r.Running(); !running || since != 200*time.Second+gap+1 {
		t.Errorf("running %v since %v, want a new run", running, since)
	}
	// After two gaps of silence what rest looks like is not known any more.
	r.Observe(200*time.Second+3*gap+2, 7)
	if _, running := r.Running(); running {
		t.Error("a run was seen without a rise")
	}
}

// A zero that drifts above three floors, as slowly as zeros do, proves no
// emission; nor does an oven that emitted already when watching began.
func TestOnlyARiseProvesEmission(t *testing.T) {
	drifting, steady := NewRuns(Options{Floor: floor, Gap: gap}), NewRuns(Options{Floor: floor, Gap: gap})
	for at := time.Duration(0); at < time.Hour; at += time.Second {
		drifting.Observe(at, quantity.PowerDensity(at.Hours()*20*floor))
		steady.Observe(at, 5)
	}
	if _, running := drifting.Running(); running {
		t.Error("drift was taken for emission")
	}
	if _, running := steady.Running(); running {
		t.Error("a field that never rose was taken for emission")
	}
	steady.Observe(time.Hour, 0.1)
	steady.Observe(time.Hour+time.Second, 5)
	if _, running := steady.Running(); running {
		t.Error("one low value was taken for rest")
	}
	steady.Observe(time.Hour+2*time.Second, 0.1)
	steady.Observe(time.Hour+3*time.Second, 0.1)
	steady.Observe(time.Hour+4*time.Second, 5)
	if _, running := steady.Running(); !running {
		t.Error("a rise after a pause was not taken for emission")
	}
}

func TestNoiseIsNoRun(t *testing.T) {
	for _, s := range []quantity.PowerDensity{0, -5, 0.1, 0.37, 3 * floor, quantity.PowerDensity(math.NaN()), quantity.PowerDensity(math.Inf(-1))} {
		r := resting()
		for at := time.Duration(0); at < time.Minute; at += poll {
			r.Observe(at, s)
		}
		if _, running := r.Running(); running || r.Peak() != 0 {
			t.Errorf("%v W/m² over a floor of %v W/m²: running %v, peak %v", float64(s), floor, running, float64(r.Peak()))
		}
	}
	above := quantity.PowerDensity(math.Nextafter(3*floor, 1))
	r := resting()
	if r.Observe(0, above); r.Peak() != above {
		t.Errorf("peak %v just above three times the floor", float64(r.Peak()))
	}
	// Noise between bursts does not make them last.
	r.Observe(gap/2, 3*floor)
	r.Observe(gap+1, 3*floor)
	if _, running := r.Running(); running {
		t.Error("noise kept a run going")
	}
}

func TestPeakIsOfTheRun(t *testing.T) {
	r := resting()
	for i, s := range []quantity.PowerDensity{4, 9, 0, 7, quantity.PowerDensity(math.NaN())} {
		r.Observe(time.Duration(i)*time.Second, s)
	}
	if r.Peak() != 9 {
		t.Errorf("peak %v W/m², want 9", float64(r.Peak()))
	}
	if r.Advance(time.Hour); r.Peak() != 9 {
		t.Errorf("peak %v W/m² after the run, want that of the last one, 9", float64(r.Peak()))
	}
	r.Observe(2*time.Hour-time.Second, 0)
	if r.Observe(2*time.Hour, 2); r.Peak() != 2 {
		t.Errorf("peak %v W/m² of a new run, want 2", float64(r.Peak()))
	}
}

func TestObserveAllocatesNothing(t *testing.T) {
	r := NewRuns(Options{Floor: floor, Gap: gap})
	var at time.Duration
	if n := testing.AllocsPerRun(1000, func() { at += poll; r.Observe(at, 5) }); n != 0 {
		t.Errorf("%v allocations a sample", n)
	}
}

// A dip below zero, as of a glitch or a zero that is off, proves no emission.
func TestComingBackFromBelowZeroIsNoRise(t *testing.T) {
	r := resting()
	for i, s := range []quantity.PowerDensity{0, -5, -5, 0, 0.1, -50, 0} {
		r.Observe(time.Duration(i)*time.Second, s)
	}
	if _, running := r.Running(); running {
		t.Error("coming back from below zero was taken for emission")
	}
}

// TestTheFirstWeakSampleCounts: the sample that a rise was doubted at, and proven by
// the next, is in the run with its value.
func TestTheFirstWeakSampleCounts(t *testing.T) {
	r := NewRuns(Options{Floor: 1, Gap: 90 * time.Second})
	at := time.Duration(0)
	for range 60 {
		r.Observe(at, 0)
		at += time.Second
	}
	r.Observe(at, 2.4)
	if _, running := r.Running(); running {
		t.Fatal("a single weak sample is taken for a run: the test tries nothing")
	}
	r.Observe(at+time.Second, 2)
	if since, running := r.Running(); !running || since != at || r.Peak() != 2.4 {
		t.Errorf("running %v since %v with a peak of %v; want since %v, 2.4 W/m²", running, since, float64(r.Peak()), at)
	}
}

// The begin of a run was seen where rest was seen for the whole gap before it.
func TestARunWhoseBeginWasNotSeenIsCut(t *testing.T) {
	const s = time.Second
	type piece struct {
		long  time.Duration // 0: one sample
		value quantity.PowerDensity
	}
	for _, tc := range []struct {
		name   string
		pieces []piece
		cut    bool
	}{
		{"rest for the gap", []piece{{91 * s, 0}, {10 * s, 5}}, false},
		{"rest for less", []piece{{80 * s, 0}, {10 * s, 5}}, true},
		{"begun in the middle", []piece{{200 * s, 5}, {20 * s, 0}, {10 * s, 5}}, true},
		{"begun in the middle, then rest for the gap", []piece{{200 * s, 5}, {95 * s, 0}, {10 * s, 5}}, false},
		{"silence before the run", []piece{{100 * s, 0}, {20 * s, -1}, {30 * s, 0}, {10 * s, 5}}, true},
		{"silence in the run before", []piece{{100 * s, 0}, {5 * s, 5}, {20 * s, -1}, {100 * s, 0}, {10 * s, 5}}, false},
	} {
		r := NewRuns(Options{Floor: 0.1, Gap: 90 * s, Stale: 5 * s})
		at := time.Duration(0)
		for _, p := range tc.pieces {
			for end := at + p.long; at < end; at += 100 * time.Millisecond {
				if p.value >= 0 {
					r.Observe(at, p.value+quantity.PowerDensity(at/1e8%3)*0.01)
				}
			}
		}
		if _, running := r.Running(); !running || r.Cut() != tc.cut || r.Run().Cut != tc.cut {
			t.Errorf("%s: running %v, cut %v, want %v", tc.name, running, r.Cut(), tc.cut)
		}
	}
}

// A field over range before rest was ever seen is not what rest looks like: the runs
// after it are found.
func TestOverRangeFromTheStart(t *testing.T) {
	for over := range 4 {
		r := NewRuns(Options{Floor: floor, Gap: gap, Response: time.Second})
		at := time.Duration(0)
		see := func(n int, s quantity.PowerDensity) {
			for range n {
				r.Observe(at, s)
				at += poll
			}
		}
		see(over, quantity.PowerDensity(math.Inf(1)))
		if _, running := r.Running(); running {
			t.Errorf("%d over range, and no rise: a run", over)
		}
		see(int(2*gap/poll), 0)
		begin := at
		see(50, 3)
		if since, running := r.Running(); !running || since != begin || r.Cut() {
			t.Errorf("%d over range, then rest, then a rise at %v: running %v since %v, cut %v", over, begin, running, since, r.Cut())
		}
	}
}
