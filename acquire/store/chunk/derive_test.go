package chunk

import (
	"math"
	"testing"
	"time"

	"pgregory.net/rapid"
)

// The interval only grows, order stays, and what went through once stays.
func TestQuantiser(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		res := rapid.SampledFrom([]time.Duration{0, 1, 100, 10 * time.Microsecond, time.Millisecond}).Draw(rt, "resolution")
		at := rapid.OneOf(rapid.Int64Range(-1e10, 1e10), rapid.Int64()).Draw(rt, "at")
		once, twice := Quantiser{Resolution: res}, Quantiser{Resolution: res}
		last, class := int64(math.MinInt64), int64(0)
		for range 30 {
			if next := at + rapid.Int64Range(0, 3e6).Draw(rt, "step"); next > at {
				at = next
			}
			r := Row{At: at, AtU: rapid.OneOf(rapid.Int64Range(0, 5e6), rapid.Int64Range(0, 30), rapid.Int64Range(0, math.MaxInt64)).Draw(rt, "u")}
			q := r
			once.Set(&q)
			if lo, hi := r.At-r.AtU, r.At+r.AtU; r.AtU < 1<<61 && lo < r.At && hi > r.At && q.At-q.AtU < q.At && q.At+q.AtU > q.At && (q.At-q.AtU > lo || q.At+q.AtU < hi) {
				rt.Fatalf("%d ± %d becomes %d ± %d", r.At, r.AtU, q.At, q.AtU)
			}
			if q.AtU < r.AtU {
				rt.Fatalf("± %d becomes ± %d", r.AtU, q.AtU)
			}
			if q.At < last {
				rt.Fatalf("%d comes after %d", q.At, last)
			}
			last = q.At
			u := r.AtU + max(q.At-r.At, r.At-q.At)
			if u < r.AtU {
				u = math.MaxInt64
			}
			if least := Class(u); class == 0 || class < least || least < 1e18 && class > 10*least {
				class = least
			}
			if q.AtU != class {
				rt.Fatalf("± %d becomes ± %d, want the class %d", u, q.AtU, class)
			}
			again := q
			if twice.Set(&again); !same(&again, &q) {
				rt.Fatalf("%d ± %d becomes %d ± %d the second time", q.At, q.AtU, again.At, again.AtU)
			}
		}
	})
}

func TestClass(t *testing.T) {
	for u, want := range map[int64]int64{-1: -1, 0: 0, 1: 1, 2: 2, 3: 5, 5: 5, 6: 10, 1_200_000: 2_000_000, 501e3: 1e6, math.MaxInt64: math.MaxInt64} {
		if got := Class(u); got != want {
			t.Errorf("Class(%d) = %d, want %d", u, got, want)
		}
	}
	for p, want := range map[time.Duration]time.Duration{time.Second: time.Millisecond, 50 * time.Millisecond: time.Millisecond,
		10 * time.Millisecond: 10 * time.Microsecond, 100 * time.Microsecond: 100} {
		if got := Resolution(p); got != want {
			t.Errorf("Resolution(%v) = %v, want %v", p, got, want)
		}
	}
}

// A summary by hand: 1.2 for 1 s, 0.80 for 1 s, no number for 1 s, 2.0 for as
// long as the hold of 2 s, 1.0 at the end.
func TestSummary(t *testing.T) {
	mw := func(exp int8, has bool, quality uint8) Kind {
		return Kind{Unit: "mW/cm2", Exp: exp, HasValue: has, Quality: quality}
	}
	b := Block{Seq: []int64{1, 2, 3, 4, 5, 6}, At: []int64{0, 1e9, 2e9, 3e9, 13e9, 14e9}, Digits: []int64{12, 80, 0, 20, 10, 7},
		Kind: []uint8{0, 1, 2, 0, 0, 3}, Kinds: []Kind{mw(-1, true, 0), mw(-2, true, 8), mw(0, false, 1), {Unit: "V/m", HasValue: true}}}
	got := b.Summary(nil, 2e9)
	if len(got) != 2 || got[1].Unit != "V/m" || got[1].Sum != 7 || got[1].Integral != 0 {
		t.Fatalf("got %+v", got)
	}
	s := got[0]
	want := Summary{Rows: 5, Values: 4, Bad: 2, Quality: 9, Exp: -2, Unit: "mW/cm2", Min: 80, Max: 200, Sum: 500, First: 120, Last: 100,
		From: 0, To: 13e9, FirstAt: 0, LastAt: 13e9, Integral: 120 + 80 + 400, open: true}
	if s != want {
		t.Errorf("got  %+v\nwant %+v", s, want)
	}
}

// Summaries of parts come to that of the whole.
func TestSummaryMerge(t *testing.T) {
	rows := signalRows(2000, 3)
	k := Kind{Unit: "mW/cm2", HasValue: true, Exp: -3}
	sum := func(rows []Row) (s Summary) {
		for i := range rows {
			s.Add(rows[i].At, &k, rows[i].Digits, 1e9)
		}
		return s
	}
	whole := sum(rows)
	for _, cut := range []int{0, 1, 700, 1999, 2000} {
		a, b := sum(rows[:cut]), sum(rows[cut:])
		if !a.Merge(&b, 1e9) {
			t.Fatal("parts do not merge")
		}
		if math.Abs(a.Integral-whole.Integral) > 1e-6*whole.Integral {
			t.Errorf("cut at %d: integral %v, want %v", cut, a.Integral, whole.Integral)
		}
		if a.Integral = whole.Integral; a != whole {
			t.Errorf("cut at %d: %+v, want %+v", cut, a, whole)
		}
	}
}
