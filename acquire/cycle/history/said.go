package history

import "ovenward/acquire/cycle"

// SaidOf finds by the word of which contact a run is of its post's oven: it said from the
// run's begin to its end that the oven was switched to heat; empty: none did. Begin and
// end of a run are known to a response of the probe and for how long a value holds. all
// are joined.
func SaidOf(all []cycle.Switched, o Options, r Run) string {
	return cycle.Said(all, r.Start, r.End, o.Response+o.Stale)
}
