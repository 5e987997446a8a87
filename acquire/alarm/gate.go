package alarm

import "time"

// Presence is what is known of a condition at an instant.
type Presence uint8

const (
	Unknown Presence = iota // nothing is seen: neither present nor absent
	Absent
	Present
)

// PresentIf is Present or Absent.
func PresentIf(is bool) Presence {
	if is {
		return Present
	}
	return Absent
}

// Band compares a quantity with a level, with a deadband below it: present above
// the level, absent at or below Level × (1 − Deadband), and what it was between.
type Band struct {
	Level    float64
	Deadband float64 // 0 to below 1
}

// Look compares what is known of the quantity: it lies from lo to hi. It is
// present only if all of that is above, absent only if all is below the deadband.
func (b Band) Look(lo, hi float64) Presence {
	switch {
	case lo > b.Level:
		return Present
	case hi <= b.Level*(1-b.Deadband):
		return Absent
	}
	return Unknown
}

// Gate holds a condition back until it was seen for long enough: present for On
// before it appears, absent for Off before it disappears. Only what was seen
// counts; what was not seen in between neither adds to it nor breaks it. Spans
// are of the monotonic clock. The zero Gate passes a condition at once.
type Gate struct {
	On, Off time.Duration

	was   Presence
	last  time.Duration // of the newest look
	times [3]time.Duration
}

// Look takes what is known at an instant and says what happens, if anything
// does. It keeps saying it; the alarm knows whether that is new.
func (g Gate) Look(is Presence, now time.Duration) (Gate, Happening, bool) {
	if g.was == is && is != Unknown {
		g.times[is] += max(now-g.last, 0)
	}
	switch is {
	case Present:
		g.times[Absent] = 0
	case Absent:
		g.times[Present] = 0
	}
	g.was, g.last = is, now
	switch {
	case is == Present && g.times[Present] >= g.On:
		return g, Appears, true
	case is == Absent && g.times[Absent] >= g.Off:
		return g, Disappears, true
	}
	return g, 0, false
}
