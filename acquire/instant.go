package acquire

import (
	"time"

	"ovenward/drivers"
)

// systemDelay is what a talking probe's stamp is unsure by at least: from the
// byte on the line to the read that returns it (common practice, no source).
const systemDelay = time.Millisecond

// sensed estimates when the field of a frame was sensed, and how far the true
// instant may lie to either side.
//
// Asked: the middle of question and answer, for the field was sensed somewhere
// between the two; half of the round trip to either side.
//
// Talking by itself: the first byte's arrival less line time. What came in one
// read with the first byte, and behind it, was on the line after it, so it
// began at least that many byte times before the read. An adapter may have held
// it back for up to its latency timer more: half of that is taken off, too.
//
// To both, the driver's signed offset is added (negative where an answer is an
// average or a conversion made before the question), and half of the adapter's
// latency timer enters the uncertainty.
func sensed(f *drivers.Frame, line *drivers.Timing, offset time.Duration) (at time.Time, u time.Duration) {
	held := line.Latency / 2
	if f.Departed.IsZero() {
		if before := time.Duration(f.Behind)*line.ByteTime + held - offset; before != 0 {
			return f.Arrived.Add(-before), systemDelay + held
		}
		return f.Arrived, systemDelay + held
	}
	half := f.Arrived.Sub(f.Departed) / 2
	return f.Departed.Add(half + offset), half + held
}
