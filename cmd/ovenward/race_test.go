//go:build race

package main

// raced says that the race detector slows this run down by a factor.
const raced = true
