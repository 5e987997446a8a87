//go:build race

package store

// raced says that the race detector slows this run down by a factor: trials that
// look for no race are fewer then.
const raced = true
