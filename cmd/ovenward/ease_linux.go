package main

import (
	"fmt"
	"os"
	"runtime"
	"time"

	"golang.org/x/sys/unix"
)

// newEase has Go do what is decided. Who set GOMAXPROCS has decided; then there is none.
func newEase() *ease {
	if os.Getenv("GOMAXPROCS") != "" {
		return nil
	}
	return &ease{used: processorTime, set: runAlone}
}

// runAlone has the program run on one processor, or on as many as Go would give it.
func runAlone(yes bool) {
	if yes {
		runtime.GOMAXPROCS(1)
		return
	}
	runtime.SetDefaultGOMAXPROCS()
}

// processorTime is how long the program has run so far, on all processors.
func processorTime() (time.Duration, error) {
	var u unix.Rusage
	if err := unix.Getrusage(unix.RUSAGE_SELF, &u); err != nil {
		return 0, fmt.Errorf("ask how much of the processor was used: %w", err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano()), nil
}
