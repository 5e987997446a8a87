//go:build !linux

package acquire

// SystemClock is nil: this system cannot be asked whether its wall clock is
// synchronised.
func SystemClock() ClockSource { return nil }
