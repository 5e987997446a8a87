package acquire

import (
	"math"
	"time"

	"ovenward/acquire/quantity"
)

// zeroSpan is how far back the readings lie that a zero is taken from.
const zeroSpan = 10 * time.Second

// rawRing keeps the newest raw readings, for the zero.
type rawRing struct {
	at  [256]time.Duration
	s   [256]quantity.PowerDensity
	end int // total number added
}

func (r *rawRing) add(at time.Duration, s quantity.PowerDensity) {
	r.at[r.end%len(r.at)], r.s[r.end%len(r.s)] = at, s
	r.end++
}

// since returns the readings not older than from, oldest first.
func (r *rawRing) since(from time.Duration) []quantity.PowerDensity {
	var out []quantity.PowerDensity
	for i := max(0, r.end-len(r.at)); i < r.end; i++ {
		if r.at[i%len(r.at)] >= from {
			out = append(out, r.s[i%len(r.s)])
		}
	}
	return out
}

// minutePeak holds the highest value of the present whole minute (UTC) and of
// the one before it.
type minutePeak struct {
	offset      time.Duration // into its minute, of the zero of the monotonic clock
	minute      int64         // from that minute on
	until       time.Duration // when that ends
	now, before quantity.PowerDensity
	hasNow      bool
	hasBefore   bool
}

func newMinutePeak(epoch time.Time) minutePeak {
	return minutePeak{offset: epoch.Sub(epoch.Truncate(time.Minute)), minute: -1, until: math.MinInt64}
}

func (m *minutePeak) add(at time.Duration, s quantity.PowerDensity) {
	if at >= m.until {
		m.advance(at)
	}
	if !m.hasNow || s > m.now {
		m.now, m.hasNow = s, true
	}
}

func (m *minutePeak) advance(at time.Duration) {
	minute := int64((at + m.offset) / time.Minute)
	switch {
	case minute == m.minute+1:
		m.before, m.hasBefore, m.hasNow, m.minute = m.now, m.hasNow, false, minute
	case minute > m.minute:
		m.hasNow, m.hasBefore, m.minute = false, false, minute
	}
	m.until = time.Duration(m.minute+1)*time.Minute - m.offset
}

func (m *minutePeak) read(at time.Duration) (quantity.PowerDensity, bool) {
	m.advance(at)
	switch {
	case m.hasNow && m.hasBefore:
		return max(m.now, m.before), true
	case m.hasBefore:
		return m.before, true
	}
	return m.now, m.hasNow
}
