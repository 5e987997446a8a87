//go:build !linux

package acquire

// PreciseSleeper is the most exact Sleeper this system has: on Linux
// clock_nanosleep(CLOCK_MONOTONIC, TIMER_ABSTIME), elsewhere Timers.
func PreciseSleeper() Sleeper { return Timers{} }
