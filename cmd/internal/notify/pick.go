package notify

import (
	"slices"
	"time"
)

// pick returns what to send next, or nil: the oldest message of an alarm none
// of whose messages is under way, those of high priority before the rest, and of
// these what was not tried before what was. When too many had to wait because of each other, it makes one of them.
func (q *queue) pick(now time.Time) *waiting {
	if now.Before(q.hold) {
		return nil
	}
	q.pass(now)
	together := q.pace.together.burst == 0 || q.all.left(q.pace.together, now) > 0
	var may []*waiting
	var high *waiting
	seen := make(map[subject]bool, len(q.items))
	for _, w := range q.items {
		behind := false
		for _, m := range w.members() {
			s := subjectOf(m.event)
			behind = behind || seen[s]
			seen[s] = true
		}
		if behind || !q.due(w, now) {
			continue
		}
		switch {
		case !w.high():
			may = append(may, w)
		case w.presses:
			return w
		case high == nil:
			high = w
		}
	}
	if high != nil {
		return high
	}
	if len(may) == 0 {
		return nil
	}
	if !together {
		q.crowded = true
		return nil
	}
	if q.crowded && may[0].group == nil && !may[0].partly {
		q.crowded = false
		return q.join(may)
	}
	return may[0]
}

// due says whether nothing but its alarm's older messages keeps w from being
// sent.
func (q *queue) due(w *waiting, now time.Time) bool {
	early := now.Before(w.next)
	if w.flying || w.held && early {
		return false
	}
	isDown := now.Before(q.down) && !w.queued.After(q.downAt)
	urged := !w.behind.IsZero() && w.urged.left(q.urging, now) > 0
	if !w.presses && (early && !urged || isDown && !(urged && w.behind.After(q.downAt))) {
		return false
	}
	if w.group != nil || w.partly {
		return true
	}
	a, b := q.allowance(w)
	return a.burst == 0 || w.urgent() || b.left(a, now) > 0
}

// join makes one message of those of several alarms.
func (q *queue) join(may []*waiting) *waiting {
	g := &waiting{}
	for _, w := range may {
		if w.group != nil || w.partly {
			continue
		}
		g.group = append(g.group, w)
		g.presses = g.presses || w.presses
		if g.first == 0 || w.first < g.first {
			g.first, g.queued = w.first, w.queued
		}
		if g.ids[0] == 0 || w.event.ID < g.ids[0] {
			g.ids[0] = w.event.ID
		}
		if w.event.ID > g.event.ID {
			g.event, g.ids[1] = w.event, w.event.ID
		}
	}
	if len(g.group) == 1 {
		return g.group[0]
	}
	kept := []*waiting{}
	placed := false
	for _, x := range q.items {
		switch {
		case !slices.Contains(g.group, x):
			kept = append(kept, x)
		case !placed:
			kept, placed = append(kept, g), true
		}
	}
	q.items = kept
	return g
}

// start notes that an attempt to send w begins, and failed that it did not come
// through.
func (q *queue) start(w *waiting, now time.Time) {
	w.flying, w.begun = true, now
	w.attempts++
	if !w.behind.IsZero() && !w.presses {
		w.urged.take(q.urging, now)
	}
	w.behind, w.presses, w.held = time.Time{}, false, false // the hours have begun
	if w.partly {
		return
	}
	if !w.high() {
		q.all.take(q.pace.together, now)
	}
	for _, m := range w.members() {
		if a, b := q.allowance(m); m.spends() {
			b.take(a, now)
		}
	}
}

// failed puts back what an attempt took, where it has reached nobody.
func (q *queue) failed(w *waiting, r result) {
	w.flying = false
	if r.reached {
		w.partly, w.answer = true, r.answer
	}
	if w.partly {
		return
	}
	if !w.high() {
		q.all.give()
	}
	for _, m := range w.members() {
		if _, b := q.allowance(m); m.spends() {
			b.give()
		}
	}
}

// failedAnew has a message tried again for a newer one of its alarm that came while the
// attempt was under way that failed.
func (q *queue) failedAnew(w *waiting) {
	if !w.behind.IsZero() && !w.behind.After(q.downAt) {
		w.behind = q.downAt.Add(1)
	}
}

// rejoin lets what came while an attempt was under way take the place of its
// message, where add would have let it, and returns how many it replaced.
func (q *queue) rejoin(w *waiting, now time.Time) (replaced int) {
	if w.group != nil {
		return 0
	}
	waits := q.waits(subjectOf(w.event))
	if len(waits) < 2 || waits[0] != w {
		return 0
	}
	next := waits[1]
	a, b := q.allowance(next)
	left := b.left(a, now)
	paced := a.burst > 0 && (left < 1 || !next.urgent() && len(waits) > max(left, 1))
	if !paced && !next.held && len(q.items) <= q.bound {
		return 0
	}
	q.remove(next)
	return q.replace(next, waits[:1])
}
