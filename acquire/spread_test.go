package acquire

import (
	"math"
	"testing"
	"time"
)

func TestSpreadStaysWithinTheSlot(t *testing.T) {
	for _, tc := range []struct {
		response, period, width time.Duration
	}{
		{200 * time.Millisecond, 100 * time.Millisecond, 0}, // not below 0.2 s
		{time.Second, time.Second, 0},
		{199 * time.Millisecond, 100 * time.Millisecond, cycle50 + cycle60},
		{time.Millisecond, 50 * time.Millisecond, 25 * time.Millisecond},
		{time.Millisecond, 10 * time.Millisecond, 5 * time.Millisecond},
		{time.Millisecond, time.Second, cycle50 + cycle60},
		{time.Millisecond, 0, 0}, // it talks by itself
	} {
		s := newSpread("door", tc.response, tc.period)
		if s.first+s.second != tc.width {
			t.Errorf("%s, every %s: spread over %s and %s, want %s", tc.response, tc.period, s.first, s.second, tc.width)
		}
		for n := int64(-3); n < 2000; n++ {
			if d := s.of(n); d < 0 || d > max(tc.width-1, 0) {
				t.Fatalf("slot %d begins %s late, of %s", n, d, tc.width)
			}
		}
	}
}

func TestSpreadIsTheSameForTheSameSeed(t *testing.T) {
	a, b, other := newSpread("door", 1, time.Second), newSpread("door", 1, time.Second), newSpread("hatch", 1, time.Second)
	same := 0
	for n := range int64(100) {
		if a.of(n) != b.of(n) {
			t.Fatalf("slot %d of one post begins at %s and at %s", n, a.of(n), b.of(n))
		}
		if a.of(n) == other.of(n) {
			same++
		}
	}
	if same > 2 {
		t.Errorf("two posts poll together in %d of 100 slots", same)
	}
}

// A field that is on for half of each mains cycle is half on: polls at a steady
// 100 ms would see it always or never, spread ones half the time. Over n polls
// the share seen scatters by 0.5/√n.
func TestSpreadPollsDoNotStrobe(t *testing.T) {
	for _, hertz := range []int64{50, 60} {
		emits := func(at time.Duration) bool { return int64(at)*hertz%int64(time.Second) < int64(time.Second)/2 }
		for _, period := range []time.Duration{100 * time.Millisecond, 200 * time.Millisecond, time.Second} {
			p := pace{epoch: time.Unix(0, 0), period: period, spread: newSpread("door", 10*time.Millisecond, period)}
			const polls = 4000
			on, steady := 0, 0
			for n := range int64(polls) {
				if emits(p.at(n).Sub(p.epoch)) {
					on++
				}
				if emits(time.Duration(n) * period) {
					steady++
				}
			}
			if share := float64(on) / polls; math.Abs(share-0.5) > 0.03 {
				t.Errorf("%v Hz, every %s: the field is seen in %.3f of the polls, want 0.5", hertz, period, share)
			}
			if steady != polls {
				t.Errorf("%v Hz, every %s: steady polls see the field %d times of %d; the case shows nothing", hertz, period, steady, polls)
			}
		}
	}
}

func TestSpreadPollsKeepTheirOrderAndSlots(t *testing.T) {
	p := pace{epoch: time.Unix(0, 0), period: 20 * time.Millisecond, spread: newSpread("door", time.Millisecond, 20*time.Millisecond)}
	for n := range int64(1000) {
		slot := p.epoch.Add(time.Duration(n) * p.period)
		if at := p.at(n); at.Before(slot) || !at.Before(slot.Add(p.period)) || p.at(n+1).Sub(at) < p.period/2 {
			t.Fatalf("slot %d: %s after its start, the next %s later", n, at.Sub(slot), p.at(n+1).Sub(at))
		}
	}
}
