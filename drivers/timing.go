package drivers

import "time"

// Timed is a Link that knows what its line does to instants. A Link that wraps
// another should pass it on.
type Timed interface {
	// Timing is asked once, after the link was opened.
	Timing() Timing
}

// Timing is what a line does to the instants of its frames. Zero is a line
// that does nothing to them, or of which nothing is known.
type Timing struct {
	// ByteTime is how long one byte is on the line at the set speed: start bit,
	// data bits, parity and stop bits. 0 where the set speed means nothing.
	ByteTime time.Duration

	// Latency is how long an adapter may hold bytes back before it passes them
	// on: the latency timer of a USB adapter.
	Latency time.Duration
}
