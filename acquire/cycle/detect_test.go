package cycle

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"ovenward/acquire/quantity"
)

// play shows Runs a field of probe noise (normal, not cut off) until an instant.
func play(r *Runs, from, to time.Duration, deviation float64, rng *rand.Rand, field func(time.Duration) float64) {
	for at := from; at < to; at += poll {
		r.Observe(at, quantity.PowerDensity(field(at)+deviation*rng.NormFloat64()))
	}
}

func still(x float64) func(time.Duration) float64 { return func(time.Duration) float64 { return x } }

// A day of noise at ten samples a second, a floor being three deviations of it,
// makes no run; nor does an hour of noise twice as wide as the floor says, whose
// width is learnt; nor a zero that swings.
func TestNoiseMakesNoRun(t *testing.T) {
	rng := rand.New(rand.NewPCG(21, 22))
	for name, tc := range map[string]struct {
		deviation float64
		span      time.Duration
		field     func(time.Duration) float64
	}{
		"a day":   {floor / 3, 24 * time.Hour, still(0.2)},
		"at zero": {floor / 3, 4 * time.Hour, still(0)},
		"wide":    {2 * floor / 3, time.Hour, still(2)},
		"a swinging zero": {floor / 3, 2 * time.Hour, func(at time.Duration) float64 {
			return 1 + 4*floor*math.Sin(2*math.Pi*at.Minutes()/40)
		}},
	} {
		r := NewRuns(Options{Floor: floor, Gap: gap, Response: time.Second})
		play(r, 0, tc.span, tc.deviation, rng, tc.field)
		if n, _ := r.Finished(); n != 0 || r.ever {
			t.Errorf("%s: %d runs finished, ever %v", name, n, r.ever)
		}
	}
}

// A signal of three floors is found, above a zero of any size, and in noise twice
// as wide as the floor says one of six.
func TestWeakSignals(t *testing.T) {
	rng := rand.New(rand.NewPCG(23, 24))
	for _, tc := range []struct{ zero, deviation, signal float64 }{{0, floor / 3, 3 * floor}, {1, floor / 3, 3 * floor}, {20, floor / 3, 3 * floor}, {1, 2 * floor / 3, 6 * floor}} {
		r := NewRuns(Options{Floor: floor, Gap: gap, Response: time.Second})
		play(r, 0, time.Minute, tc.deviation, rng, still(tc.zero))
		play(r, time.Minute, 2*time.Minute, tc.deviation, rng, still(tc.zero+tc.signal))
		play(r, 2*time.Minute, 5*time.Minute, tc.deviation, rng, still(tc.zero))
		n, run := r.Finished()
		if n != 1 || run.Start < time.Minute || run.Start > time.Minute+time.Second || run.Last > 2*time.Minute || run.Last < 2*time.Minute-time.Second {
			t.Errorf("%+v: %d runs, the last %v to %v", tc, n, run.Start, run.Last)
		}
	}
}

// A zero that has moved while the oven ran is not taken for emission that goes on,
// and emission on top of it is found again.
func TestWhatIsLeftOverIsNoEmission(t *testing.T) {
	rng := rand.New(rand.NewPCG(25, 26))
	for _, left := range []float64{2 * floor, 5 * floor, 1.5, 3.5} {
		r := NewRuns(Options{Floor: floor, Gap: gap, Response: time.Second})
		play(r, 0, time.Minute, floor/3, rng, still(0.1))
		play(r, time.Minute, 5*time.Minute, floor/3, rng, still(40))
		play(r, 5*time.Minute, 15*time.Minute, floor/3, rng, still(left))
		n, run := r.Finished()
		if _, running := r.Running(); n != 1 || running || run.Last > 5*time.Minute {
			t.Errorf("%g W/m² left over: %d runs, running %v, the last to %v", left, n, running, run.Last)
		}
		play(r, 15*time.Minute, 16*time.Minute, floor/3, rng, still(left+10))
		if since, running := r.Running(); !running || since != 15*time.Minute {
			t.Errorf("%g W/m² left over: running %v since %v", left, running, since)
		}
	}
}

// lagged is a first-order probe of 90 % in 1 s on a field that is on from 60 s to 90 s.
func lagged(level float64) func(time.Duration) float64 {
	const tau = 1 / math.Ln10
	return func(at time.Duration) float64 {
		x := 0.0
		if s := at.Seconds() - 60; s > 0 {
			x = level * -math.Expm1(-min(s, 30)/tau) * math.Exp(-max(0, s-30)/tau)
		}
		if x > 150 {
			return math.Inf(1)
		}
		return x
	}
}

// The end of a strong field is seen when it ends, not when the probe has fallen to
// its floor, which takes it three times its response from 100 W/m².
func TestTheProbesFallIsNoEmission(t *testing.T) {
	for _, level := range []float64{1, 10, 100, 140, 160, 400} {
		r := NewRuns(Options{Floor: floor, Gap: gap, Response: time.Second})
		play(r, 0, 4*time.Minute, 0, rand.New(rand.NewPCG(1, 1)), lagged(level))
		n, run := r.Finished()
		if n != 1 || run.Last < 90*time.Second || run.Last > 91*time.Second+poll {
			t.Errorf("%g W/m²: %d runs, the last to %v, want 90 s to 91.1 s", level, n, run.Last)
		}
	}
}

func TestRunsAreMeasured(t *testing.T) {
	r := NewRuns(Options{Floor: floor, Gap: gap, Stale: 2 * time.Second})
	r.Observe(0, 0)
	at := time.Second
	for i := range 10 { // 4 s on, 18 s off, ten times
		for range 40 {
			r.Observe(at, quantity.PowerDensity(5+i))
			at += poll
		}
		for range 180 {
			r.Observe(at, 0)
			at += poll
		}
	}
	r.Advance(at + gap)
	n, run := r.Finished()
	if n != 1 || run.On != 40*time.Second || math.Abs(float64(run.Energy)-4*95) > 1e-9 || math.Abs(float64(run.Mean())-9.5) > 1e-9 ||
		run.Peak != 14 || run.PeakAt != time.Second+9*22*time.Second || math.Abs(run.Duty()-40.0/202) > 1e-9 {
		t.Errorf("%d runs, %+v, mean %g, duty %g", n, run, run.Mean(), run.Duty())
	}
	// Silence: a sample holds for the stale time and no longer. Over range counts apart.
	at += 10 * gap
	r.Observe(at, 0)
	r.Observe(at+time.Second, 5)
	r.Observe(at+time.Minute, quantity.PowerDensity(math.Inf(1)))
	r.Observe(at+time.Minute+time.Second, 0)
	if run := r.Run(); run.On != 3*time.Second || run.Energy != 10 || run.OverRange != time.Second || !math.IsInf(float64(run.Peak), 1) || run.Mean() != 5 {
		t.Errorf("%+v", run)
	}
}

func BenchmarkObserve(b *testing.B) {
	rng := rand.New(rand.NewPCG(1, 2))
	var x [4096]quantity.PowerDensity
	for i := range x {
		x[i] = quantity.PowerDensity(math.Abs(0.03 * rng.NormFloat64()))
		if i%220 < 40 {
			x[i] += 5
		}
	}
	r := NewRuns(Options{Floor: floor, Gap: gap, Response: time.Second})
	at, i := time.Duration(0), 0
	b.ReportAllocs()
	for b.Loop() {
		at += poll
		r.Observe(at, x[i&4095])
		i++
	}
}
