//go:build race

package notify

import "time"

// dayEnds is after the dead probe, the chatter and the dead network: with the
// race detector a whole day takes too long.
const dayEnds = 12*time.Hour + 30*time.Minute
