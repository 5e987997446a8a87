package store

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/calib"
	"ovenward/drivers"
)

// mixed records some hours of samples of all kinds: pauses, faults, over-range,
// another unit, axes without a total, another correction on the way.
func mixed(t *testing.T, s *Store, n int) {
	t.Helper()
	random := rand.New(rand.NewPCG(5, 6))
	at := noon()
	for i := range int64(n) {
		at = at.Add(time.Duration(300+random.IntN(3)) * time.Millisecond)
		if random.IntN(400) == 0 {
			at = at.Add(time.Duration(random.IntN(600)) * time.Second)
		}
		b := acquire.Sample{Seq: i + 1, At: at, AtU: 2 * time.Millisecond, Said: []byte("x"),
			Reading: drivers.Reading{Value: drivers.Decimal{Digits: random.Int64N(4000) - 10, Exp: -3}, HasValue: true, Unit: "mW/cm2"}}
		switch k := random.IntN(300); {
		case k == 0:
			b.Quality = acquire.Fault
		case k == 1:
			b.Quality, b.Reading.Status, b.Reading.HasValue = acquire.OverRange, drivers.OverRange, false
		case k == 2:
			b.Quality = acquire.UnderFloor
		case k == 3:
			b.Reading.Value, b.Reading.Unit = drivers.Decimal{Digits: random.Int64N(300)}, "V/m"
		case k == 4:
			b.Reading.HasValue, b.Reading.HasAxes, b.Reading.Axes = false, true, [3]drivers.Decimal{{Digits: 1}, {Digits: 2}, {Digits: 3, Exp: -1}}
		}
		if i == int64(n/3) {
			s.Correction(0, calib.Correction{Zero: 0.5, Certificate: certificate()})
		}
		s.Append(0, []acquire.Sample{b})
		if i%5000 == 4999 {
			flushed(t, s)
			merged(t, s, i%10000 == 9999)
		}
	}
	flushed(t, s)
}

// plainly sums up by the definition, sample by sample.
func plainly(all []StoredSample, from, to time.Time, hold time.Duration) Sums {
	s := emptySums()
	for i, x := range all {
		end := x.At.Add(hold)
		if i+1 < len(all) && all[i+1].At.Before(end) {
			end = all[i+1].At
		}
		begin := x.At
		if begin.Before(from) {
			begin = from
		}
		if end.After(to) {
			end = to
		}
		d := max(0, end.Sub(begin))
		counts := x.HasValue() && !math.IsNaN(float64(x.S))
		switch {
		case x.Quality&acquire.OverRange != 0:
			s.OverRange += d
		case counts:
			s.Seen, s.Integral = s.Seen+d, s.Integral+float64(x.S)*d.Seconds()
		}
		if x.At.Before(from) || !x.At.Before(to) {
			continue
		}
		s.Samples++
		s.Classes[x.Quality.Class()]++
		if v := float64(x.S); counts {
			if s.Values++; s.Values == 1 {
				s.Min, s.Max, s.Sum, s.First, s.Last = v, v, v, v, v
				continue
			}
			s.Min, s.Max, s.Sum, s.Last = min(s.Min, v), max(s.Max, v), s.Sum+v, v
		}
	}
	return s
}

// checkSums holds a point of a chart against the samples' own sums.
func checkSums(t *testing.T, p Point, want Sums) {
	t.Helper()
	for what, pair := range map[string][2]float64{"min": {p.Min, want.Min}, "max": {p.Max, want.Max}, "sum": {p.Sum, want.Sum}, "first": {p.First, want.First},
		"last": {p.Last, want.Last}, "integral": {p.Integral, want.Integral}, "mean": {p.Mean(), want.Mean()}} {
		if near := math.Abs(pair[0]-pair[1]) <= 1e-4*max(1, math.Abs(pair[1])); !near && !(math.IsNaN(pair[0]) && math.IsNaN(pair[1])) {
			t.Fatalf("%s: %s %v, want %v", p.From, what, pair[0], pair[1])
		}
	}
	if d := p.Seen - want.Seen; d.Abs() > time.Millisecond || (p.OverRange-want.OverRange).Abs() > time.Millisecond {
		t.Fatalf("%s: seen %s, over range %s, want %s, %s", p.From, p.Seen, p.OverRange, want.Seen, want.OverRange)
	}
}

func TestChartIsWhatTheSamplesSay(t *testing.T) {
	s := open(t, t.TempDir(), Options{CommitEvery: time.Hour})
	register(t, s, post("fryer"))
	mixed(t, s, 15_000)
	all := everything(t, s.Reader, "fryer")
	hold := post("fryer").Stale
	end := func(to time.Time) time.Time { // a chart ends with the last sample
		if last := all[len(all)-1].At.Add(1); to.After(last) {
			return last
		}
		return to
	}
	check := func(t *testing.T, from, to time.Time, n int) {
		t.Helper()
		points, err := s.Chart(t.Context(), "fryer", from, to, n)
		if err != nil {
			t.Fatal(err)
		}
		if len(points) > n+1 {
			t.Errorf("%d points, want at most %d", len(points), n)
		}
		samples := int64(0)
		for _, p := range points {
			want := plainly(all, p.From, end(p.To), hold)
			if p.To.After(to) && !to.IsZero() { // the last one is cut
				continue
			}
			samples += p.Samples
			if p.Samples != want.Samples || p.Values != want.Values || p.Classes != want.Classes {
				t.Fatalf("%s: %+v, want %+v", p.From, p.Sums, want)
			}
			checkSums(t, p, want)
		}
		if from.IsZero() && to.IsZero() && samples != int64(len(all)) {
			t.Errorf("%d samples in the points, want %d", samples, len(all))
		}
	}
	for _, n := range []int{1, 2, 7, 60, 1200} {
		t.Run(fmt.Sprint("all of it at ", n, " points"), func(t *testing.T) { check(t, time.Time{}, time.Time{}, n) })
	}
	at := noon().Add(37 * time.Minute)
	for _, span := range []time.Duration{time.Second, 20 * time.Second, 10 * time.Minute, time.Hour} {
		t.Run("from the middle "+span.String(), func(t *testing.T) { check(t, at, at.Add(span), 100) })
	}
	t.Run("by hours", func(t *testing.T) {
		c := &charting{r: s.Reader, post: 1, name: "fryer", to: all[len(all)-1].At.UnixNano() + 1}
		if err := c.sums(t.Context(), perHour, slotHours, nsHour, noon().UnixNano(), c.to, 5); err != nil {
			t.Fatal(err)
		}
		for _, p := range c.points {
			if want := plainly(all, p.From, end(p.To), hold); p.Samples != want.Samples || math.Abs(p.Integral-want.Integral) > 1e-3*math.Abs(want.Integral) {
				t.Errorf("%s: %+v, want %+v", p.From, p.Sums, want)
			}
		}
	})
	points, err := s.Chart(t.Context(), "fryer", noon().Add(-time.Hour), noon().Add(-time.Minute), 10)
	if err != nil || len(points) != 0 {
		t.Errorf("before all samples it has %d points, %v: nothing was recorded, which is no zero", len(points), err)
	}
}
