package notify

import (
	"context"
	"maps"
	"slices"
	"sort"
	"sync"
	"time"

	"ovenward/acquire"
)

const (
	// patience is how long an event may take to become durable before it is
	// sent as it is. With lookEvery before and after, 2 s are kept.
	patience  = 1500 * time.Millisecond
	lookEvery = 250 * time.Millisecond
	// heldLook is for messages that wait for hours to begin, idle for when nothing
	// waits: then whatever happens wakes the sender.
	heldLook = 5 * time.Second
	idle     = 30 * time.Second
	// firstBeat is when the first heartbeat goes out after a start: the posts should
	// have been seen by then.
	firstBeat = 3 * time.Second

	maxWaiting = 50 // from here on, newer changes of an alarm replace older ones
	// maxFlying is how many attempts are made at one time, each of another alarm. Of what is
	// urgent and of high priority up to so many that come together are first tried no later than
	// one attempt's time-out after they may be, whatever hangs or has failed; of more, as many in
	// each time-out.
	maxFlying = 4

	maxEarly = 4096

	// saveEvery is how many events without news may pass before the cursor is
	// kept again.
	saveEvery = 1000
)

// Run sends until ctx ends, and returns when its goroutines have ended and the
// cursor is kept, at most saveTime later. What was not accepted by then is sent
// after the next start. Close the record after Run has returned.
func (c *Courier) Run(ctx context.Context) error {
	defer c.o.Carrier.close()
	c.takeOver()
	s := &sender{c: c, q: newQueue(maxWaiting, c.pace), seen: map[int64]*glimpse{}, early: map[int64]bool{}, settled: map[subject]int64{},
		results: make(chan result, maxFlying), beats: make(chan result, 1), pages: make(chan page), saves: make(chan save, 1)}
	r := &reader{box: c.o.Outbox, name: c.o.Name, to: c.stats.To, log: c.log, unlisted: c.unlisted, round: c.o.ReadRound, pages: s.pages, saves: s.saves, unsaved: map[string]int64{}}
	var beside sync.WaitGroup
	beside.Go(func() { r.run(ctx) })
	if k, is := c.o.Carrier.(keeper); is {
		beside.Go(func() { k.keep(ctx, c) })
	}
	s.run(ctx)
	close(s.saves)
	beside.Wait()
	return nil
}

// glimpse is an event that was seen before it was read from the record.
type glimpse struct {
	event acquire.Event
	at    time.Time // when it was first seen
}

// sender decides what is sent when. It alone touches its fields; it waits for
// no disk and no network.
type sender struct {
	c *Courier
	q *queue

	read, saved int64
	news        bool              // something was settled since the cursor was kept
	settled     map[subject]int64 // the newest that was accepted or refused, where ahead does not say so yet
	ahead       map[string]int64  // up to where all of an alarm is done, above the cursor, by doneName; never changed
	savedAhead  map[string]int64
	told        ledger // what came of messages, not yet handed on to be kept
	seen        map[int64]*glimpse
	early       map[int64]bool // queued before they were read from the record
	begun       bool           // the first page came
	drafted     *drafted       // nil: none
	failures    int            // of the receiver, in a row
	lastError   string

	flying  int
	fly     sync.WaitGroup
	results chan result
	pages   chan page
	saves   chan save

	beatAt  time.Time // when the next heartbeat is due
	beating bool      // one is under way
	misses  int       // heartbeats in a row that were not accepted
	beats   chan result
}

func (s *sender) run(ctx context.Context) {
	t := time.NewTimer(0)
	defer t.Stop()
	s.beatAt = time.Now().Add(min(firstBeat, s.c.o.Heartbeat))
	for ctx.Err() == nil {
		now := time.Now()
		raised := s.c.o.Outbox.Raised() // taken before looking, so that none is missed
		s.look(now)
		s.prepare(ctx, now)
		s.launch(ctx, now)
		s.beat(ctx, now)
		s.keep()
		s.c.o.Round()
		t.Reset(s.rest(now))
		select {
		case <-raised:
		case p := <-s.pages:
			s.arrive(p, time.Now())
		case r := <-s.results:
			s.settle(ctx, r, time.Now())
		case r := <-s.beats:
			s.beaten(ctx, r, time.Now())
		case <-t.C:
		case <-ctx.Done():
		}
	}
	s.fly.Wait()
	for range s.flying {
		s.settle(ctx, <-s.results, time.Now())
	}
	s.count()
	s.news = true
	s.keep()
}

// rest is how long nothing is due: while something may be, it is looked for often
// enough to keep the 2 s.
func (s *sender) rest(now time.Time) time.Duration {
	wait := idle
	if len(s.q.items) > 0 {
		wait = heldLook
	}
	busy := func(w *waiting) bool { return !w.held || !now.Before(w.next) }
	if len(s.seen) > 0 || slices.ContainsFunc(s.q.items, busy) {
		wait = lookEvery
	}
	if s.c.o.Heartbeat > 0 && !s.beating {
		wait = min(wait, max(s.beatAt.Sub(now), lookEvery))
	}
	return wait
}

// look queues what was not read from the record in time. It asks for all that
// is not durable and counts from when it was first seen, too, so that a wall
// clock set back does not delay a message.
func (s *sender) look(now time.Time) {
	open := s.c.o.Outbox.Uncommitted(now.AddDate(1000, 0, 0))
	for _, e := range open {
		if e.Alarm != nil && e.ID > s.read && !s.early[e.ID] && s.seen[e.ID] == nil {
			s.seen[e.ID] = &glimpse{event: e, at: now}
		}
	}
	var last int64
	for id, g := range s.seen {
		if now.Sub(g.at) >= patience || now.Sub(g.event.At) >= patience {
			last = max(last, id)
		}
	}
	var due []acquire.Event
	for id, g := range s.seen {
		if id <= last {
			due = append(due, g.event)
		}
	}
	sort.SliceStable(due, func(i, j int) bool { return due[i].ID < due[j].ID })
	for _, e := range due {
		delete(s.seen, e.ID)
		s.early[e.ID] = true
		s.add(e, false, now, false)
	}
	s.forget(open)
}

// forget bounds what is remembered of early messages while the record cannot be
// read: those that do not wait to be durable would only be counted again.
func (s *sender) forget(open []acquire.Event) {
	if len(s.early) <= maxEarly {
		return
	}
	kept := make(map[int64]bool, len(open))
	for _, e := range open {
		if s.early[e.ID] {
			kept[e.ID] = true
		}
	}
	s.early = kept
}

// arrive queues what was read from the record, but for what was sent before it
// was durable, or before the start.
func (s *sender) arrive(p page, now time.Time) {
	for _, e := range p.stands {
		if s.c.o.Route.shows(e, s.c.o.Machine) {
			s.c.stand(e, true)
		}
	}
	if p.first {
		s.ahead, s.savedAhead = p.ahead, p.ahead
	}
	for _, e := range p.events {
		delete(s.seen, e.ID)
		if e.ID <= s.ahead[doneName(s.c.o.Name, subjectOf(e))] {
			continue
		}
		if s.early[e.ID] {
			s.q.markRecorded(e.ID)
			s.c.markRecorded(e)
			continue
		}
		s.add(e, true, now, p.first)
	}
	s.read, s.begun, s.q.whole = max(s.read, p.read), true, s.q.whole || p.whole
	s.news = s.news || len(p.events) > 0 || p.first
	for id := range s.seen {
		if id <= s.read {
			delete(s.seen, id)
		}
	}
	for id := range s.early {
		if id <= s.read {
			delete(s.early, id)
		}
	}
}

// add queues a change that is for this courier. stands says that it is told for
// what stands, and not for what changed.
func (s *sender) add(e acquire.Event, recorded bool, now time.Time, stands bool) {
	takes := s.c.o.Route.takes
	if stands {
		takes = s.c.o.Route.shows
	}
	if !takes(e, s.c.o.Machine) && !s.c.o.Route.ends(e, s.q.newest[subjectOf(e)], s.c.o.Machine) {
		return
	}
	s.c.stand(e, recorded)
	if n := s.q.add(e, recorded, now, s.c.o.Route.opens(now)); n > 0 {
		s.c.note(func(st *Stats) { st.Coalesced += uint64(n) })
	}
}

// launch starts attempts, each in a goroutine that run waits for.
func (s *sender) launch(ctx context.Context, now time.Time) {
	for s.flying < maxFlying {
		w := s.q.pick(now)
		if w == nil {
			break
		}
		s.q.start(w, now)
		s.flying++
		m := s.c.message(w)
		d, same := s.claim(w)
		s.fly.Go(func() {
			r := s.attempt(ctx, m, d, same)
			r.w = w
			s.results <- r // never waits: it holds as many as may fly
		})
	}
	s.listPassed(now)
	s.count()
}

// count notes what waits; also at the end, for the courier that goes on from this one.
func (s *sender) count() {
	vain, trying := s.q.tried()
	s.c.note(func(st *Stats) { st.Waiting, st.Vain, st.Trying, st.Begun = len(s.q.items), vain, trying, s.q.whole })
}

// aheadOf returns how far each alarm is done that went on while the cursor waits for
// another one, and sets it: else its messages would come again after a start.
func (s *sender) aheadOf(at int64) map[string]int64 {
	ahead := map[string]int64{}
	for name, id := range s.ahead {
		if id > at {
			ahead[name] = id
		}
	}
	for of, id := range s.settled {
		// What was not read yet may still come late.
		if upTo := min(id, s.read, s.q.below(of)); upTo > at {
			name := doneName(s.c.o.Name, of)
			ahead[name] = max(ahead[name], upTo)
		}
		if id <= s.read {
			delete(s.settled, of)
		}
	}
	s.ahead = ahead
	return ahead
}

// save is what is to be kept: how far all is done, how far single alarms are, and what
// was told.
type save struct {
	begun bool // else the sender did not know yet where to go on
	at    int64
	ahead map[string]int64
	told  ledger
}

// keep hands on to be saved what is new.
func (s *sender) keep() {
	at := s.q.cursor(s.read)
	ahead := s.aheadOf(at)
	if s.told.empty() && maps.Equal(ahead, s.savedAhead) && (at <= s.saved || !s.news && at-s.saved < saveEvery) {
		return
	}
	next := save{begun: s.begun, at: max(at, s.saved), ahead: ahead, told: s.told}
	s.saved, s.savedAhead, s.news, s.told = next.at, ahead, false, ledger{}
	select {
	case older := <-s.saves: // one that nobody took
		s.c.unlisted(older.told.join(next.told))
		next.told = older.told
	default:
	}
	s.saves <- next
}
