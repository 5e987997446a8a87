package notify

import (
	"math"
	"slices"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/alarm"
)

// queue holds what waits, in the order of first ids. It asks no clock. When
// bound messages wait, or more of one alarm than its pace lets through, a newer
// change of an alarm takes the place of an older one: so the queue holds at most
// bound and a few for each alarm.
type queue struct {
	bound int
	pace  pace
	items []*waiting
	whole bool // all that the record held at the start came

	newest map[subject]acquire.Event // with the highest id queued

	told    map[subject]*bucket
	all     bucket
	urging  allowance // how often a message is tried for newer ones of its alarm
	crowded bool      // some had to wait because of all the others

	passed []*waiting // partly told, and a newer one was put in their place; the sender lists them

	hold   time.Time // nothing is sent before: the receiver asked for it
	down   time.Time // what was tried is not tried before: nobody answers, or everybody is to wait
	downAt time.Time // when the newest attempt that found it began; what was queued later is tried once
}

func newQueue(bound int, p pace) *queue {
	// An alarm that comes and goes floods no receiver that is down; the figures are our own choice.
	return &queue{bound: bound, pace: p, urging: allowance{4, time.Minute}, newest: map[subject]acquire.Event{}, told: map[subject]*bucket{}}
}

// allowance returns the pace of one alarm, and what is left of it.
func (q *queue) allowance(w *waiting) (allowance, *bucket) {
	a := q.pace.other
	if w.high() {
		a = q.pace.high
	}
	s := subjectOf(w.event)
	if q.told[s] == nil {
		q.told[s] = &bucket{}
	}
	return a, q.told[s]
}

// add queues a change and returns how many messages it took the place of. opens
// is when somebody is there to be told.
func (q *queue) add(e acquire.Event, recorded bool, now, opens time.Time) (replaced int) {
	s := subjectOf(e)
	if e.ID <= q.newest[s].ID {
		q.addLate(e, recorded, now)
		return 1
	}
	q.newest[s] = e
	w := &waiting{event: e, first: e.ID, recorded: recorded, queued: now, old: !q.whole}
	w.presses = w.urgent() && e.Alarm.Reason != alarm.ToldAgain // which is no news
	if opens.After(now) {
		w.next, w.held = opens, true
	}
	waits, urgent, presses := q.waits(s), w.urgent(), w.presses
	switch {
	case len(waits) == 0:
	case w.held:
		return q.replace(w, waits)
	case len(q.items) >= q.bound:
		replaced = q.replace(w, waits)
		q.urge(s, presses, now)
		return replaced
	default:
		a, b := q.allowance(w)
		newest := waits[len(waits)-1]
		switch left := b.left(a, now); {
		case a.burst == 0:
		case e.Alarm.Reason == alarm.ToldAgain && newest.event.Alarm.Reason == alarm.ToldAgain: // nothing has happened since
			return q.replace(w, []*waiting{newest})
		case urgent && left < 1:
			replaced = q.replace(w, waits) // it does not wait behind what its pace holds back
			q.urge(s, presses, now)
			return replaced
		case !urgent && len(waits) >= max(left, 1):
			return q.replace(w, []*waiting{newest})
		}
	}
	q.urge(s, presses, now)
	q.items = append(q.items, w)
	return 0
}

// urge has the oldest message of an alarm tried once more, whatever failed before, for a
// newer one waits behind it: at once, or as soon as that was not done too often. For what is
// urgent and news it is always at once.
func (q *queue) urge(s subject, presses bool, now time.Time) {
	for _, w := range q.items {
		if slices.ContainsFunc(w.members(), func(m *waiting) bool { return subjectOf(m.event) == s }) {
			w.behind, w.presses = now, w.presses || presses
			return
		}
	}
}

// addLate takes a change that is older than one already queued: to send it would
// be out of order. The next message of its alarm says that it was; where none
// waits, the newest is repeated for that, under its own id. Until then the cursor
// stays below it, so that a crash does not lose it.
func (q *queue) addLate(e acquire.Event, recorded bool, now time.Time) {
	s := subjectOf(e)
	if waits := q.waits(s); len(waits) > 0 {
		waits[0].more++
		waits[0].first = min(waits[0].first, e.ID)
		return
	}
	q.items = append(q.items, &waiting{event: q.newest[s], first: e.ID, more: 1, recorded: recorded, queued: now})
}

// waits returns the messages of an alarm that can be replaced. One that some
// recipients have is replaced when the newer one may be sent, and not before.
func (q *queue) waits(s subject) []*waiting {
	var found []*waiting
	for _, old := range q.items {
		if old.group == nil && !old.flying && !old.partly && subjectOf(old.event) == s {
			found = append(found, old)
		}
	}
	return found
}

// replace puts w in the place of the first of some messages, and takes the
// others out.
func (q *queue) replace(w *waiting, old []*waiting) (replaced int) {
	for _, o := range old {
		w.more += o.more + 1
		w.some += o.some
		w.must = w.must || o.urgent()
		w.presses, w.old = w.presses || o.presses, w.old || o.old
	}
	w.first, w.attempts, w.queued, w.behind, w.urged = old[0].first, old[0].attempts, old[0].queued, old[0].behind, old[0].urged
	if !w.held && !old[0].held {
		w.next = old[0].next
	}
	kept := q.items[:0]
	for _, x := range q.items {
		switch {
		case x == old[0]:
			kept = append(kept, w)
		case slices.Contains(old, x):
		default:
			kept = append(kept, x)
		}
	}
	clear(q.items[len(kept):])
	q.items = kept
	return len(old)
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
		for _, m := range w.members() {
			if m.event.ID == id {
				m.recorded = true
			}
		}
	}
}

// tried counts the messages that were tried and not accepted, or stand in for one that some
// lack, and of the others those that are under way, or may have been tried before the start.
func (q *queue) tried() (vain, trying int) {
	for _, w := range q.items {
		before := w.attempts
		if w.flying {
			before-- // what comes of this one is not known yet
		}
		switch {
		case before > 0, slices.ContainsFunc(w.members(), func(m *waiting) bool { return m.some > 0 || m != w && m.attempts > 0 }):
			vain++
		case w.flying, w.old:
			trying++
		}
	}
	return vain, trying
}

// below returns the highest id up to which nothing of an alarm waits.
func (q *queue) below(s subject) int64 {
	last := int64(math.MaxInt64)
	for _, w := range q.items {
		for _, m := range w.members() {
			if subjectOf(m.event) == s {
				last = min(last, m.first-1)
			}
		}
	}
	return last
}

// cursor returns the highest id up to which all is done, of what was read.
func (q *queue) cursor(read int64) int64 {
	for _, w := range q.items {
		for _, m := range w.members() {
			read = min(read, m.first-1)
		}
	}
	return read
}
