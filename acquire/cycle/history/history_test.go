package history

import (
	"fmt"
	"math/rand/v2"
	"reflect"
	"testing"
	"time"

	"ovenward/acquire/quantity"
)

// TestRunsAndHours holds what is made of invented days against how they were made.
func TestRunsAndHours(t *testing.T) {
	rng := rand.New(rand.NewPCG(31, 32))
	all, truths := made(rng, 30*time.Hour, false)
	k := keptOf(t, all, all[len(all)-1].At.Add(time.Hour))
	if len(k.runs) != len(truths) || len(truths) < 50 {
		t.Fatalf("%d runs, made %d", len(k.runs), len(truths))
	}
	for i, r := range k.runs {
		want := truths[i]
		if r.Number != int64(i+1) || !r.Start.Equal(want.start) || !r.End.Equal(want.end) || r.On != want.on || r.Peak != want.peak || r.Unseen != 0 || !r.Begun ||
			r.Mean <= 0 || r.P95 < r.Median || float64(r.P95) > 1.02*float64(r.Peak) || !(r.Deviation > 0) {
			t.Fatalf("run %d: %+v\nmade: %+v", i, r, want)
		}
	}
	on := func(i int) bool { return all[i].S > 1 }
	for _, h := range k.hours {
		checkSum(t, h.Sum, again(all, options(), on, h.From, h.From.Add(time.Hour)))
	}
	if want := int(all[len(all)-1].At.Truncate(time.Hour).Sub(begin.Truncate(time.Hour)) / time.Hour); len(k.hours) != want {
		t.Errorf("%d hours are kept, want %d: the last is under way", len(k.hours), want)
	}
}

// TestStartsChangeNothing: however often it is stopped, started and cannot keep what
// it has, the same runs and hours come out, each once.
func TestStartsChangeNothing(t *testing.T) {
	for seed := range uint64(6) {
		rng := rand.New(rand.NewPCG(seed, 33))
		all, _ := made(rng, 40*time.Hour, true)
		end := all[len(all)-1].At.Add(time.Hour)
		whole := keptOf(t, all, end)
		pieces := &kept{all: all}
		pieces.fail = func() error {
			if rng.IntN(5) == 0 {
				return fmt.Errorf("the disk is full")
			}
			return nil
		}
		f := NewFollower(pieces, []Post{pass()})
		for now := begin; ; now = now.Add(time.Duration(rng.IntN(3*3600)) * time.Second) {
			if rng.IntN(3) == 0 {
				f = NewFollower(pieces, []Post{pass()})
			}
			if err := f.Once(t.Context(), now); err == nil && !now.Before(end) {
				break
			}
		}
		if !reflect.DeepEqual(pieces.runs, whole.runs) {
			t.Fatalf("seed %d: %d runs, at once %d\n%+v\n%+v", seed, len(pieces.runs), len(whole.runs), pieces.runs[:min(3, len(pieces.runs))], whole.runs[:3])
		}
		if len(pieces.hours) != len(whole.hours) {
			t.Fatalf("seed %d: %d hours, at once %d", seed, len(pieces.hours), len(whole.hours))
		}
		for i, h := range pieces.hours {
			if !h.From.Equal(whole.hours[i].From) {
				t.Fatalf("hour %d is %v, at once %v", i, h.From, whole.hours[i].From)
			}
			checkSum(t, h.Sum, whole.hours[i].Sum)
		}
	}
}

// TestWhatIsIndicatedShowsNoRun: rest by the next correction is no run beside it; what it
// shows above a level counts.
func TestWhatIsIndicatedShowsNoRun(t *testing.T) {
	begin := time.Date(2031, 5, 20, 12, 0, 0, 0, time.UTC)
	for _, lost := range []bool{true, false} {
		runs, above := 0, 0
		p := New(Options{Floor: 0.1, Response: time.Second, Gap: 30 * time.Second, Stale: 3 * time.Second, Levels: []quantity.PowerDensity{50}},
			func(Run) { runs++ }, func(h Hour) {
				e, _ := h.Sum.Above(50)
				above += e.Count
			})
		for i := range 7200 {
			s := Sample{At: begin.Add(time.Duration(i) * time.Second), S: quantity.PowerDensity(0.2 + 0.01*float64(i%3)), Valid: true, Indicated: lost && i < 1200}
			switch {
			case i == 600:
				s.S = 90
			case i >= 1200 && i < 1260:
				s.S++
			}
			p.Observe(s)
		}
		if want := map[bool]int{true: 0, false: 2}[lost]; runs != want || above != 1 {
			t.Errorf("lost %t: %d runs, %d times above; want %d, once", lost, runs, above, want)
		}
	}
}

// TestWhatIsIndicatedIsUnseenOfARun: neither its begin nor what it comes to was seen there.
func TestWhatIsIndicatedIsUnseenOfARun(t *testing.T) {
	begin := time.Date(2031, 5, 20, 12, 0, 0, 0, time.UTC)
	for _, c := range []struct {
		from, to int // indicated
		begun    bool
		unseen   time.Duration
	}{{0, 0, true, 0}, {560, 600, false, 0}, {620, 630, true, 10 * time.Second}} {
		var runs []Run
		p := New(Options{Floor: 0.1, Response: time.Second, Gap: 30 * time.Second, Stale: 3 * time.Second}, func(r Run) { runs = append(runs, r) }, func(Hour) {})
		for i := range 900 {
			s := Sample{At: begin.Add(time.Duration(i) * time.Second), S: quantity.PowerDensity(0.02 * float64(i%3)), Valid: true, Indicated: c.from <= i && i < c.to}
			if i >= 600 && i < 660 {
				s.S += 5
			}
			p.Observe(s)
		}
		if len(runs) != 1 || runs[0].Begun != c.begun || runs[0].Unseen != c.unseen || runs[0].On != time.Minute-c.unseen {
			t.Errorf("indicated from %d to %d s: %+v", c.from, c.to, runs)
		}
	}
}
