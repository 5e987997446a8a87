//go:build !race

package stats

// underRace says whether the race detector slows everything down; long counts are cut then.
const underRace = false
