package acquire

import (
	"context"
	"errors"
	"fmt"
	"sync/atomic"
	"time"

	"ovenward/drivers"
)

const (
	firstRetry = 100 * time.Millisecond
	lastRetry  = time.Second // a port that comes back is used again within two seconds
	slice      = 200 * time.Millisecond

	// longestSend bounds a write, which cannot be told to stop: a request is a
	// few bytes, and a line that does not take them is lost.
	longestSend = time.Second
)

// poller is the one goroutine that owns a post's port.
type poller struct {
	watch  *watch
	now    func() time.Time
	sleep  Sleeper
	rested time.Time // when the last exchange ended

	hearers atomic.Pointer[audience] // who is handed what was read
	stop    context.CancelFunc       // ends run; stop and done belong to the station that has the poller
	done    chan struct{}            // closed when run has ended; nil while it does not run

	leaves atomic.Bool // when run ends, the port stays open
	left   *openPort   // that stayed so; nil: none
	owed   bool        // a question is open: its answer may come yet, and be taken for another's

	frames []drivers.Frame
	batch  []Sample // one for each
	wrong  []error  // and what was wrong with it

	refused  bool                    // a frame since the last inquiry held no reading
	troubles map[string]*toldTrouble // what the instrument reported of itself, by its text
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

// openPort is one whose instrument is known, and the slots in which it is asked.
type openPort struct {
	drivers.Link
	grid pace
}

// session is the life of one open port. It says whether anything was heard. A
// panic below it, in a library or a protocol, costs the port and not the
// program.
func (p *poller) session(ctx context.Context) (spoke bool, err error) {
	defer func() {
		if r := recover(); r != nil {
			err = fmt.Errorf("port %s was closed after a mistake in this program, which please report: %v", p.watch.post.Probe.Port, r)
		}
	}()
	link, err := p.reach(ctx)
	if err != nil {
		return false, err
	}
	defer func() {
		// Only what was heard is known, and only between two questions.
		if err == nil && ctx.Err() != nil && p.leaves.Load() && spoke && !p.owed {
			p.left = link
			return
		}
		link.Close()
	}()
	quiet := p.now()
	grid := &link.grid
	inquiry := p.newInquiry()
	for ctx.Err() == nil {
		var got bool
		if grid.period > 0 {
			got, err = p.poll(ctx, link, grid)
			if err == nil && ctx.Err() == nil {
				err = p.inquire(link, inquiry, grid, p.refused || !got)
				p.refused = false
			}
		} else {
			got, err = p.listen(link)
		}
		now := p.now()
		switch {
		case err != nil && !errors.Is(err, drivers.ErrTimeout):
			return spoke, err
		case got:
			if !spoke {
				p.watch.linkSpeaks(now)
			}
			spoke, quiet = true, now
		case now.Sub(quiet) > p.watch.post.Silent:
			// An adapter can hang with its port open; a fresh one may not.
			return spoke, fmt.Errorf("listening: %w", drivers.ErrTimeout)
		}
	}
	return spoke, nil
}

// reach opens the port and asks who is there, or goes on with one that was left open.
// What came to that meanwhile is dropped: it is older than its stamp would be.
func (p *poller) reach(ctx context.Context) (*openPort, error) {
	if was := p.left; was != nil {
		p.left = nil
		_, dropped, err := was.Send(nil, p.now())
		p.watch.asked(0, dropped)
		if err == nil {
			p.watch.linkOpen(timingOf(was.Link), 0)
			p.rested = p.now()
			return was, nil
		}
		was.Close() // and is opened anew
	}
	link, err := p.watch.post.Probe.Dial(ctx)
	if err != nil {
		return nil, fmt.Errorf("port %s does not open: %w", p.watch.post.Probe.Port, err)
	}
	p.watch.linkOpen(timingOf(link), 1)
	if err := p.identify(ctx, link); err != nil {
		link.Close()
		return nil, err
	}
	probe := &p.watch.post.Probe
	fresh := &openPort{link, pace{epoch: p.watch.epoch, period: probe.Period, sleep: p.sleep,
		spread: newSpread(p.watch.post.ID, probe.Response, probe.Period)}}
	fresh.grid.skip(p.now())
	return fresh, nil
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

// linkOpen notes that the port is open, and how often it was opened for that; whether
// anything speaks there is not known yet.
func (w *watch) linkOpen(timing drivers.Timing, times uint64) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.timing = timing
	w.counts.Connects += times
	w.linkError = ""
}

// linkSpeaks tells that the probe is heard.
func (w *watch) linkSpeaks(now time.Time) {
	w.tellLink(now, "", fmt.Sprintf("probe %s is heard on port %s", w.post.Probe.ID, w.post.Probe.Port))
}

// linkLost tells why the port is not in use.
func (w *watch) linkLost(now time.Time, err error) {
	if errors.Is(err, errStranger) {
		return // who it is was told when it was met
	}
	text := linkTrouble(w.post, err)
	w.tellLink(now, text, text)
}

// tellLink keeps an event about the port, unless it says what the last one said.
func (w *watch) tellLink(now time.Time, trouble, text string) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.linkError = trouble
	w.up = w.up && trouble == ""
	if text == w.linkTold {
		return
	}
	w.linkTold = text
	w.report(Event{At: w.stamp(now), Post: w.post.ID, Kind: KindLink, Text: text})
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
