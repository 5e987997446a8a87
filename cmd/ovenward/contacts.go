package main

import (
	"context"
	"fmt"
	"sync"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/cycle/soak"
	"ovenward/config"
	"ovenward/drivers"
	"ovenward/drivers/contact"
	"ovenward/drivers/modbus"
	"ovenward/drivers/serialport"
	"ovenward/drivers/tcplink"
)

// inputs makes the contacts that a configuration names.
func inputs(f *config.File, now func() time.Time) ([]acquire.Input, error) {
	var out []acquire.Input
	for _, c := range f.Contacts {
		in := acquire.Input{ID: c.ID, Says: acquire.Says(c.Says), On: c.On, Every: c.Every, Delay: c.Delay}
		for i, p := range f.Posts {
			if p.ID == c.Post {
				in.Post = i
			}
		}
		if c.File != "" {
			in.Source = contact.File(c.File)
		} else {
			coil, err := modbus.NewCoil(modbus.CoilOptions(*c.Modbus))
			if err != nil {
				return nil, fmt.Errorf("setting up contact %s: %w", c.ID, err)
			}
			in.Source = contact.Ask(contactDialer(c), coil, c.Timeout, now)
		}
		out = append(out, in)
	}
	return out, nil
}

func contactDialer(c config.Contact) drivers.Dialer {
	s := c.Serial
	if c.TCP() {
		return tcplink.Dial(tcplink.Options{Port: c.Port, Settle: s.Settle})
	}
	return serialport.Dial(serialport.Options{Path: c.Port, Baud: s.Baud, DataBits: s.DataBits, Parity: s.Parity, StopBits: s.StopBits,
		DTR: s.DTR, RTS: s.RTS, Settle: s.Settle, Quiet: modbus.Silence(s.Baud)})
}

// operations counts what contacts tell until soak tests take it.
type operations struct {
	mu sync.Mutex
	of map[string]int64 // by contact
}

// add is acquire.Options.Operated.
func (o *operations) add(input string) {
	o.mu.Lock()
	defer o.mu.Unlock()
	o.of[input]++
}

// take returns what came of a contact since.
func (o *operations) take(input string) int64 {
	o.mu.Lock()
	defer o.mu.Unlock()
	n := o.of[input]
	delete(o.of, input)
	return n
}

// put gives back what could not be kept.
func (o *operations) put(input string, n int64) {
	o.mu.Lock()
	defer o.mu.Unlock()
	o.of[input] += n
}

// countEvery is how often counted operations are kept.
const countEvery = time.Second

// count hands operations to the soak tests that run, until ctx ends, and once more
// then.
func (p planner) count(ctx context.Context, beat acquire.Sleeper, tell func(error), round func()) {
	for ctx.Err() == nil {
		now := time.Now() // on whole seconds, when the station looks at its posts, too
		_ = beat.SleepUntil(ctx, now.Add(acquire.UntilBeat(now, countEvery)))
		last, cancel := context.WithTimeout(context.WithoutCancel(ctx), goodbye)
		for _, l := range p.Lives() {
			if err := p.countOf(last, l); err != nil {
				tell(fmt.Errorf("operations of soak test %s wait to be kept: %w", l.Plan.ID, err))
			}
		}
		cancel()
		round()
	}
}

// countOf keeps what was counted of a test that runs.
func (p planner) countOf(ctx context.Context, l *soak.Life) error {
	id := l.Plan.Contact
	if id == "" || l.State != soak.Running {
		return nil
	}
	n := p.counted.take(id)
	if n == 0 {
		return nil
	}
	err := p.Keeper.Mark(ctx, soak.Mark{Soak: l.Plan.ID, Kind: soak.Operations, Count: n, From: soak.FromInput, Who: "contact " + id})
	if err != nil {
		p.counted.put(id, n)
	}
	return err
}

// Mark takes what happened to a test. What a contact counted before a test runs is
// not of it, and what it counted while it ran is.
func (p planner) Mark(ctx context.Context, m soak.Mark) error {
	l := p.Life(m.Soak)
	if l != nil && m.Kind == soak.Surveyed && m.Survey != "" {
		var err error
		if m.Outcome, err = p.surveyed(ctx, l, m); err != nil {
			return err
		}
	}
	if l != nil && l.State == soak.Running && m.Kind != soak.Noted {
		if err := p.countOf(ctx, l); err != nil {
			return err
		}
	}
	if l != nil && (m.Kind == soak.Started || m.Kind == soak.Resumed) {
		p.counted.take(l.Plan.Contact)
	}
	return p.Keeper.Mark(ctx, m)
}
