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

	width    time.Duration            // of one slot
	ring     [slots + 1]time.Duration // time above in each slot
	lit      [slots + 1]time.Duration // time seen in each slot
	seen     time.Duration            // over lit
	newest   int64                    // number of the newest slot
	from     time.Duration            // where that begins
	place    int                      // of it in the rings
	sum      time.Duration            // over the ring
	unbroken time.Duration
	below    time.Duration // seen at or below the limit since it was last above
	started  bool
	end      time.Duration // of the newest stretch
}

// NewSustained starts counting at nothing seen.
func NewSustained(r SustainedRule, l quantity.PowerDensity) *Sustained {
	return &Sustained{rule: r, limit: l, width: max((r.Within+slots-1)/slots, 1)}
}

// Observe adds the next stretch. Stretches come in order of time; a gap between
// two is unseen, and what overlaps an earlier one counts once. Only a lower bound above the limit is time above, only an
// upper bound at or below it is time below; the rest is neither.
func (s *Sustained) Observe(st *Stretch) {
	from := st.From
	if s.started {
		from = max(from, s.end)
	}
	d := st.To - from
	if d <= 0 {
		return
	}
	if s.started && from > s.end {
		s.unbroken = 0
	}
	s.advance(st.To)
	s.end = st.To
	if st.Seen {
		s.seen += s.add(&s.lit, from, st.To)
	}
	switch {
	case !st.Seen:
		s.unbroken = 0
	case st.Lo > s.limit:
		s.unbroken += d
		s.below = 0
		s.sum += s.add(&s.ring, from, st.To)
	case st.Hi <= s.limit:
		s.unbroken = 0
		s.below += d
	default:
		s.unbroken = 0
	}
}

// Above says whether the rule's time above is reached at the last stretch's end.
func (s *Sustained) Above() bool {
	return s.unbroken >= s.rule.Unbroken && s.unbroken > 0 || s.sum >= s.rule.Summed && s.sum > 0
}

// Returned says whether the field was seen at or below the limit for the
// clear delay. What was not seen counts for nothing.
func (s *Sustained) Returned() bool { return s.below >= s.rule.Clear }

// Break notes a field above the limit that has no duration yet, such as an
// over-range: the clear delay starts anew.
func (s *Sustained) Break() { s.below = 0 }

// TimeAbove returns the unbroken time above and the sum within the window.
func (s *Sustained) TimeAbove() (unbroken, summed time.Duration) { return s.unbroken, s.sum }

// Cover is the seen fraction of the window, 0 to 1. Time before the first
// stretch was not seen.
func (s *Sustained) Cover() float64 {
	return min(float64(s.seen)/float64(slots*s.width), 1)
}

// advance moves the window so that its newest slot ends at or after to.
func (s *Sustained) advance(to time.Duration) {
	if s.started && to <= s.from+s.width {
		return
	}
	n := floorDiv(to-1, s.width)
	s.from, s.place = time.Duration(n)*s.width, index(n)
	if !s.started {
		s.started, s.newest = true, n
		return
	}
	if n-s.newest >= slots+1 {
		s.ring, s.sum, s.newest = [slots + 1]time.Duration{}, 0, n
		s.lit, s.seen = s.ring, 0
		return
	}
	for s.newest < n {
		s.newest++
		i := index(s.newest)
		s.sum -= s.ring[i]
		s.seen -= s.lit[i]
		s.ring[i], s.lit[i] = 0, 0
	}
}

// add spreads a stretch over the slots it touches, and returns what it added;
// what is older than the window is left out.
func (s *Sustained) add(ring *[slots + 1]time.Duration, from, to time.Duration) time.Duration {
	if from >= s.from { // most stretches lie in the newest slot
		ring[s.place] += to - from
		return to - from
	}
	from = max(from, s.from-slots*s.width)
	begin := from
	for n := floorDiv(from, s.width); from < to; n++ {
		end := min(to, time.Duration(n+1)*s.width)
		ring[index(n)] += end - from
		from = end
	}
	return max(to-begin, 0)
}

func index(slot int64) int {
	i := slot % (slots + 1)
	if i < 0 {
		i += slots + 1
	}
	return int(i)
}
