package main

import "os"

// counts is how often a fault is tried in the gate, and in the full counts.
func counts(gate, full int) int {
	if os.Getenv("OVENWARD_COUNTS") == "full" && !raced {
		return full
	}
	return gate
}
