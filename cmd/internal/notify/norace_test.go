//go:build !race

package notify

import "time"

const dayEnds = 24 * time.Hour
