package main

import (
	"fmt"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/limit"
	"ovenward/config"
	"ovenward/drivers"
	"ovenward/drivers/serialport"
	"ovenward/drivers/simulate"
	"ovenward/drivers/textline"
)

// protocols is the one table of drivers: a new driver is one line here.
func protocols() map[string]func(config.Probe) (drivers.Protocol, error) {
	return map[string]func(config.Probe) (drivers.Protocol, error){
		"textline": newTextline,
	}
}

func newTextline(p config.Probe) (drivers.Protocol, error) {
	t := p.Textline
	return textline.New(textline.Options{
		Query: t.Query, Terminator: t.Terminator, DecimalMark: t.Decimal[0], Separator: t.Separator,
		ValueColumn: t.Value, UnitColumn: t.Unit, StatusColumn: t.Status, Pattern: t.Pattern,
		Unit: t.FixedUnit, Units: t.Units, OK: t.OK, OverRange: t.OverRange, BatteryLow: t.BatteryLow, Fault: t.Fault,
	})
}

// newKitchen makes the simulated probes that a configuration names, or nil
// when it names none.
func newKitchen(f *config.File, now func() time.Time) (*simulate.Kitchen, error) {
	simulated := false
	for _, p := range f.Probes {
		simulated = simulated || p.Simulated != ""
	}
	if !simulated {
		return nil, nil
	}
	options := simulate.ModelKitchen(f.Simulate.Seed, f.Simulate.Speed)
	options.Start, options.Now = now(), now
	k, err := simulate.New(options)
	if err != nil {
		return nil, err
	}
	for _, p := range f.Probes {
		if p.Simulated != "" && k.Probe(p.Simulated) == nil {
			return nil, fmt.Errorf("%s has port %q, and the model kitchen has no such probe; it has probe-1, probe-2 and probe-3", p.ID, p.Port)
		}
	}
	return k, nil
}

// posts turns a checked configuration into what the station watches.
func posts(f *config.File, k *simulate.Kitchen) ([]acquire.Post, error) {
	limits := byID(f.Limits, func(l config.Limit) string { return l.ID })
	ovens := byID(f.Ovens, func(o config.Oven) string { return o.ID })
	probes := byID(f.Probes, func(p config.Probe) string { return p.ID })
	var out []acquire.Post
	for _, c := range f.Posts {
		oven, l := ovens[c.Oven], limits[ovens[c.Oven].Limit]
		if c.Limit != "" {
			l = limits[c.Limit]
		}
		p, err := newProbe(probes[c.Probe], k)
		if err != nil {
			return nil, err
		}
		p.ZeroBound = c.ZeroBound
		a := f.Alarm
		out = append(out, acquire.Post{
			Site: f.Site.Name, ID: c.ID, Oven: oven.ID, OvenPlace: oven.Place, Probe: p,
			Distance:  c.Distance,
			Limit:     limit.Limit{ID: l.ID, Value: l.Value, Distance: l.Distance, Basis: limit.Basis(l.Basis), Source: l.Source},
			Sustained: limit.SustainedRule{Unbroken: a.Unbroken, Summed: a.Summed, Within: a.Within, Clear: a.Clear},
			RunGap:    a.RunGap, Silent: a.Silent, Stale: a.Stale, Stuck: a.Stuck,
		})
		stand(&out[len(out)-1], c, oven, probes[c.Probe].Doubt)
	}
	return out, nil
}

func byID[T any](list []T, id func(T) string) map[string]T {
	m := make(map[string]T, len(list))
	for _, x := range list {
		m[id(x)] = x
	}
	return m
}

func newProbe(c config.Probe, k *simulate.Kitchen) (acquire.Probe, error) {
	p := acquire.Probe{
		ID: c.ID, Port: c.Port, Period: c.Poll, Timeout: c.Timeout, Response: c.Response,
		Range: c.Range, Floor: c.Floor, Axes: c.Axes, Simulated: c.Simulated != "",
	}
	var err error
	if p.Protocol, err = protocols()[c.Driver](c); err != nil {
		return p, fmt.Errorf("setting up the %s driver of probe %s: %w", c.Driver, c.ID, err)
	}
	calibrate(&p, c)
	path := c.Port
	if p.Simulated {
		if path, p.Dial = k.Port(c.Simulated); p.Dial != nil {
			return p, nil
		}
	}
	s := c.Serial
	p.Dial = serialport.Dial(serialport.Options{
		Path: path, Baud: s.Baud, DataBits: s.DataBits, Parity: s.Parity, StopBits: s.StopBits,
		DTR: s.DTR, RTS: s.RTS, Settle: s.Settle,
	})
	return p, nil
}
