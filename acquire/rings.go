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
	end uint64 // total number added; a fast probe comes past 32 bits in weeks
}

func (r *rawRing) add(at time.Duration, s quantity.PowerDensity) {
	r.at[r.end%uint64(len(r.at))], r.s[r.end%uint64(len(r.s))] = at, s
	r.end++
}

// since returns the readings not older than from, oldest first.
func (r *rawRing) since(from time.Duration) []quantity.PowerDensity {
	var out []quantity.PowerDensity
	n := uint64(len(r.at))
	for i := r.end - min(r.end, n); i < r.end; i++ {
		if r.at[i%n] >= from {
			out = append(out, r.s[i%n])
		}
	}
	return out
}

// minutePeak holds the highest value of the present whole minute (UTC) and of
// the one before it.
type minutePeak struct {
	offset      time.Duration         // into its minute, of the zero of the monotonic clock
	minute      int64                 // from that minute on
	until       time.Duration         // when that ends
	now, before quantity.PowerDensity // noPeak where there is none
}

const noPeak quantity.PowerDensity = -1 // is below all that add takes

func newMinutePeak(epoch time.Time) minutePeak {
	return minutePeak{offset: epoch.Sub(epoch.Truncate(time.Minute)), minute: -1, until: math.MinInt64, now: noPeak, before: noPeak}
}

// add takes a value that is not below zero.
func (m *minutePeak) add(at time.Duration, s quantity.PowerDensity) {
	if at >= m.until {
		m.advance(at)
	}
	if s > m.now {
		m.now = s
	}
}

func (m *minutePeak) advance(at time.Duration) {
	minute := int64((at + m.offset) / time.Minute)
	switch {
	case minute == m.minute+1:
		m.before, m.now, m.minute = m.now, noPeak, minute
	case minute > m.minute:
		m.before, m.now, m.minute = noPeak, noPeak, minute
	}
	m.until = time.Duration(m.minute+1)*time.Minute - m.offset
}

func (m *minutePeak) read(at time.Duration) (peak quantity.PowerDensity, has bool) {
	m.advance(at)
	highest := max(m.now, m.before)
	return max(highest, 0), highest != noPeak
}
