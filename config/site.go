package config

import (
	"time"

	// The zones are carried along, so that a file that is right on one machine
	// is right on one without a zone database.
	_ "time/tzdata"
)

// Site is the [site] section: where the ovens stand.
type Site struct {
	Line int
	Name string
	Zone *time.Location // civil time there; UTC when not set
	Page string         // where people reach the page, for the links in messages; empty: not said

	Clock     Clock // whether its wall clock is asked how it fares
	ClockLine int
}

func readSite(root *table) Site {
	s := Site{Zone: time.UTC}
	t := root.table("site")
	if t == nil {
		if !root.has("site") {
			root.needs("site", `write [site] and, below it, for example name = "Larkfield House"`)
		}
		return s
	}
	s.Line = t.at.line
	s.Name = t.text(ask{"name", `"Larkfield House"`, true})
	if zone := t.text(ask{"zone", `"Europe/London"`, false}); zone != "" {
		// "Local" would make the file mean another thing on each machine.
		loc, err := time.LoadLocation(zone)
		if err != nil || zone == "Local" {
			t.problem("zone", `%s is no time zone; write an IANA name such as "Europe/London", or "UTC"`, shown(zone))
		} else {
			s.Zone = loc
		}
	}
	s.Page = readURL(t, ask{"page", `"https://ovenward.larkfield.example/"`, false}, false)
	s.Clock, s.ClockLine = readClock(t), t.line("clock")
	t.finish()
	return s
}
