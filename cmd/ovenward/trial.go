package main

import (
	"context"
	"errors"
	"fmt"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/calib"
	"ovenward/acquire/quantity"
	"ovenward/config"
	"ovenward/drivers"
	"ovenward/drivers/plugged"
	"ovenward/drivers/stream"
)

// outcome is what came of one question, or of one frame that was not asked for.
type outcome struct {
	At, U     time.Time // U is only used for its distance: see uncertainty
	RoundTrip time.Duration
	Frame     []byte
	Reading   drivers.Reading
	Quality   acquire.Quality
	S         quantity.PowerDensity // as said, or the sum of the axes, in W/m²; not corrected. Only with a number
	Dropped   int                   // bytes that came unasked before the question
	Late      bool                  // it came after the time-out
	Err       error                 // no reading: no answer, or one that is not understood
}

// trial reads one probe without a record: to try its settings.
type trial struct {
	probe acquire.Probe
	dial  drivers.Dialer
	now   func() time.Time
	tell  func(outcome)
	told  func(text string) // what is not a reading

	counts trialCounts
}

// trialCounts sums up a trial.
type trialCounts struct {
	Asked, Readings, Unanswered, Refused int
	Late                                 int // of Readings
	Dropped                              int // bytes
	Shortest, Longest                    time.Duration
}

// newTrial makes a trial of a probe; tap may be nil.
func newTrial(c config.Probe, tree plugged.Tree, tap stream.Tap) (*trial, error) {
	p := acquire.Probe{ID: c.ID, Port: c.Port, Period: c.Poll, Timeout: c.Timeout, Range: c.Range, Floor: c.Floor, Impedance: c.Impedance}
	var err error
	if p.Protocol, err = protocols()[c.Driver](c); err != nil {
		return nil, fmt.Errorf("setting up the %s driver: %w", c.Driver, err)
	}
	pace(&p, c)
	return &trial{probe: p, dial: dialer(c, c.Port, tree, tap), now: time.Now}, nil
}

// run reads n times (0: without end): questions, or frames of a probe that talks
// by itself.
func (t *trial) run(ctx context.Context, n int) error {
	link, err := t.dial(ctx)
	if err != nil {
		return err
	}
	defer link.Close()
	if err := t.identify(ctx, link); err != nil {
		return err
	}
	next := t.now()
	for done := 0; (n == 0 || done < n) && ctx.Err() == nil; {
		var k int
		if t.probe.Period > 0 {
			k, err = 1, t.ask(ctx, link)
		} else {
			k, err = t.listen(link, n-done)
		}
		if err != nil {
			return err
		}
		done += k
		if t.probe.Period <= 0 || n != 0 && done >= n {
			continue
		}
		// Moments that have passed are left out, and never made up for.
		next = next.Add(t.probe.Period * max(1, (t.now().Sub(next)+t.probe.Period-1)/t.probe.Period))
		timer := time.NewTimer(next.Sub(t.now()))
		select {
		case <-timer.C:
		case <-ctx.Done():
			timer.Stop()
		}
	}
	return nil
}

// identify asks the instrument who it is, where its language can.
func (t *trial) identify(ctx context.Context, link drivers.Link) error {
	asks, ok := t.probe.Protocol.(drivers.Identified)
	if !ok || len(asks.IdentityRequest()) == 0 || ctx.Err() != nil {
		return nil
	}
	deadline := t.now().Add(max(t.probe.Timeout, time.Second))
	if _, _, err := link.Send(asks.IdentityRequest(), deadline); err != nil {
		return err
	}
	for t.now().Before(deadline) {
		frames, err := link.Receive(t.probe.Protocol.Split, deadline, nil)
		for _, f := range frames {
			if id, err := asks.ParseIdentity(f.Bytes); err == nil {
				t.told(fmt.Sprintf("the instrument says it is maker %q, model %q, serial number %q, firmware %q",
					id.Maker, id.Model, id.Serial, id.Firmware))
				return nil
			}
		}
		if err != nil && !errors.Is(err, drivers.ErrTimeout) {
			return err
		}
	}
	t.told("the instrument does not say who it is")
	return nil
}

// ask asks once and tells what comes of it. As the station does, it asks nothing
// else for as long again after the time-out: an answer that comes then is that of
// its own question, and is told as late.
func (t *trial) ask(ctx context.Context, link drivers.Link) error {
	begun := t.now()
	departed, dropped, err := link.Send(t.probe.Protocol.Request(), begun.Add(t.probe.Timeout))
	t.counts.Asked++
	t.counts.Dropped += dropped
	if err != nil && !errors.Is(err, drivers.ErrTimeout) {
		return err
	}
	due, last := begun.Add(t.probe.Timeout), begun.Add(2*t.probe.Timeout)
	refused := false
	for err == nil && ctx.Err() == nil {
		now, end := t.now(), due
		if !now.Before(due) {
			end = last
		}
		if !now.Before(end) || refused && !now.Before(due) {
			break // a line that held no reading is taken for the garbled answer
		}
		var frames []drivers.Frame
		frames, err = link.Receive(t.probe.Protocol.Split, earlierOf(end, now.Add(100*time.Millisecond)), nil)
		for _, f := range frames {
			f.Departed = departed
			o := t.outcome(f)
			o.Dropped, o.Late = dropped, f.Arrived.After(due)
			t.say(o)
			if o.Err == nil {
				return nil
			}
			refused = true
		}
		if errors.Is(err, drivers.ErrTimeout) {
			err = nil
		}
	}
	switch {
	case ctx.Err() != nil:
		return nil
	case err != nil && !errors.Is(err, drivers.ErrTimeout):
		return err
	case !refused:
		t.say(outcome{At: t.now(), Dropped: dropped, Err: fmt.Errorf("%w: nothing that is an answer within %s",
			drivers.ErrTimeout, quantity.FormatDuration(t.probe.Timeout))})
	}
	return nil
}

// listen tells at most n frames of a probe that talks by itself (n ≤ 0: all).
func (t *trial) listen(link drivers.Link, n int) (int, error) {
	frames, err := link.Receive(t.probe.Protocol.Split, t.now().Add(100*time.Millisecond), nil)
	if n > 0 && len(frames) > n {
		frames = frames[:n]
	}
	for _, f := range frames {
		t.say(t.outcome(f))
	}
	if errors.Is(err, drivers.ErrTimeout) {
		err = nil
	}
	return len(frames), err
}

// say counts an outcome and tells it.
func (t *trial) say(o outcome) {
	c := &t.counts
	switch {
	case o.Err == nil:
		c.Readings++
		if o.Late {
			c.Late++
		}
		if o.RoundTrip > 0 && (c.Shortest == 0 || o.RoundTrip < c.Shortest) {
			c.Shortest = o.RoundTrip
		}
		c.Longest = max(c.Longest, o.RoundTrip)
	case o.Frame == nil:
		c.Unanswered++
	default:
		c.Refused++
	}
	t.tell(o)
}

// outcome parses a frame and stamps it as the station does.
func (t *trial) outcome(f drivers.Frame) outcome {
	o := outcome{At: f.Arrived, U: f.Arrived.Add(time.Millisecond), Frame: f.Bytes}
	if !f.Departed.IsZero() {
		o.RoundTrip = f.Arrived.Sub(f.Departed)
		o.At, o.U = f.Departed.Add(o.RoundTrip/2), f.Arrived
	}
	if o.Err = t.probe.Protocol.Parse(f.Bytes, &o.Reading); o.Err != nil {
		return o
	}
	r := &o.Reading
	known := r.HasValue || r.HasAxes
	if known {
		unit, ok := quantity.LookupUnit(r.Unit)
		if !ok {
			o.Err = fmt.Errorf("unit %q is not known", r.Unit)
			return o
		}
		setting := calib.Setting{Impedance: t.probe.Impedance}
		var in calib.Raw
		if in, o.Err = setting.Raw(r, unit); o.Err != nil {
			return o
		}
		o.S = in.S
	}
	switch {
	case r.Status&drivers.Fault != 0:
		o.Quality = acquire.Fault
	case r.Status&drivers.OverRange != 0 || known && t.probe.Range > 0 && o.S > t.probe.Range:
		o.Quality = acquire.OverRange
	case !known:
		o.Quality = acquire.Fault
	case o.S < t.probe.Floor:
		o.Quality = acquire.UnderFloor
	}
	return o
}

func (o outcome) uncertainty() time.Duration { return o.U.Sub(o.At) }

func earlierOf(a, b time.Time) time.Time {
	if a.Before(b) {
		return a
	}
	return b
}
