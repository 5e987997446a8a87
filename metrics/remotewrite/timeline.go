package remotewrite

import (
	"context"
	"fmt"
	"iter"
	"maps"
	"math"
	"slices"
	"time"

	"ovenward/acquire"
)

const (
	// tickEvery spaces the points of what is a state and no sample: alarms,
	// counters, limits. They stand at whole multiples of it.
	tickEvery = 15 * time.Second
	// goesOn is how long a station is taken to have gone on after it was last
	// heard of, where nobody says that it ended.
	goesOn = time.Minute

	maxSamples = 2000   // of a request, and those of one tick more
	maxItems   = 50_000 // gone through for one request
	eventPage  = 256
)

// timeline turns the record into series: samples of all posts, events and ticks,
// in the order of their instants.
type timeline struct {
	o       Options
	p       *progress
	started int64 // ms; the station runs from here on
	streams map[string]*stream
	events  []acquire.Event
	more    bool // there may be more events than those
	labels  map[string]*postLabels
	crowded uint64 // samples that found no millisecond
}

// stream is the samples of one post.
type stream struct {
	next func() (Row, error, bool)
	stop func()
	head Row
	ok   bool // there is a head
	done bool // there are no more samples now
}

func newTimeline(o Options, p *progress, now time.Time) *timeline {
	return &timeline{o: o, p: p, started: now.UnixMilli(), streams: map[string]*stream{}, labels: map[string]*postLabels{}}
}

// begin is the progress of a target that is new: what is older than history is
// not sent.
func begin(now time.Time, history time.Duration) *progress {
	p := &progress{Begun: now.Add(-history).UnixMilli()}
	p.Tick = p.Begun - p.Begun%tickEvery.Milliseconds()
	p.fill()
	return p
}

func (t *timeline) close() {
	for _, s := range t.streams {
		if s.stop != nil {
			s.stop()
		}
	}
	t.streams = map[string]*stream{}
}

// fill goes through the record, up to an instant, until a request is full. It
// says whether there is more before that instant, and since when it waits.
func (t *timeline) fill(ctx context.Context, until time.Time) (b *batch, waits time.Time, err error) {
	b = newBatch()
	if err := t.look(ctx); err != nil {
		return b, waits, err
	}
	end := until.UnixMilli()
	for range maxItems {
		post, s, at := t.earliest()
		tick := t.nextTick(at)
		switch {
		case tick <= end && (at.IsZero() || tick <= at.UnixMilli()):
			if b.n >= maxSamples {
				return b, time.UnixMilli(tick), nil
			}
			t.tick(b, tick)
		case at.IsZero() || at.After(until):
			return b, time.Time{}, nil
		case b.n >= maxSamples:
			return b, at, nil
		case s != nil:
			t.row(b, post, s.head)
			s.ok = false
			if err := t.advance(s); err != nil {
				return b, at, err
			}
		default:
			e := t.events[0]
			t.events = t.events[1:]
			t.event(b, e)
			if err := t.readEvents(ctx); err != nil {
				return b, at, err
			}
		}
	}
	_, _, at := t.earliest()
	return b, at, nil
}

// look takes note of what was committed since.
func (t *timeline) look(ctx context.Context) error {
	posts, err := t.o.Record.Posts(ctx)
	if err != nil {
		return err
	}
	for _, post := range posts {
		s := t.streams[post]
		if s == nil {
			s = &stream{done: true}
			t.streams[post] = s
		}
		if !s.done || s.ok {
			continue
		}
		from, err := t.from(ctx, post)
		if err != nil {
			return err
		}
		if s.stop != nil {
			s.stop()
		}
		s.next, s.stop = iter.Pull2(t.o.Record.Rows(ctx, post, from))
		s.done = false
		if err := t.advance(s); err != nil {
			return err
		}
	}
	t.more = true
	return t.readEvents(ctx)
}

// from is the number of the first sample of a post that was not gone through.
func (t *timeline) from(ctx context.Context, post string) (int64, error) {
	if p := t.p.Posts[post]; p != nil {
		return p.Seq + 1, nil
	}
	seq, err := t.o.Record.First(ctx, post, time.UnixMilli(t.p.Begun))
	if err == nil {
		t.p.Posts[post] = &postProgress{Seq: max(seq-1, 0)}
	}
	return seq, err
}

func (t *timeline) advance(s *stream) error {
	r, err, ok := s.next()
	if err != nil {
		s.done = true // it is read anew
		return err
	}
	s.head, s.ok, s.done = r, ok, !ok
	return nil
}

func (t *timeline) readEvents(ctx context.Context) error {
	if len(t.events) > 0 || !t.more {
		return nil
	}
	var err error
	if t.events, err = t.o.Record.Events(ctx, t.p.Event, eventPage); err != nil {
		return fmt.Errorf("read events: %w", err)
	}
	t.more = len(t.events) == eventPage
	return nil
}

// earliest returns what comes next: a sample (s is set) or an event; at is zero
// when there is neither.
func (t *timeline) earliest() (post string, s *stream, at time.Time) {
	for _, id := range slices.Sorted(maps.Keys(t.streams)) {
		if c := t.streams[id]; c.ok && (at.IsZero() || c.head.At.Before(at)) {
			post, s, at = id, c, c.head.At
		}
	}
	if len(t.events) > 0 && (at.IsZero() || t.events[0].At.Before(at)) {
		return "", nil, t.events[0].At
	}
	return post, s, at
}

// nextTick is the instant of the next tick, when at is what comes next. Ticks of
// a time that nothing is known of are passed over.
func (t *timeline) nextTick(at time.Time) int64 {
	tick := t.p.Tick + tickEvery.Milliseconds()
	if t.knows(tick) || tick >= t.started {
		return tick
	}
	resume := t.started
	if !at.IsZero() {
		resume = min(resume, at.UnixMilli())
	}
	return max(tick, onGrid(resume+tickEvery.Milliseconds()-1))
}

// onGrid is the last tick at or before an instant.
func onGrid(ms int64) int64 { return ms - ms%tickEvery.Milliseconds() }

// knows says whether there is anything to tell at a tick.
func (t *timeline) knows(tick int64) bool {
	return t.anyTicks() || tick-t.p.Heard <= goesOn.Milliseconds()
}

// hear notes that something is known at an instant. After a time of which
// nothing is, ticks begin anew behind it.
func (t *timeline) hear(ms int64) {
	if !t.knows(ms) {
		t.p.Tick = max(t.p.Tick, onGrid(ms))
	}
	t.p.Heard = max(t.p.Heard, ms)
}

func (t *timeline) anyTicks() bool {
	for _, p := range t.p.Posts {
		if p.Ticks || p.Open {
			return true
		}
	}
	return false
}

// row goes through one sample.
func (t *timeline) row(b *batch, post string, r Row) {
	p := t.p.Posts[post]
	l := t.labelsOf(post, p)
	if p.Place != r.Place {
		t.end(b, p, l, r.At)
		p.Place = r.Place
		l = t.labelsOf(post, p)
	}
	t.blind(b, p, l, r.At)
	t.hear(r.At.UnixMilli())
	wasOver := p.IsOver
	p.count(r)
	p.Heard = r.At.UnixMilli()
	if math.IsNaN(r.Value) {
		t.endValue(b, p, l, r.At)
	} else if ms, ok := p.Value.Next(r.At); ok {
		b.add(l.value, ms, r.Value)
		p.Open = true
	} else {
		t.crowded++
	}
	if p.IsOver != wasOver {
		if ms, ok := p.Over.Next(r.At); ok {
			b.add(l.over, ms, flag(p.IsOver))
		}
	}
}

// blind ends the value's series where a sample has ceased to hold by an instant.
func (t *timeline) blind(b *batch, p *postProgress, l *postLabels, by time.Time) {
	if p.Open && p.Place.Stale > 0 && by.Sub(p.At) > p.Place.Stale {
		t.endValue(b, p, l, p.At.Add(p.Place.Stale))
	}
}

func (t *timeline) endValue(b *batch, p *postProgress, l *postLabels, at time.Time) {
	if !p.Open {
		return
	}
	p.Open = false
	ms := max(at.UnixMilli(), p.Value.Last+1)
	p.Value.Last = ms
	b.add(l.value, ms, Stale())
}

// end ends the series of a place that a post has left.
func (t *timeline) end(b *batch, p *postProgress, l *postLabels, at time.Time) {
	t.endValue(b, p, l, at)
	p.Seen = false // another probe says nothing of the time between
	t.endTicks(b, p, l, max(at.UnixMilli(), t.p.Tick+1))
	p.Value, p.Over = Millis{}, Millis{}
}

// event goes through one event.
func (t *timeline) event(b *batch, e acquire.Event) {
	t.p.Event = e.ID
	ms := e.At.UnixMilli()
	t.hear(ms)
	if p := t.p.Posts[e.Post]; p != nil {
		p.Heard = max(p.Heard, ms)
	}
	if e.Alarm == nil {
		return
	}
	a := t.p.alarm(e.Post, e.Alarm.Rule)
	a.State = e.Alarm.State
	// One that comes later than its tick is told by the next.
	own := ms
	if ms = max(ms, a.Ms+1); own < t.p.Begun || ms > own+1 {
		return
	}
	p := t.p.Posts[e.Post]
	if p != nil {
		p.Ticks = true
	}
	t.alarm(b, t.labelsOf(e.Post, p), e.Alarm.Rule, a, ms)
}

func flag(on bool) float64 {
	if on {
		return 1
	}
	return 0
}
