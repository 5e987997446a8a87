//go:build race

package soak

// underRace says whether the race detector slows everything down; long counts are cut then.
const underRace = true
