package main

import (
	"errors"

	"ovenward/acquire"
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
