package acquire

import (
	"hash/fnv"
	"time"
)

// strobing is the response time below which a probe follows the half-waves of
// the mains (RF for half of every cycle of 16.7 or 20 ms), so that polls at a
// steady pace would always meet the same part of them.
const strobing = 200 * time.Millisecond

// The cycles of the mains. The sum of two offsets, each spread evenly over one of
// them, is spread evenly over both.
const (
	cycle50 = time.Second / 50
	cycle60 = time.Second / 60
)

// spread moves each poll of a fast probe to an instant of its own within its
// slot. The zero value moves none. It is a pure function of seed and slot.
type spread struct {
	seed          uint64
	first, second time.Duration // the widths of the two offsets that are added
}

// newSpread returns how the polls of a probe are spread: over less than half of
// the slot, so that there is room for the answer. Slots of 74 ms and more have
// room for both cycles; shorter ones meet the parts of a cycle less evenly, but
// meet more of them.
func newSpread(name string, response, period time.Duration) spread {
	if response <= 0 || response >= strobing || period <= 0 {
		return spread{}
	}
	h := fnv.New64a()
	h.Write([]byte(name))
	s := spread{seed: h.Sum64(), first: min(period/2, cycle50)}
	s.second = min(period/2-s.first, cycle60)
	return s
}

// of returns how long after the start of its slot a poll is made.
func (s spread) of(slot int64) time.Duration {
	return s.draw(2*slot, s.first) + s.draw(2*slot+1, s.second)
}

// draw returns the n-th offset below width.
func (s spread) draw(n int64, width time.Duration) time.Duration {
	if width <= 0 {
		return 0
	}
	// SplitMix64, by Steele, Lea and Flood (OOPSLA 2014).
	x := s.seed + uint64(n+1)*0x9e3779b97f4a7c15
	x = (x ^ x>>30) * 0xbf58476d1ce4e5b9
	x = (x ^ x>>27) * 0x94d049bb133111eb
	x ^= x >> 31
	return time.Duration(x % uint64(width))
}
