package simulate

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"
)

func near(t *testing.T, what string, got, want, relative float64) {
	t.Helper()
	if !(math.Abs(got-want) <= relative*math.Abs(want)) {
		t.Errorf("%s: %.15g, want %.15g within %g of it", what, got, want, relative)
	}
}

func TestStepResponse(t *testing.T) {
	// τ = T90/ln 10, and after 1 s a meter of 3 s shows 53.6 % of a step:
	// reference values, 3.5.
	const level, begin = 80.0, 2 * time.Second
	for _, t90 := range []time.Duration{100 * time.Millisecond, time.Second, 3 * time.Second, 10 * time.Minute} {
		o := Scripted(1, 1, Pattern{Begin: begin, On: time.Second, Level: level})
		o.Ovens[0].Magnetrons = 2 // the same field all through a mains cycle
		o.Probes[0].ResponseTime = t90
		p := build(t, o).Probe("probe-1")
		if _, e := p.Truth(begin); e != 0 {
			t.Errorf("T90 %v: %g W/m² at the step, want 0 W/m²", t90, e)
		}
		_, e := p.Truth(begin + t90)
		near(t, "at T90 of "+t90.String(), e, 0.9*level, 1e-9)
		_, e = p.Truth(begin + 2*t90)
		near(t, "at 2 T90 of "+t90.String(), e, 0.99*level, 1e-9)
		if t90 == 3*time.Second {
			_, e = p.Truth(begin + time.Second)
			near(t, "a 3 s meter after 1 s", e/level, 0.536, 1e-3)
		}
	}
}

// convolve is an independent way to the lagged field: the sum over the constant
// pieces [a, b) of S·(exp(−(t−b)/τ) − exp(−(t−a)/τ)).
func convolve(p place, tau float64, t time.Duration) float64 {
	sum, half := 0.0, mainsCycle/2
	for a := time.Duration(0); a < t; a += half {
		first, second := p.cycle(int64(a / mainsCycle))
		s := first
		if a%mainsCycle != 0 {
			s = second
		}
		b := min(a+half, t)
		sum += s * (math.Exp(-(t-b).Seconds()/tau) - math.Exp(-(t-a).Seconds()/tau))
	}
	return sum
}

func TestLagAgreesWithConvolution(t *testing.T) {
	k := build(t, ModelKitchen(7, 1))
	rng := rand.New(rand.NewPCG(1, 2))
	for _, p := range k.Probes() {
		for range 40 {
			at := time.Duration(rng.Int64N(int64(200 * time.Second)))
			p.mu.Lock()
			got := p.lag.value(p.place, at)
			p.mu.Unlock()
			want := convolve(p.place, p.lag.tau, at)
			if math.Abs(got-want) > 1e-9*want+1e-12 {
				t.Errorf("%s at %v: lagged %.15g W/m², want %.15g W/m²", p.spec.ID, at, got, want)
			}
		}
	}
}

func TestLagIsAPureFunctionOfTime(t *testing.T) {
	forward := build(t, ModelKitchen(3, 1)).Probe("probe-2")
	instants := make([]time.Duration, 500)
	want := map[time.Duration]float64{}
	rng := rand.New(rand.NewPCG(3, 4))
	at := time.Duration(0)
	for i := range instants {
		at += time.Duration(rng.Int64N(int64(2 * time.Second)))
		if i%50 == 49 { // lands on and about the edges of cycles and blocks
			at = (at / mainsCycle / time.Duration(forward.lag.block)) * mainsCycle * time.Duration(forward.lag.block)
			at += time.Duration(forward.lag.block) * mainsCycle
		}
		instants[i] = at
		_, want[at] = forward.Truth(at)
	}
	jumping := build(t, ModelKitchen(3, 1)).Probe("probe-2")
	rng.Shuffle(len(instants), func(i, j int) { instants[i], instants[j] = instants[j], instants[i] })
	for _, at := range instants {
		if _, got := jumping.Truth(at); got != want[at] {
			t.Fatalf("at %v: %.17g W/m² when jumped to, %.17g W/m² when walked to", at, got, want[at])
		}
	}
}

func TestMainsHalfWaves(t *testing.T) {
	// One magnetron emits in half of each mains cycle, at twice the mean; two
	// emit in both: reference values, section 7.
	for magnetrons, want := range map[int][2]float64{1: {20, 0}, 2: {10, 10}} {
		o := Scripted(1, 1, Pattern{On: time.Second, Level: 10})
		o.Ovens[0].Magnetrons = magnetrons
		p := build(t, o).Probe("probe-1")
		first, second := p.place.cycle(17)
		if first != want[0] || second != want[1] {
			t.Errorf("%d magnetrons: %g and %g W/m² in the halves, want %v W/m²", magnetrons, first, second, want)
		}
		if f := field(p, 345*time.Millisecond); f != 10 {
			t.Errorf("%d magnetrons: mean %g W/m², want 10 W/m²", magnetrons, f)
		}
	}
}

func TestFalloffIsInverseSquare(t *testing.T) {
	// 8 in → 1/16 and 20 in → 1/100 of the value at 2 in: reference values, 3.3
	// (ratios of distance 4 and 10).
	for _, test := range []struct{ r, want float64 }{{0.05, 1}, {0.2, 1.0 / 16}, {0.5, 1.0 / 100}, {0.02, 1}} {
		o := Scripted(1, 1, Pattern{On: time.Second, Level: 10})
		o.Probes[0].At = Point{0, 0.6 * test.r, 0.8 * test.r}
		near(t, "at a distance", field(build(t, o).Probe("probe-1"), time.Second), 10*test.want, 1e-12)
	}
}

func TestFieldsAdd(t *testing.T) {
	at := func(ovens ...Oven) float64 {
		o := ModelKitchen(5, 1)
		o.Ovens = ovens
		return field(build(t, o).Probe("probe-3"), 50*time.Second)
	}
	o := ModelKitchen(5, 1).Ovens
	sum := at(o[0]) + at(o[1]) + at(o[2])
	near(t, "all ovens at once", at(o...), sum, 1e-12)
	if at(o[1]) == 0 || at(o[2]) == 0 {
		t.Error("an oven that runs is not felt")
	}
}

func TestLeakGrowsWithTheSquareOfTheGap(t *testing.T) {
	// The invented law, 5 W/m² per kW and mm²: 0.8 kW and 1, 2, 3 mm.
	for gap, want := range map[float64]float64{1: 4, 2: 16, 3: 36} {
		s := newSource(Oven{ID: "x", Power: 800, Magnetrons: 1, Gap: Gap{Before: gap, After: gap}, Runs: []Run{{Length: time.Hour}}}, 1)
		near(t, "leak", s.leak(time.Minute), want, 1e-12)
	}
	g := Gap{Before: 1, After: 3, From: 10 * time.Second, Until: 20 * time.Second}
	for at, want := range map[time.Duration]float64{0: 1, 10 * time.Second: 1, 15 * time.Second: 2, 20 * time.Second: 3, time.Hour: 3} {
		near(t, "gap", g.at(at), want, 1e-12)
	}
}

func TestTurntableRipple(t *testing.T) {
	s := newSource(Oven{ID: "x", Power: 1000, Magnetrons: 1, Stir: 0.2, Gap: Gap{Before: 1, After: 1}, Runs: []Run{{Length: time.Hour}}}, 1)
	low, high := math.Inf(1), 0.0
	for at := time.Minute; at < time.Minute+stirPeriod; at += mainsCycle {
		low, high = min(low, s.leak(at)), max(high, s.leak(at))
		near(t, "a turn later", s.leak(at+stirPeriod), s.leak(at), 1e-12)
	}
	near(t, "lowest", low, 5*0.8, 1e-4)
	near(t, "highest", high, 5*1.2, 1e-4)
}

func TestLeakSeenForFourOfTwentyTwoSeconds(t *testing.T) {
	p := build(t, Scripted(1, 1, Pattern{Begin: 3 * time.Second, On: 4 * time.Second, Off: 18 * time.Second, Level: 80})).Probe("probe-1")
	for at, want := range map[time.Duration]float64{
		0: 0, 3 * time.Second: 80, 7*time.Second - 1: 80, 7 * time.Second: 0,
		25*time.Second - 1: 0, 25 * time.Second: 80, 29 * time.Second: 0,
	} {
		if f := field(p, at); f != want {
			t.Errorf("at %v: %g W/m², want %g W/m²", at, f, want)
		}
	}
}

func BenchmarkKitchenSecond(b *testing.B) {
	p := build(b, ModelKitchen(1, 1)).Probe("probe-2")
	t := time.Duration(0)
	for b.Loop() {
		t += time.Second
		_, _ = p.Truth(t)
	}
}
