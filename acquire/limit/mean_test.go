package limit

import (
	"math"
	"math/big"
	"testing"
	"time"
	"unsafe"

	"pgregory.net/rapid"

	"ovenward/acquire/quantity"
)

// Of the tests: a range of 20 mW/cm² and 10 % of uncertainty at its top.
const (
	aTop  quantity.PowerDensity = 200
	aTopU quantity.PowerDensity = 20
)

func seenAs(from, to time.Duration, lo, hi quantity.PowerDensity) Stretch {
	return Stretch{From: from, To: to, Lo: lo, Hi: hi, U: max(hi, 0) / 10, Seen: true}
}

// near says whether got is want to 1e-12 of it.
func near(got, want float64) bool {
	return got == want || math.Abs(got-want) <= 1e-12*math.Abs(want)
}

func TestMeanOfKnownShapes(t *testing.T) {
	const min = time.Minute
	for _, tc := range []struct {
		name    string
		span    time.Duration
		seen    []Stretch
		lo, hi  float64
		u       float64
		seconds float64 // seen
	}{
		// 50 W/m² for 6 min in 30 min are a mean of 10 W/m², and 50 W/m² over the
		// 6 min themselves: by the definitions of averaging in 47 CFR 1.1310 and
		// ICNIRP 2020.
		{"6 min in 30", 30 * min, []Stretch{seenAs(0, 24*min, 0, 0), seenAs(24*min, 30*min, 50, 50)}, 10, 10, 1, 1800},
		{"6 min in 6", 6 * min, []Stretch{seenAs(0, 24*min, 0, 0), seenAs(24*min, 30*min, 50, 50)}, 50, 50, 5, 360},
		{"30 min early", 30 * min, []Stretch{seenAs(0, 6*min, 50, 50), seenAs(6*min, 30*min, 0, 0)}, 10, 10, 1, 1800},
		{"nothing seen", 6 * min, []Stretch{{From: 0, To: 6 * min}}, 0, 200, 20, 0},
		{"half unseen", 6 * min, []Stretch{seenAs(0, 3*min, 10, 10), {From: 3 * min, To: 6 * min}}, 5, 105, 10.5, 180},
		{"a gap is unseen", 6 * min, []Stretch{seenAs(0, 3*min, 10, 10), seenAs(3*min+36*time.Second, 6*min, 10, 10)}, 9, 29, 2.9, 324},
		{"under floor", 6 * min, []Stretch{seenAs(0, 6*min, 0, 0.1)}, 0, 0.1, 0.01, 360},
		{"over range", 6 * min, []Stretch{seenAs(0, 5*min, 0, 0), seenAs(5*min, 6*min, 200, quantity.PowerDensity(math.Inf(1)))},
			200. / 6, math.Inf(1), 0, 360},
		{"without a certificate", 6 * min, []Stretch{seenAs(0, 3*min, 0, 0), {From: 3 * min, To: 6 * min, Lo: 30, Hi: 30, U: 3, Seen: true, Uncalibrated: true}},
			15, 100, 10, 360},
		{"uncertainty not known", 6 * min, []Stretch{seenAs(0, 3*min, 0, 0), {From: 3 * min, To: 6 * min, Lo: 30, Hi: 30, U: nan(), Seen: true}},
			15, 100, 10, 360},
		{"not a number is unseen", 6 * min, []Stretch{seenAs(0, 6*min, nan(), nan())}, 0, 200, 20, 0},
		{"a field is never below zero", 6 * min, []Stretch{seenAs(0, 6*min, -3, -3)}, 0, 0, math.NaN(), 360},
		{"told twice counts once", 6 * min, []Stretch{seenAs(0, 3*min, 20, 20), seenAs(min, 6*min, 10, 10)}, 15, 15, 1.5, 360},
		{"24 h", 24 * time.Hour, []Stretch{seenAs(0, 12*time.Hour, 0.2, 0.2), seenAs(12*time.Hour, 24*time.Hour, 0.4, 0.4)}, 0.3, 0.3, 0.03, 86400},
	} {
		m := NewMean(tc.span, aTop, aTopU)
		for _, st := range tc.seen {
			m.Observe(st)
		}
		a := m.Read()
		// The tables state the mean over just the span; the interval begins on it.
		if a.To-a.From != tc.span {
			t.Errorf("%s: over %s to %s, want %s", tc.name, a.From, a.To, tc.span)
		}
		if !near(float64(a.Lo), tc.lo) || !near(float64(a.Hi), tc.hi) || a.Seen.Seconds() != tc.seconds || near(a.Cover(), tc.seconds/tc.span.Seconds()) == false {
			t.Errorf("%s: %v to %v, %s seen (%v); want %v to %v, %v s", tc.name, float64(a.Lo), float64(a.Hi), a.Seen, a.Cover(), tc.lo, tc.hi, tc.seconds)
		}
		if !math.IsNaN(tc.u) && !math.IsInf(tc.hi, 1) && !near(float64(a.U), tc.u) {
			t.Errorf("%s: uncertainty %v, want %v", tc.name, float64(a.U), tc.u)
		}
	}
}

func TestMeanBeforeAnything(t *testing.T) {
	a := NewMean(time.Minute, aTop, quantity.PowerDensity(math.NaN())).Read()
	if a.Lo != 0 || a.Hi != aTop || a.U != aTop || a.Cover() != 0 {
		t.Errorf("%+v: unknown lies anywhere in the range", a)
	}
}

// drawn is a history of stretches with gaps and steps, and how far it goes.
func drawn(t *rapid.T, span time.Duration) []Stretch {
	var all []Stretch
	now := time.Duration(rapid.Int64Range(-int64(2*span), int64(span)).Draw(t, "start"))
	values := rapid.OneOf(rapid.Float64Range(0.05, 200), rapid.Float64Range(1e-3, 1), rapid.SampledFrom([]float64{0, 200, 50, 1e-3}))
	for range rapid.IntRange(1, 25).Draw(t, "stretches") {
		now += time.Duration(rapid.OneOf(rapid.Just(int64(0)), rapid.Int64Range(1, int64(span)/5), rapid.Int64Range(1, 3*int64(span))).Draw(t, "gap"))
		to := now + time.Duration(rapid.OneOf(rapid.Int64Range(1, int64(span)/2000), rapid.Int64Range(1, int64(span))).Draw(t, "length"))
		v := quantity.PowerDensity(values.Draw(t, "value"))
		st := seenAs(now, to, v, v)
		switch rapid.IntRange(0, 9).Draw(t, "kind") {
		case 0:
			st.Lo = v / 2
		case 1:
			st.Seen = false
		case 2:
			st.Uncalibrated = true
		case 3:
			st.U = nan()
		case 4:
			st.Lo, st.Hi = aTop, quantity.PowerDensity(math.Inf(1))
		}
		all = append(all, st)
		now = to
	}
	return all
}

// brute is the mean of lower bounds, upper bounds and uncertainties over an
// interval, exactly.
func brute(all []Stretch, from, to time.Duration) (lo, hi, u float64, seen time.Duration) {
	var sums [3]*big.Rat
	over := false
	for i := range sums {
		sums[i] = new(big.Rat)
	}
	add := func(i int, v quantity.PowerDensity, d time.Duration) {
		x := new(big.Rat).SetFloat64(float64(v))
		sums[i].Add(sums[i], x.Mul(x, new(big.Rat).SetInt64(int64(d))))
	}
	for _, st := range all {
		d := min(st.To, to) - max(st.From, from)
		if d <= 0 || !st.Seen {
			continue
		}
		seen += d
		add(0, st.Lo, d)
		switch {
		case math.IsInf(float64(st.Hi), 1):
			over = true
		case st.Uncalibrated || math.IsNaN(float64(st.U)):
			add(1, max(st.Hi, aTop), d)
			add(2, aTopU, d)
		default:
			add(1, st.Hi, d)
			add(2, st.U, d)
		}
	}
	add(1, aTop, to-from-seen)
	add(2, aTopU, to-from-seen)
	var out [3]float64
	for i, s := range sums {
		out[i], _ = s.Quo(s, new(big.Rat).SetInt64(int64(to-from))).Float64()
	}
	if over {
		out[1] = math.Inf(1)
	}
	return out[0], out[1], out[2], seen
}

// Windows that several limits share say what a mean of each alone says.
func TestWindowsAreMeans(t *testing.T) {
	spans := []time.Duration{6 * time.Minute, 30 * time.Minute, 24 * time.Hour}
	rapid.Check(t, func(t *rapid.T) {
		all := drawn(t, rapid.SampledFrom(spans).Draw(t, "span"))
		w := NewWindows(aTop, aTopU)
		type one struct {
			l     quantity.PowerDensity
			place int
			m     *Mean
			alone *Mean
		}
		var ones []one
		for _, span := range append(spans, spans[1]) { // the last shares a window
			o := one{l: quantity.PowerDensity(rapid.Float64Range(0.01, 150).Draw(t, "limit")), alone: NewMean(span, aTop, aTopU)}
			o.place, o.m = w.Hold(o.l, span)
			ones = append(ones, o)
		}
		if ones[1].m != ones[3].m || ones[0].m == ones[1].m {
			t.Fatal("windows of one length are one, and only those")
		}
		for _, st := range all {
			w.Observe(&st)
			for _, o := range ones {
				o.alone.Observe(st)
				above, kept := w.Against(o.place)
				wantAbove, wantKept := o.alone.Against(o.l)
				if o.m.Read() != o.alone.Read() || above != wantAbove || kept != wantKept || w.End() != o.alone.Read().To {
					t.Fatalf("%v: %+v, %v, %v; alone %+v, %v, %v", float64(o.l), o.m.Read(), above, kept, o.alone.Read(), wantAbove, wantKept)
				}
			}
		}
	})
}

func TestMeanAgainstBruteForce(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		span := rapid.SampledFrom([]time.Duration{time.Second, time.Minute, 6 * time.Minute, 30 * time.Minute, 24 * time.Hour}).Draw(t, "span")
		all := drawn(t, span)
		m := NewMean(span, aTop, aTopU)
		before := time.Duration(math.MinInt64)
		for i, st := range all {
			m.Observe(st)
			a := m.Read()
			if a.To != st.To || a.To-a.From < span || a.To-a.From > span+span/1000 {
				t.Fatalf("stretch %d: the interval is %s to %s, %s long", i, a.From, a.To, a.To-a.From)
			}
			if a.From < before {
				t.Fatalf("stretch %d: the old edge moved back to %s", i, a.From)
			}
			before = a.From
			lo, hi, u, seen := brute(all[:i+1], a.From, a.To)
			if !near(float64(a.Lo), lo) || !near(float64(a.Hi), hi) || math.Abs(float64(a.U)-u) > 1e-9*u || a.Seen != seen {
				t.Fatalf("stretch %d: %v to %v ± %v, %s seen; brute force %v to %v ± %v, %s", i, float64(a.Lo), float64(a.Hi), float64(a.U), a.Seen, lo, hi, u, seen)
			}
			if float64(a.Lo) > lo*(1+1e-15) || float64(a.Hi) < hi*(1-1e-15) { // but for the last digit of a float64
				t.Fatalf("stretch %d: rounded inwards", i)
			}
		}
	})
}

// The old edge moves in steps of a thousandth of the window.
func TestMeanMovesInSteps(t *testing.T) {
	const span = 6 * time.Minute
	m := NewMean(span, aTop, aTopU)
	edges := map[time.Duration]bool{}
	for now := time.Duration(0); now < 2*span; now += 100 * time.Millisecond {
		m.Observe(seenAs(now, now+100*time.Millisecond, 1, 1))
		edges[m.Read().From] = true
	}
	if len(edges) < 1000 || len(edges) > 2001 {
		t.Errorf("%d steps of the old edge in two windows, want about 2000", len(edges))
	}
}

// Adding and taking away for a month leaves nothing behind.
func TestMeanNeverCreeps(t *testing.T) {
	m := NewMean(6*time.Minute, aTop, aTopU)
	now := time.Duration(0)
	for i := range 500_000 {
		v := quantity.PowerDensity(0.1 + float64(i%977)*0.2)
		d := time.Duration(3+i%7) * 700 * time.Millisecond
		m.Observe(seenAs(now, now+d, v, v))
		now += d
	}
	m.Observe(seenAs(now, now+10*time.Minute, 0, 0))
	if a := m.Read(); a.Lo != 0 || a.Hi != 0 || a.U != 0 {
		t.Errorf("after a window of zero: %v to %v ± %v", float64(a.Lo), float64(a.Hi), float64(a.U))
	}
}

func TestMeanIsSmallAndAllocatesNothing(t *testing.T) {
	if size := unsafe.Sizeof(Mean{}); size > 64_000 {
		t.Errorf("a window takes %d bytes, want at most 64 kB", size)
	}
	m := NewMean(24*time.Hour, aTop, aTopU)
	now := time.Duration(0)
	if n := testing.AllocsPerRun(1000, func() {
		m.Observe(seenAs(now, now+time.Second, 1, 2))
		now += time.Second
		m.Read()
	}); n != 0 {
		t.Errorf("%v allocations a stretch", n)
	}
}

// The extremes that a configuration allows do not overflow.
func TestMeanOfExtremes(t *testing.T) {
	for _, top := range []quantity.PowerDensity{1e-6, 1, 1e6, 1e9} {
		m := NewMean(24*time.Hour, top, top)
		m.Observe(Stretch{From: 0, To: 48 * time.Hour, Lo: 8 * top, Hi: 8 * top, U: 0, Seen: true})
		a := m.Read()
		if !near(float64(a.Lo), float64(8*top)) || !near(float64(a.Hi), float64(8*top)) {
			t.Errorf("top %v: %v to %v", float64(top), float64(a.Lo), float64(a.Hi))
		}
		m.Observe(Stretch{From: 48 * time.Hour, To: 49 * time.Hour, Lo: 1e30, Hi: 1e30, U: 0, Seen: true})
		if a = m.Read(); !math.IsInf(float64(a.Hi), 1) || !(a.Lo > 8*top) || math.IsInf(float64(a.Lo), 1) {
			t.Errorf("top %v: beyond the full scale %v to %v; want a lower bound only", float64(top), float64(a.Lo), float64(a.Hi))
		}
	}
}

func BenchmarkMeanObserve(b *testing.B) {
	m := NewMean(6*time.Minute, aTop, aTopU)
	now := time.Duration(0)
	b.ReportAllocs()
	for b.Loop() {
		m.Observe(seenAs(now, now+100*time.Millisecond, 12.5, 12.5))
		now += 100 * time.Millisecond
	}
}

// At the limit is not above it, by the last digit of a float64.
func TestMeanAgainstALimit(t *testing.T) {
	const l = quantity.PowerDensity(0.1)
	for _, tc := range []struct {
		v           quantity.PowerDensity
		above, kept bool
	}{{l, false, true}, {quantity.PowerDensity(math.Nextafter(float64(l), 0)), false, true}, {l * (1 + 1e-13), true, false}, {0, false, true}} {
		m := NewMean(time.Minute, 1, 1)
		if above, kept := m.Against(l); above || kept {
			t.Error("decided before anything was seen")
		}
		m.Observe(Stretch{To: 2 * time.Minute, Lo: tc.v, Hi: tc.v, Seen: true})
		if above, kept := m.Against(l); above != tc.above || kept != tc.kept {
			t.Errorf("%v against %v: above %v, kept %v", float64(tc.v), float64(l), above, kept)
		}
		m.Observe(Stretch{From: 2 * time.Minute, To: 2*time.Minute + time.Millisecond, Lo: 1, Hi: quantity.PowerDensity(math.Inf(1)), Seen: true})
		if _, kept := m.Against(l); kept {
			t.Error("kept with an over-range in it")
		}
	}
}
