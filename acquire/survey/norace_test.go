//go:build !race

package survey

// underRace says whether the race detector slows everything down; long counts are cut then.
const underRace = false
