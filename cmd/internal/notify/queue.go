package notify

import (
	"time"

	"ovenward/acquire"
	"ovenward/acquire/alarm"
)

// subject is what order is kept for: one rule at one post.
type subject struct {
	post string
	rule alarm.Rule
}

func subjectOf(e acquire.Event) subject { return subject{e.Post, e.Alarm.Rule} }

// waiting is a message that is not yet accepted.
type waiting struct {
	event    acquire.Event
	first    int64 // lowest event id it stands for
	more     int   // earlier changes it stands in for
	recorded bool
	queued   time.Time
	attempts int
	next     time.Time // not before
	flying   bool      // an attempt is under way
}

// queue holds what waits, in the order of first ids. It asks no clock. When
// bound messages wait, a newer change of an alarm takes the place of its older
// ones, so the queue holds at most bound and one for each alarm.
type queue struct {
	bound int
	items []*waiting

	newest map[subject]int64 // highest id queued
	owed   map[subject]int   // changes that came too late to be told in order

	hold   time.Time // nothing is sent before: the receiver asked for it
	down   time.Time // what was tried is not tried before: nobody answers
	downAt time.Time // when that was found; what was queued later is tried once
}

func newQueue(bound int) *queue {
	return &queue{bound: bound, newest: map[subject]int64{}, owed: map[subject]int{}}
}

// add queues a change and returns how many messages it took the place of. A
// change older than one already queued is not sent, since that would be out of
// order; the next message of its alarm says that it was.
func (q *queue) add(e acquire.Event, recorded bool, now time.Time) (replaced int) {
	s := subjectOf(e)
	if e.ID <= q.newest[s] {
		q.owed[s]++
		return 1
	}
	q.newest[s] = e.ID
	w := &waiting{event: e, first: e.ID, more: q.owed[s], recorded: recorded, queued: now}
	delete(q.owed, s)
	if len(q.items) < q.bound {
		q.items = append(q.items, w)
		return 0
	}
	kept, placed := q.items[:0], false
	for _, old := range q.items {
		switch {
		case subjectOf(old.event) != s || old.flying:
			kept = append(kept, old)
		case !placed:
			w.first, w.attempts, w.next, w.queued = old.first, old.attempts, old.next, old.queued
			w.more += old.more + 1
			kept, placed = append(kept, w), true
			replaced++
		default:
			w.more += old.more + 1
			replaced++
		}
	}
	if !placed {
		kept = append(kept, w)
	}
	q.items = kept
	return replaced
}

// pick returns what to send next, or nil: the oldest message of an alarm none
// of whose messages is under way, exceedances before the rest.
func (q *queue) pick(now time.Time) *waiting {
	if now.Before(q.hold) {
		return nil
	}
	var best *waiting
	seen := make(map[subject]bool, len(q.items))
	for _, w := range q.items {
		s := subjectOf(w.event)
		if seen[s] {
			continue
		}
		seen[s] = true
		isDown := now.Before(q.down) && !w.queued.After(q.downAt)
		if w.flying || isDown || now.Before(w.next) {
			continue
		}
		if s.rule.Priority() == alarm.High {
			return w
		}
		if best == nil {
			best = w
		}
	}
	return best
}

func (q *queue) remove(w *waiting) {
	for i, x := range q.items {
		if x == w {
			q.items = append(q.items[:i], q.items[i+1:]...)
			return
		}
	}
}

// markRecorded notes that the event of an early message is durable now.
func (q *queue) markRecorded(id int64) {
	for _, w := range q.items {
		if w.event.ID == id {
			w.recorded = true
		}
	}
}

// cursor returns the highest id up to which all is done, of what was read.
func (q *queue) cursor(read int64) int64 {
	for _, w := range q.items {
		read = min(read, w.first-1)
	}
	return read
}
