package limit

import (
	"math"
	"testing"
	"time"

	"pgregory.net/rapid"

	"ovenward/acquire/quantity"
)

// standard is the rule that holds when the config says nothing: 3 s unbroken or
// 10 s in 60 s, clear 90 s. Ovens at part power emit for some seconds in each 20
// to 30 s (common practice, no source).
var standard = SustainedRule{Unbroken: 3 * time.Second, Summed: 10 * time.Second, Within: time.Minute, Clear: 90 * time.Second}

// overlap is the time that [from, to) and [a, b) have in common.
func overlap(from, to, a, b time.Duration) time.Duration {
	return max(min(to, b)-max(from, a), 0)
}

// summed adds up, stretch by stretch, the time above from an instant on.
func summed(all []Stretch, l quantity.PowerDensity, from, to time.Duration) (sum time.Duration) {
	for _, s := range all {
		if s.Seen && s.Lo > l {
			sum += overlap(s.From, s.To, from, to)
		}
	}
	return sum
}

// lately looks back from the end: the time above without a break, and the time
// at or below since the field was last above.
func lately(all []Stretch, l quantity.PowerDensity) (unbroken, below time.Duration) {
	for i := len(all) - 1; i >= 0 && all[i].Seen && all[i].Lo > l; i-- {
		unbroken += all[i].To - all[i].From
		if i > 0 && all[i-1].To < all[i].From {
			break
		}
	}
	for i := len(all) - 1; i >= 0 && !(all[i].Seen && all[i].Lo > l); i-- {
		if all[i].Seen && all[i].Hi <= l {
			below += all[i].To - all[i].From
		}
	}
	return unbroken, below
}

func drawStretch(t *rapid.T, end time.Duration, l float64) Stretch {
	field := rapid.SampledFrom([]float64{math.Inf(-1), -1, 0, l / 2, math.Nextafter(l, 0), l, math.Nextafter(l, 2*l), 2 * l, math.Inf(1), math.NaN()})
	span := rapid.OneOf(
		rapid.Int64Range(1, 2000),                      // nanoseconds
		rapid.Int64Range(1, int64(3*time.Second)),      // polls
		rapid.Int64Range(1, int64(200*time.Second)),    // longer than any window
		rapid.Map(rapid.Int64Range(1, 100), tenthsOfS), // on the slots' edges
	)
	from := end
	switch rapid.IntRange(0, 5).Draw(t, "join") {
	case 0:
		from += time.Duration(span.Draw(t, "gap"))
	case 1:
		from -= time.Duration(span.Draw(t, "overlap"))
	}
	lo, hi := field.Draw(t, "lo"), field.Draw(t, "hi")
	if hi < lo {
		lo, hi = hi, lo
	}
	return Stretch{From: from, To: from + time.Duration(span.Draw(t, "span")),
		Lo: quantity.PowerDensity(lo), Hi: quantity.PowerDensity(hi), Seen: rapid.IntRange(0, 4).Draw(t, "seen") > 0}
}

func tenthsOfS(n int64) int64 { return n * int64(100*time.Millisecond) }

func TestSustainedAgainstSumming(t *testing.T) {
	const l = 50.0 // W/m²
	rapid.Check(t, func(t *rapid.T) {
		within := time.Duration(rapid.OneOf(
			rapid.SampledFrom([]int64{int64(time.Minute), int64(10 * time.Second), int64(time.Second) + 1, 999, 1, 60_000_000_999}),
			rapid.Int64Range(1, int64(2*time.Minute))).Draw(t, "within"))
		rule := SustainedRule{Unbroken: 3 * time.Second, Summed: min(10*time.Second, within), Within: within, Clear: 90 * time.Second}
		s := NewSustained(rule, l)
		end := rapid.SampledFrom([]time.Duration{-10 * time.Minute, -90 * time.Second, 0, time.Hour}).Draw(t, "about") +
			time.Duration(rapid.Int64Range(int64(-time.Minute), int64(time.Minute)).Draw(t, "start"))
		var all []Stretch // as they count: an overlap with what came before is cut off
		for range rapid.IntRange(1, 60).Draw(t, "n") {
			st := drawStretch(t, end, l)
			s.Observe(&st)
			if len(all) > 0 {
				st.From = max(st.From, end)
			}
			if st.From >= st.To {
				continue
			}
			all, end = append(all, st), st.To
			if rapid.IntRange(0, 2).Draw(t, "look") > 0 { // a look settles what was put off
				continue
			}
			above := s.Above()
			unbroken, sum := s.TimeAbove()
			width := (within + 999) / 1000
			edge := floorTo(end-1, width) - 1000*width
			if edge > end-within || edge < end-within-2*width-1000 {
				t.Fatalf("the window of %v covers %v", within, end-edge)
			}
			if want := summed(all, l, edge, end); sum != want {
				t.Fatalf("above for %v from %v to %v, want %v", sum, edge, end, want)
			}
			if least := summed(all, l, end-within, end); sum < least {
				t.Fatalf("above for %v, but %v lie within %v of the end", sum, least, within)
			}
			wantUnbroken, wantBelow := lately(all, l)
			if unbroken != wantUnbroken || s.Returned() != (wantBelow >= rule.Clear) {
				t.Fatalf("unbroken %v, want %v; returned %v after %v below", unbroken, wantUnbroken, s.Returned(), wantBelow)
			}
			if want := unbroken >= rule.Unbroken || sum >= rule.Summed; above != want {
				t.Fatalf("above %v after %v unbroken and %v in sum", above, unbroken, sum)
			}
		}
	})
}

// floorTo rounds down to a multiple of width, below zero as well.
func floorTo(d, width time.Duration) time.Duration {
	m := d % width
	if m < 0 {
		m += width
	}
	return d - m
}

func seen(from, to time.Duration, s quantity.PowerDensity) Stretch {
	return Stretch{From: from, To: to, Lo: s, Hi: s, Seen: true}
}

func TestSustainedEdges(t *testing.T) {
	const sec = time.Second
	const l, over, under = 50, 51, 49
	for _, tc := range []struct {
		name            string
		in              []Stretch
		above, returned bool
	}{
		{"nothing seen", nil, false, false},
		{"a nanosecond short of unbroken", []Stretch{seen(0, 3*sec-1, over)}, false, false},
		{"unbroken", []Stretch{seen(0, sec, over), seen(sec, 3*sec, over)}, true, false},
		{"exactly at the limit is not above", []Stretch{seen(0, 100*sec, l)}, false, true},
		{"a gap breaks", []Stretch{seen(0, 2*sec, over), seen(2*sec+1, 4*sec, over)}, false, false},
		{"unseen breaks", []Stretch{seen(0, 2*sec, over), {From: 2 * sec, To: 2*sec + 1}, seen(2*sec+1, 4*sec, over)}, false, false},
		{"bounds about the limit break", []Stretch{seen(0, 2*sec, over), {From: 2 * sec, To: 3 * sec, Lo: 0, Hi: over, Seen: true}, seen(3*sec, 5*sec, over)}, false, false},
		{"bounds about the limit never return", []Stretch{{From: 0, To: 10000 * sec, Lo: 0, Hi: over, Seen: true}}, false, false},
		{"summed to the nanosecond", []Stretch{seen(0, 2*sec, over), seen(10*sec, 12*sec, over), seen(20*sec, 22*sec, over), seen(30*sec, 32*sec, over), seen(50*sec, 52*sec, over)}, true, false},
		{"a nanosecond short of summed", []Stretch{seen(0, 2*sec, over), seen(10*sec, 12*sec, over), seen(20*sec, 22*sec, over), seen(30*sec, 32*sec, over), seen(50*sec, 52*sec-1, over)}, false, false},
		{"told twice counts once", []Stretch{seen(0, 2*sec, over), seen(0, 2*sec, over), seen(sec, 2*sec+5, over)}, false, false},
		{"hours later the past is past", []Stretch{seen(0, 11*sec, over), {From: 11 * sec, To: 9000 * sec}}, false, false},
		{"before the start of the clock", []Stretch{seen(-20*sec, -17*sec, over)}, true, false},
		{"a nanosecond short of clear", []Stretch{seen(0, 9*sec, over), seen(9*sec, 99*sec-1, under)}, false, false},
		{"clear", []Stretch{seen(0, 9*sec, over), seen(9*sec, 99*sec, under)}, false, true},
		{"above again, the delay starts anew", []Stretch{seen(0, 89*sec, under), seen(89*sec, 89*sec+1, over), seen(89*sec+1, 178*sec, under)}, false, false},
	} {
		s := NewSustained(standard, l)
		for _, st := range tc.in {
			s.Observe(&st)
		}
		if s.Above() != tc.above || s.Returned() != tc.returned {
			u, sum := s.TimeAbove()
			t.Errorf("%s: above %v, returned %v, want %v, %v; unbroken %v, summed %v", tc.name, s.Above(), s.Returned(), tc.above, tc.returned, u, sum)
		}
	}
}

// Over-range has no duration yet when it is told, and must hold off the return.
func TestBreakStartsTheClearDelayAnew(t *testing.T) {
	s := NewSustained(standard, 50)
	s.Observe(as(seen(0, 89*time.Second, 1)))
	s.Break()
	s.Observe(as(seen(89*time.Second, 91*time.Second, 1)))
	if s.Returned() {
		t.Error("returned 2 s after a break")
	}
}

func TestObserveAllocatesNothing(t *testing.T) {
	s := NewSustained(standard, 50)
	var at time.Duration
	if n := testing.AllocsPerRun(1000, func() {
		s.Observe(as(seen(at, at+100*time.Millisecond, 60)))
		at += 100 * time.Millisecond
	}); n != 0 {
		t.Errorf("%v allocations a stretch", n)
	}
}

func BenchmarkObserve(b *testing.B) {
	for _, bc := range []struct {
		name   string
		within time.Duration
		step   time.Duration
	}{
		{"10Hz of 60s", time.Minute, 100 * time.Millisecond},
		{"1kHz of 60s", time.Minute, time.Millisecond},
		{"1kHz of 24h", 24 * time.Hour, time.Millisecond}, // as dear as a short window
	} {
		b.Run(bc.name, func(b *testing.B) {
			rule := standard
			rule.Within = bc.within
			s := NewSustained(rule, 50)
			b.ReportAllocs()
			var at time.Duration
			for b.Loop() {
				s.Observe(as(seen(at, at+bc.step, 60)))
				at += bc.step
			}
		})
	}
}

func as(st Stretch) *Stretch { return &st }
