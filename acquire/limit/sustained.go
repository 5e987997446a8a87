package limit

import (
	"time"

	"ovenward/acquire/quantity"
)

// Stretch is a span of monotonic time with bounds on the field through it,
// half open: From is in it, To is not.
type Stretch struct {
	From, To time.Duration
	Lo, Hi   quantity.PowerDensity // W/m²; unused when not Seen
	Seen     bool                  // false: nothing is known of the field

	U            quantity.PowerDensity // expanded uncertainty of the field; NaN if unknown
	Uncalibrated bool                  // no certificate was in force
}

// SustainedRule says when time above a limit is worth a report, and when an
// exceedance counts as returned. An oven at part power emits for some seconds
// in each 20 to 30 s, so time above is summed as well as looked for unbroken.
type SustainedRule struct {
	Unbroken time.Duration // first report after this long above without a break,
	Summed   time.Duration // or after this long above in sum
	Within   time.Duration // of a window this long
	Clear    time.Duration // returned after this long seen at or below the limit
}

// slots divide the window: its old edge moves in steps of Within/slots, so the
// sum covers at most that much more than Within, and never less.
const slots = 1000

// Sustained counts time above one limit by one rule. Observing is O(1) and its
// memory is fixed. The zero value is not usable; see NewSustained.
type Sustained struct {
	rule  SustainedRule
	limit quantity.PowerDensity

	width    time.Duration    // of one slot
	counted  tally            // since the first stretch
	base     tally            // what that was where the window begins
	ring     [slots + 1]tally // and where each slot does, the newest too
	place    int              // of the newest slot in the ring
	next     time.Duration    // where that ends
	seen     bool             // what counts since the last turn
	above    bool
	unbroken time.Duration
	below    time.Duration // seen at or below the limit since it was last above
	started  bool
	end      time.Duration // of the newest stretch
}

// tally is time that was counted.
type tally struct{ above, seen time.Duration }

// NewSustained starts counting at nothing seen.
func NewSustained(r SustainedRule, l quantity.PowerDensity) *Sustained {
	return &Sustained{rule: r, limit: l, width: max((r.Within+slots-1)/slots, 1)}
}

// Observe adds the next stretch. Stretches come in order of time; a gap between
// two is unseen, and what overlaps an earlier one counts once. Only a lower bound
// above the limit is time above, only an upper bound at or below it is time below;
// the rest is neither.
func (s *Sustained) Observe(st *Stretch) {
	from := st.From
	if s.started {
		from = max(from, s.end)
	}
	d := st.To - from
	if d <= 0 {
		return
	}
	above := st.Seen && st.Lo > s.limit
	if from != s.end || st.Seen != s.seen || above != s.above || !s.started {
		s.turn(from, st.Seen, above)
	}
	s.end = st.To
	s.counted.add(d, st.Seen, above)
	switch {
	case above:
		s.unbroken += d
		s.below = 0
	case st.Seen && st.Hi <= s.limit:
		s.unbroken = 0
		s.below += d
	default:
		s.unbroken = 0
	}
}

// turn begins to count otherwise than before.
func (s *Sustained) turn(from time.Duration, seen, above bool) {
	if !s.started {
		s.started = true
		s.begin(floorDiv(from, s.width))
	} else {
		s.settle()
		if from > s.end { // a gap: nothing is counted in it
			s.seen, s.above, s.unbroken, s.end = false, false, 0, from
			s.settle()
		}
	}
	s.seen, s.above, s.end = seen, above, from
}

// Above says whether the rule's time above is reached at the last stretch's end.
func (s *Sustained) Above() bool {
	switch {
	case s.unbroken >= s.rule.Unbroken && s.unbroken > 0:
		return true
	case s.counted.above-s.base.above < s.rule.Summed: // since before the window
		return false
	}
	sum := s.sum()
	return sum >= s.rule.Summed && sum > 0
}

// sum is the time above within the window.
func (s *Sustained) sum() time.Duration {
	s.settle()
	return s.counted.above - s.base.above
}

// Returned says whether the field was seen at or below the limit for the
// clear delay. What was not seen counts for nothing.
func (s *Sustained) Returned() bool { return s.below >= s.rule.Clear }

// Break notes a field above the limit that has no duration yet, such as an
// over-range: the clear delay starts anew.
func (s *Sustained) Break() { s.below = 0 }

// TimeAbove returns the unbroken time above and the sum within the window.
func (s *Sustained) TimeAbove() (unbroken, summed time.Duration) { return s.unbroken, s.sum() }

// Cover is the seen fraction of the window, 0 to 1. Time before the first
// stretch was not seen.
func (s *Sustained) Cover() float64 {
	s.settle()
	return min(float64(s.counted.seen-s.base.seen)/float64(slots*s.width), 1)
}

// settle moves the window so that its newest slot ends at or after the end. What was
// counted at the slots' edges on the way follows from what is counted now, for since
// the last turn time counts evenly; so this is done when it is asked for, and not at
// each sample.
func (s *Sustained) settle() {
	if s.next >= s.end {
		return
	}
	if s.end-s.next > slots*s.width { // all of it is new
		s.begin(floorDiv(s.end-1, s.width) - slots - 1)
	}
	for s.next < s.end {
		if s.place++; s.place > slots {
			s.place = 0
		}
		s.ring[s.place] = s.counted
		s.ring[s.place].add(s.next-s.end, s.seen, s.above)
		s.next += s.width
	}
	s.base = s.ring[(s.place+1)%(slots+1)]
}

// begin makes a slot the newest.
func (s *Sustained) begin(slot int64) {
	s.place, s.next = index(slot), time.Duration(slot+1)*s.width
}

func (t *tally) add(d time.Duration, seen, above bool) {
	if seen {
		t.seen += d
	}
	if above {
		t.above += d
	}
}

func index(slot int64) int {
	i := slot % (slots + 1)
	if i < 0 {
		i += slots + 1
	}
	return int(i)
}
