package limit

import (
	"math"
	"math/big"
	"testing"
	"time"

	"pgregory.net/rapid"

	"ovenward/acquire/quantity"
)

// plain is a mean without any short cut: it keeps all stretches, and adds up in
// whole numbers of any size what lies in the window.
type plain struct {
	quanta
	width time.Duration
	all   []plainStretch
}

type plainStretch struct {
	from, to time.Duration
	rate
}

func newPlain(span time.Duration) *plain {
	return &plain{quanta: newQuanta(aTop, aTopU), width: max(span/slots, 1)}
}

func (p *plain) observe(st Stretch) {
	x := plainStretch{from: st.From, to: st.To}
	if n := len(p.all); n > 0 {
		end := p.all[n-1].to
		if x.from = max(x.from, end); x.from > end && x.to > x.from {
			p.all = append(p.all, plainStretch{end, x.from, p.unseen})
		}
	}
	if x.to <= x.from {
		return
	}
	switch {
	case !st.Seen || math.IsNaN(float64(st.Lo)) || math.IsNaN(float64(st.Hi)):
		x.rate = p.unseen
	case st.Hi > p.full:
		x.seen, x.over = 1, true
		x.lo, _ = p.round(st.Lo)
	default:
		x.seen = 1
		x.lo, _ = p.round(st.Lo)
		_, x.hi = p.round(st.Hi)
		if _, x.u = p.round(st.U); st.Uncalibrated || math.IsNaN(float64(st.U)) {
			x.hi, x.u = max(x.hi, p.unseen.hi), p.unseen.u
		}
	}
	p.all = append(p.all, x)
}

// sums are lower bounds, upper bounds, uncertainties and the time seen over the
// window, and its ends.
func (p *plain) sums() (sums [4]*big.Int, from, to time.Duration, over bool) {
	for i := range sums {
		sums[i] = new(big.Int)
	}
	to = p.all[len(p.all)-1].to
	from = time.Duration(floorDiv(to, p.width)-slots) * p.width
	add := func(r rate, d time.Duration) {
		for i, x := range []uint64{r.lo, r.hi, r.u, r.seen} {
			y := new(big.Int).SetUint64(x)
			sums[i].Add(sums[i], y.Mul(y, big.NewInt(int64(d))))
		}
	}
	add(p.unseen, max(p.all[0].from-from, 0))
	for _, x := range p.all {
		if d := min(x.to, to) - max(x.from, from); d > 0 {
			add(x.rate, d)
			over = over || x.over
		}
	}
	return sums, from, to, over
}

func (p *plain) read() (a Average, edge func(quantity.PowerDensity) (above, kept bool)) {
	sums, from, to, over := p.sums()
	var parts [3]quantity.PowerDensity
	whole := big.NewInt(int64(to - from))
	for i := range parts {
		q, r := new(big.Int).QuoRem(sums[i], whole, new(big.Int))
		parts[i] = quantity.PowerDensity((float64(q.Uint64()) + float64(r.Uint64())/float64(whole.Uint64())) / p.scale)
	}
	a = Average{From: from, To: to, Lo: parts[0], Hi: parts[1], U: parts[2], Seen: time.Duration(sums[3].Int64())}
	if over {
		a.Hi = quantity.PowerDensity(math.Inf(1))
	}
	return a, func(l quantity.PowerDensity) (above, kept bool) {
		down, _ := p.round(l)
		e := new(big.Int).SetUint64(down)
		e.Mul(e, whole)
		return e.Cmp(sums[0]) < 0, !over && e.Cmp(sums[1]) >= 0
	}
}

// Windows say, to the last bit and at each stretch, what plain sums of whole numbers
// say.
func TestWindowsArePlainSums(t *testing.T) {
	spans := []time.Duration{time.Minute, 6 * time.Minute, 24 * time.Hour}
	rapid.Check(t, func(t *rapid.T) {
		all := drawn(t, rapid.SampledFrom(spans).Draw(t, "span"))
		if rapid.Bool().Draw(t, "overlap") {
			for i := range all[1:] {
				all[i+1].From -= time.Duration(rapid.Int64Range(0, int64(time.Minute)).Draw(t, "back"))
			}
		}
		compare(t, spans, all, quantity.PowerDensity(rapid.Float64Range(0.01, 150).Draw(t, "limit")))
	})
}

// The same where means hover about their limits, so that how they stand changes
// often and by little, with the sample, with time alone and with the old edge.
func TestStandingIsLookedAtInTime(t *testing.T) {
	turns := 0
	rapid.Check(t, func(t *rapid.T) {
		const l = quantity.PowerDensity(10)
		values := []quantity.PowerDensity{0, 9.9, l, quantity.PowerDensity(math.Nextafter(10, 11)), 10.1, 20}
		now := time.Duration(rapid.Int64Range(-1e9, 1e9).Draw(t, "start"))
		step := time.Duration(rapid.Int64Range(1, 3e8).Draw(t, "step"))
		all := []Stretch{seenAs(now-2*time.Second, now, l, l)} // until the windows are full
		for range rapid.IntRange(20, 60).Draw(t, "samples") {
			v := rapid.SampledFrom(values).Draw(t, "value")
			st := seenAs(now, now+step, v, v)
			switch rapid.IntRange(0, 19).Draw(t, "kind") {
			case 0:
				st.Seen = false
			case 1:
				st.From += step / 2
			case 2:
				st.Lo, st.Hi = aTop, quantity.PowerDensity(math.Inf(1))
			case 3:
				st.Lo /= 2
			}
			all, now = append(all, st), now+step
		}
		turns += compare(t, []time.Duration{time.Second, 1500 * time.Millisecond, 100 * time.Millisecond}, all, l)
	})
	if turns < 100 {
		t.Errorf("limits turned only %d times", turns)
	}
}

// The same with many stretches in a slot, which only sums and time can make turn, and
// with stretches that end where slots do.
func TestStandingIsLookedAtWithinASlot(t *testing.T) {
	turns := 0
	rapid.Check(t, func(t *rapid.T) {
		const l = quantity.PowerDensity(10)
		values := []quantity.PowerDensity{0, 9, 9.9, l, quantity.PowerDensity(math.Nextafter(10, 11)), 10.1, 11, 20}
		steps := []time.Duration{1, 3 * time.Microsecond, 50 * time.Microsecond, 700 * time.Microsecond, 3500 * time.Microsecond, 4 * time.Millisecond, 10 * time.Millisecond,
			15 * time.Millisecond, 20 * time.Millisecond, 30 * time.Millisecond, 60 * time.Millisecond}
		now := time.Duration(rapid.IntRange(-20, 20).Draw(t, "start")) * 30 * time.Millisecond
		all := []Stretch{seenAs(now-20*time.Second, now, l, l)} // until the windows are full
		coarse := rapid.IntRange(0, len(steps)).Draw(t, "coarse from")
		for range rapid.IntRange(20, 60).Draw(t, "samples") {
			v, step := rapid.SampledFrom(values).Draw(t, "value"), rapid.SampledFrom(append(steps[:3:3], steps[coarse:]...)).Draw(t, "step")
			st := seenAs(now, now+step, v, v)
			switch rapid.IntRange(0, 9).Draw(t, "kind") {
			case 0:
				st.Lo = v * 0.999
			case 1:
				st.Hi = v * 1.001
			}
			all, now = append(all, st), now+step
		}
		turns += compare(t, []time.Duration{10 * time.Second, 15 * time.Second}, all, l)
	})
	if turns < 100 {
		t.Errorf("limits turned only %d times", turns)
	}
}

// A mean that one value takes above the limit falls below it by time alone, sooner or
// later within the slot.
func TestTimeAloneTurnsAMeanWithinASlot(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		const l, slot, step = quantity.PowerDensity(10), 10 * time.Millisecond, 100 * time.Microsecond
		above := time.Duration(rapid.IntRange(1, 48).Draw(t, "above")) * step
		all := []Stretch{seenAs(-20*time.Second, 0, l, l), seenAs(0, above, 2*l, 2*l)}
		for now := above; now < slot-step; now += step {
			all = append(all, seenAs(now, now+step, 0, 0))
		}
		if turns := compare(t, []time.Duration{1000 * slot}, all, l); turns != 2 {
			t.Fatalf("it turned %d times, want there and back", turns)
		}
	})
}

// A field at full scale that leaves the window takes the mean from far above its
// limit to far below within a slot, whatever was expected to last.
func TestStandingEndsWhenMuchLeavesTheWindow(t *testing.T) {
	turns := 0
	rapid.Check(t, func(t *rapid.T) {
		const slot = time.Millisecond
		full := NewMean(time.Second, aTop, aTopU).flow.full
		l := rapid.SampledFrom([]quantity.PowerDensity{0.01, 1, 10}).Draw(t, "limit")
		much := quantity.PowerDensity(rapid.SampledFrom([]float64{0.5, 0.99, 1}).Draw(t, "much")) * full
		bit := func(most int, label string) time.Duration {
			return time.Duration(rapid.IntRange(1, most).Draw(t, label)) * slot / 8
		}
		now := bit(16, "start")
		all := []Stretch{seenAs(now-3*time.Second, now, 0, 0)} // until the window is full
		add := func(d time.Duration, v quantity.PowerDensity) {
			all, now = append(all, seenAs(now, now+d, v, v)), now+d
		}
		add(bit(80, "long"), much)
		add(time.Second-bit(160, "before it leaves"), 0)
		for range rapid.IntRange(20, 60).Draw(t, "samples") {
			add(bit(16, "step"), rapid.SampledFrom([]quantity.PowerDensity{0, 0, l, 2 * l}).Draw(t, "value"))
		}
		turns += compare(t, []time.Duration{time.Second}, all, l)
	})
	if turns < 100 {
		t.Errorf("limits turned only %d times", turns)
	}
}

// compare feeds stretches to windows and to plain means, and returns how often a
// limit was passed.
func compare(t *rapid.T, spans []time.Duration, all []Stretch, l quantity.PowerDensity) (turns int) {
	w := NewWindows(aTop, aTopU)
	var means []*Mean
	var plains []*plain
	for _, span := range spans {
		_, m := w.Hold(l, span)
		means, plains = append(means, m), append(plains, newPlain(span))
	}
	before := make([]bool, len(spans))
	for i := range all {
		looked := w.Observe(&all[i])
		for j, p := range plains {
			p.observe(all[i])
			want, edge := p.read()
			if got := means[j].Read(); got != want {
				t.Fatalf("stretch %d, over %s: %+v, want %+v", i, spans[j], got, want)
			}
			above, kept := w.Against(j)
			if wantAbove, wantKept := edge(l); above != wantAbove || kept != wantKept {
				t.Fatalf("stretch %d, over %s: above %v, kept %v; want %v, %v", i, spans[j], above, kept, wantAbove, wantKept)
			}
			if above != before[j] {
				if turns++; !looked {
					t.Fatalf("stretch %d, over %s: it turned, and Observe says that nothing did", i, spans[j])
				}
			}
			before[j] = above
		}
	}
	return turns
}
