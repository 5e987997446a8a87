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
	base, at time.Time // what the receiver's clock said at most, and when by ours
	odd      time.Time // since when the wall clock is elsewhere, and nobody says who is right
}

func (h *horizon) start(now time.Time) { *h = horizon{base: now.Round(0), at: now} }

// learn takes the Date of an answer that came now; zero when it had none.
func (h *horizon) learn(date, now time.Time) {
	if !date.IsZero() {
		*h = horizon{base: date.Add(dateStep), at: now}
		return
	}
	off := now.Round(0).Sub(h.limit(now))
	switch {
	case off > -tellHeld && off < tellHeld:
		h.odd = time.Time{}
	case h.odd.IsZero():
		h.odd = now
	case now.Sub(h.odd) >= trustAfter:
		h.start(now)
	}
}

// limit is the latest instant that may be sent now.
func (h *horizon) limit(now time.Time) time.Time { return h.base.Add(now.Sub(h.at)) }
