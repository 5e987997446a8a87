package main

import (
	"errors"

	"ovenward/acquire"
	"ovenward/acquire/clockfile"
	"ovenward/config"
)

// clockSource is how the wall clock is asked how it fares; nil trusts it.
func clockSource(s config.Site, system acquire.ClockSource) (acquire.ClockSource, error) {
	switch {
	case s.Clock == config.ClockTrusted:
		return nil, nil
	case s.Clock == config.ClockChecked && system == nil:
		return nil, errors.New(`site: clock: this system cannot be asked whether its clock is synchronised; write clock = "trusted"`)
	}
	return system, nil
}

// kernelClock is what says how the wall clock fares: the kernel itself, or the file that
// ovenward clock keeps for a program that may not ask it.
func kernelClock(file string) acquire.ClockSource {
	if file == "" {
		return acquire.SystemClock()
	}
	return clockfile.Source(file, clockfile.SystemClocks)
}
