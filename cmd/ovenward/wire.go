package main

import (
	"fmt"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/limit"
	"ovenward/acquire/survey"
	"ovenward/config"
	"ovenward/drivers"
	"ovenward/drivers/plugged"
	"ovenward/drivers/simulate"
	"ovenward/drivers/textline"
)

// protocols is the one table of drivers: a new driver is one line here.
func protocols() map[string]func(config.Probe) (drivers.Protocol, error) {
	return map[string]func(config.Probe) (drivers.Protocol, error){
		"textline": newTextline,
		"scpi":     newSCPI,
		"modbus":   newModbus,
		"hid":      newHID,
	}
}

func newTextline(p config.Probe) (drivers.Protocol, error) {
	t := p.Textline
	return textline.New(textline.Options{
		Query: t.Query, Terminator: t.Terminator, DecimalMark: t.Decimal[0], Separator: t.Separator,
		ValueColumn: t.Value, UnitColumn: t.Unit, StatusColumn: t.Status, Pattern: t.Pattern,
		Unit: t.FixedUnit, Units: t.Units, OK: t.OK, OverRange: t.OverRange, BatteryLow: t.BatteryLow, Fault: t.Fault,
		More: textlineMore(t.More),
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
	spoken := languages(f)
	for i := range options.Probes {
		options.Probes[i].Language = spoken[options.Probes[i].ID]
	}
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

// languages is what each probe of the model kitchen speaks: textline, where a
// configuration has no use for it.
func languages(f *config.File) map[string]string {
	spoken := map[string]string{}
	for _, p := range simulate.ModelKitchen(f.Simulate.Seed, f.Simulate.Speed).Probes {
		spoken[p.ID] = simulate.Textline
	}
	for _, p := range f.Probes {
		if p.Simulated != "" {
			spoken[p.Simulated] = p.Driver
		}
	}
	return spoken
}

// posts turns a checked configuration into what the station watches.
func posts(f *config.File, k *simulate.Kitchen, w *wires) ([]acquire.Post, error) {
	ovens := byID(f.Ovens, func(o config.Oven) string { return o.ID })
	probes := byID(f.Probes, func(p config.Probe) string { return p.ID })
	var out []acquire.Post
	for _, c := range f.Posts {
		oven := ovens[c.Oven]
		limits, err := f.LimitsOf(c)
		if err != nil {
			return nil, fmt.Errorf("post %s: %w", c.ID, err)
		}
		p, err := newProbe(probes[c.Probe], k, w)
		if err != nil {
			return nil, err
		}
		p.ZeroBound = c.ZeroBound
		a := f.Alarm
		out = append(out, acquire.Post{
			Site: f.Site.Name, ID: c.ID, Oven: oven.ID, OvenPlace: oven.Place, Probe: p,
			Distance: c.Distance,
			Limit:    limits[0], OwnLimit: c.Limit != "", More: limits[1:],
			Sustained: limit.SustainedRule{Unbroken: a.Unbroken, Summed: a.Summed, Within: a.Within, Clear: a.Clear},
			RunGap:    a.RunGap, Silent: a.Silent, Stale: a.Stale, Stuck: a.Stuck,
		})
		stand(&out[len(out)-1], c, oven, probes[c.Probe].Doubt)
		lookAfter(&out[len(out)-1], f, c, oven)
	}
	return out, nil
}

// sums are the groups of posts that are judged together.
func sums(f *config.File) []acquire.Sum {
	var out []acquire.Sum
	for _, s := range f.Sums {
		out = append(out, acquire.Sum{ID: s.ID, Posts: s.Posts, Limit: s.Limit})
	}
	return out
}

// surveyed lists the ovens as surveys need them.
func surveyed(f *config.File) []survey.Oven {
	var out []survey.Oven
	for _, o := range f.Ovens {
		out = append(out, o.Survey())
	}
	return out
}

func byID[T any](list []T, id func(T) string) map[string]T {
	m := make(map[string]T, len(list))
	for _, x := range list {
		m[id(x)] = x
	}
	return m
}

func newProbe(c config.Probe, k *simulate.Kitchen, w *wires) (acquire.Probe, error) {
	p := acquire.Probe{
		ID: c.ID, Port: c.Port, Period: c.Poll, Timeout: c.Timeout, Response: c.Response,
		Range: c.Range, Floor: c.Floor, Axes: c.Axes, Simulated: c.Simulated != "",
		Offset: c.Instant.Offset, AskDelay: c.Instant.RequestDelay, AnswerDelay: c.Instant.AnswerDelay,
		Vitals: acquire.VitalBounds(c.Vitals),
	}
	var err error
	if p.Protocol, err = protocols()[c.Driver](c); err != nil {
		return p, fmt.Errorf("setting up the %s driver of probe %s: %w", c.Driver, c.ID, err)
	}
	calibrate(&p, c)
	pace(&p, c)
	path := c.Port
	if c.Simulated != "" {
		if path, p.Dial = k.Port(c.Simulated); p.Dial != nil {
			return p, nil
		}
	}
	tap, err := w.tap(c, "run")
	if err != nil {
		return p, err
	}
	p.Dial = dialer(c, path, plugged.Tree{}, tap)
	return p, nil
}
