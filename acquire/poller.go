package acquire

import (
	"context"
	"errors"
	"fmt"
	"time"

	"ovenward/drivers"
)

const (
	firstRetry = 100 * time.Millisecond
	lastRetry  = time.Second // a port that comes back is used again within two seconds
	slice      = 200 * time.Millisecond
)

// poller is the one goroutine that owns a post's port.
type poller struct {
	watch     *watch
	observers []Observer
	now       func() time.Time
	sleep     Sleeper
	rested    time.Time // when the last exchange ended

	frames []drivers.Frame
	heard  []heard
	batch  []Sample
}

// run opens the port and converses, again and again, until ctx ends. It never
// gives up: an absent port is looked for for ever.
func (p *poller) run(ctx context.Context) {
	retry := firstRetry
	for ctx.Err() == nil {
		spoke, err := p.session(ctx)
		if ctx.Err() != nil {
			return
		}
		p.watch.linkLost(p.now(), err)
		if spoke {
			retry = firstRetry
		}
		select {
		case <-time.After(retry):
		case <-ctx.Done():
		}
		retry = min(2*retry, lastRetry)
	}
}

// session is the life of one open port. It says whether anything was heard. A
// panic below it, in a library or a protocol, costs the port and not the
// program.
func (p *poller) session(ctx context.Context) (spoke bool, err error) {
	defer func() {
		if r := recover(); r != nil {
			err = fmt.Errorf("conversing with the probe: %v", r)
		}
	}()
	link, err := p.watch.post.Probe.Dial(ctx)
	if err != nil {
		return false, err
	}
	defer link.Close()
	p.watch.linkOpen(p.now(), timingOf(link))
	opened := p.now()
	quiet := opened
	grid := pace{epoch: p.watch.epoch, period: p.watch.post.Probe.Period, sleep: p.sleep}
	grid.skip(opened)
	for ctx.Err() == nil {
		var got bool
		if grid.period > 0 {
			got, err = p.poll(ctx, link, &grid)
		} else {
			got, err = p.listen(link)
		}
		now := p.now()
		switch {
		case err != nil && !errors.Is(err, drivers.ErrTimeout):
			return spoke, err
		case got:
			spoke, quiet = true, now
		case now.Sub(quiet) > p.watch.post.Silent:
			// An adapter can hang with its port open; a fresh one may not.
			return spoke, fmt.Errorf("nothing heard for %s: %w", p.watch.post.Silent, drivers.ErrTimeout)
		}
	}
	return spoke, nil
}

// listen takes what a probe that talks by itself has said.
func (p *poller) listen(link drivers.Link) (got bool, err error) {
	p.frames, err = link.Receive(p.watch.post.Probe.Protocol.Split, p.now().Add(slice), p.frames[:0])
	p.handOn(everyReading)
	return len(p.frames) > 0, err
}

func earlier(a, b time.Time) time.Time {
	if a.Before(b) {
		return a
	}
	return b
}

// linkOpen notes that the port is open.
func (w *watch) linkOpen(now time.Time, timing drivers.Timing) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.timing = timing
	w.counts.Connects++
	w.linkError = ""
	w.report(Event{At: now.UTC(), Post: w.post.ID, Kind: KindLink,
		Text: fmt.Sprintf("port %s is open", w.post.Probe.Port)})
}

// linkLost notes why there is no port, once per reason.
func (w *watch) linkLost(now time.Time, err error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.up = false
	text := linkTrouble(w.post, err)
	if text == w.linkError {
		return
	}
	w.linkError = text
	w.report(Event{At: now.UTC(), Post: w.post.ID, Kind: KindLink, Text: text})
}

func (w *watch) asked(missed int64, dropped int) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.counts.Missed += uint64(missed)
	w.counts.DroppedBytes += uint64(dropped)
}

func (w *watch) unanswered() {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.counts.Unanswered++
	w.up = false
}

func (w *watch) late() {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.counts.Late++
}

func timingOf(link drivers.Link) drivers.Timing {
	if t, ok := link.(drivers.Timed); ok {
		return t.Timing()
	}
	return drivers.Timing{}
}
