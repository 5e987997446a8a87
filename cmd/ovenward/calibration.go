package main

import (
	"context"
	"errors"
	"fmt"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/calib"
	"ovenward/acquire/store"
	"ovenward/config"
)

// calibrate gives a probe what its corrections rest on.
func calibrate(p *acquire.Probe, c config.Probe) {
	p.Impedance, p.SaysTemperature = c.Impedance, c.SaysTemperature()
	for i, cert := range c.Certificates {
		if i == 0 {
			p.Certificate = cert.Calib()
		} else {
			p.Earlier = append(p.Earlier, cert.Calib())
		}
	}
}

// stand gives a post what its uncertainty rests on, and who turned its probe.
func stand(p *acquire.Post, c config.Post, oven config.Oven, doubt calib.Doubt) {
	p.Frequency, p.Doubt = oven.Frequency, doubt
	p.Doubt.Distance, p.Doubt.Falloff = c.DistanceOff, c.Falloff
	if c.Turned != nil {
		p.Turned, p.TurnedBy, p.TurnedOn = true, c.Turned.By, c.Turned.On
	}
}

// checkTurned refuses a probe that was turned for the maximum before its post
// was moved, by the places that the record knows.
func checkTurned(f *config.File, record *store.Store) error {
	return checkMoves(f, func(i int) (store.Move, bool, error) { return record.Moved(context.Background(), f.Posts[i].ID) })
}

// checkMoves is checkTurned by how posts (by index) came to where they stand.
func checkMoves(f *config.File, moves func(i int) (store.Move, bool, error)) error {
	var wrong []error
	for i, p := range f.Posts {
		if p.Turned == nil {
			continue
		}
		m, moved, err := moves(i)
		if err != nil {
			return err
		}
		if !moved {
			continue
		}
		since, from := civilDay(m.Since, f.Site.Zone), "when this place was entered; state moved_on if it was moved earlier"
		// A stated day counts unless it is that of an earlier move.
		if !p.MovedOn.IsZero() && !p.MovedOn.Before(civilDay(m.Before, f.Site.Zone)) {
			since, from = p.MovedOn, "as moved_on states"
		}
		if p.Turned.On.Before(since) {
			wrong = append(wrong, fmt.Errorf("post %q was turned for the maximum on %s, and moved on %s (%s): the turning no longer counts; turn the probe again and set turned_by and turned_on, or remove facing",
				p.ID, p.Turned.On.Format(time.DateOnly), since.Format(time.DateOnly), from))
		}
	}
	return errors.Join(wrong...)
}

// civilDay is the site's day of an instant, as the configuration writes days: by
// its first instant in UTC.
func civilDay(t time.Time, zone *time.Location) time.Time {
	if zone != nil {
		t = t.In(zone)
	}
	return time.Date(t.Year(), t.Month(), t.Day(), 0, 0, 0, 0, time.UTC)
}
