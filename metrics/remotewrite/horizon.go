package remotewrite

import "time"

const (
	// dateStep is the step of a Date header: the receiver's clock may be as much
	// further.
	dateStep = time.Second
	// tellHeld is how far samples may be ahead before it is called held back.
	tellHeld = 2 * time.Second
	// trustAfter is how long a clock that stepped waits to be believed where the
	// receiver does not say what time it is.
	trustAfter = 10 * time.Minute
)

// horizon is the latest instant that may be sent. It goes on with the monotonic
// clock from the receiver's Date, or, where the receiver says none, from the wall
// clock at the start: a step of the wall clock does not move it. A sample in the
// receiver's future would block its series there until that future has come.
type horizon struct {
	base time.Time     // what the receiver's clock said at most,
	at   time.Duration // and when, on our monotonic clock
	odd  time.Duration // since when the wall clock is elsewhere, and nobody says who is right; 0: it is not
}

func (h *horizon) start(wall time.Time, mono time.Duration) {
	*h = horizon{base: wall.Round(0), at: mono}
}

// learn takes the Date of an answer that came now; zero when it had none.
func (h *horizon) learn(date, wall time.Time, mono time.Duration) {
	if !date.IsZero() {
		*h = horizon{base: date.Add(dateStep), at: mono}
		return
	}
	off := wall.Round(0).Sub(h.limit(mono))
	switch {
	case off > -tellHeld && off < tellHeld:
		h.odd = 0
	case h.odd == 0:
		h.odd = max(mono, 1)
	case mono-h.odd >= trustAfter:
		h.start(wall, mono)
	}
}

// limit is the latest instant that may be sent now.
func (h *horizon) limit(mono time.Duration) time.Time { return h.base.Add(mono - h.at) }
