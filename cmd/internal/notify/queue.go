package notify

import (
	"math"
	"slices"
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
	some     int   // earlier changes that not all recipients have, and that it stands in for
	recorded bool
	queued   time.Time
	attempts int
	begun    time.Time  // when the newest attempt began
	next     time.Time  // not before
	behind   time.Time  // when the newest change came that waits for it, since it was last tried
	urged    bucket     // how often it was tried for that
	must     bool       // it stands in for one that may not be held back
	held     bool       // next is when the hours begin
	flying   bool       // an attempt is under way
	partly   bool       // some recipients have it, and it waits for the others; its pace is spent
	answer   string     // what came of it so far, where partly
	group    []*waiting // several alarms in one message; event is the newest of theirs
	ids      [2]int64   // of the first and the last event that a group was made of: its name, whoever leaves it
}

// members are the changes that a message tells of, itself where it is one.
func (w *waiting) members() []*waiting {
	if w.group != nil {
		return w.group
	}
	return []*waiting{w}
}

func (w *waiting) high() bool { return w.group == nil && w.event.Alarm.Urgency() == alarm.High }

// queue holds what waits, in the order of first ids. It asks no clock. When
// bound messages wait, or more of one alarm than its pace lets through, a newer
// change of an alarm takes the place of an older one: so the queue holds at most
// bound and a few for each alarm.
type queue struct {
	bound int
	pace  pace
	items []*waiting

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

// urgent says whether a message may not be held back by its alarm's pace: the
// first of an exceedance, what nobody acknowledged, what is told again as often as the
// configuration asks, and what a person did. None of these can chatter: an
// exceedance latches.
func (w *waiting) urgent() bool {
	c := w.event.Alarm
	return w.must || c.Reason == alarm.Escalated || c.Reason == alarm.ToldAgain || w.event.Who != "" || w.high() && c.Reason == alarm.Raised && c.Rule.Latches()
}

// spends says whether a message uses its alarm's pace up: not what a person did,
// or the next time the probe falls silent would be told hours late, nor what has a
// pace of its own.
func (w *waiting) spends() bool {
	return w.event.Who == "" && w.event.Alarm.Reason != alarm.ToldAgain
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
	w := &waiting{event: e, first: e.ID, recorded: recorded, queued: now}
	if opens.After(now) {
		w.next, w.held = opens, true
	}
	waits, urgent := q.waits(s), w.urgent()
	switch {
	case len(waits) == 0:
	case w.held:
		return q.replace(w, waits)
	case len(q.items) >= q.bound:
		replaced = q.replace(w, waits)
		q.urge(s, urgent, now)
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
			q.urge(s, urgent, now)
			return replaced
		case !urgent && len(waits) >= max(left, 1):
			return q.replace(w, []*waiting{newest})
		}
	}
	q.urge(s, urgent, now)
	q.items = append(q.items, w)
	return 0
}

// urge has the oldest message of an alarm tried once more, whatever failed before, for a
// newer one waits behind it: at once, or as soon as that was not done too often. For what is
// urgent it is always at once.
func (q *queue) urge(s subject, urgent bool, now time.Time) {
	for _, w := range q.items {
		if slices.ContainsFunc(w.members(), func(m *waiting) bool { return subjectOf(m.event) == s }) {
			if w.behind = now; urgent {
				w.urged = bucket{}
			}
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

// pick returns what to send next, or nil: the oldest message of an alarm none
// of whose messages is under way, those of high priority before the rest. When
// too many had to wait because of each other, it makes one of them.
func (q *queue) pick(now time.Time) *waiting {
	if now.Before(q.hold) {
		return nil
	}
	q.pass(now)
	together := q.pace.together.burst == 0 || q.all.left(q.pace.together, now) > 0
	var may []*waiting
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
		if w.high() {
			return w
		}
		may = append(may, w)
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
	if early && !urged || isDown && !(urged && w.behind.After(q.downAt)) {
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
	if !w.behind.IsZero() {
		w.urged.take(q.urging, now)
	}
	w.behind, w.held = time.Time{}, false // the hours have begun
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

// tried counts the messages that were tried and not accepted, and of the others those that
// are under way.
func (q *queue) tried() (vain, trying int) {
	for _, w := range q.items {
		before := w.attempts
		if w.flying {
			before-- // what comes of this one is not known yet
		}
		switch {
		case w.held:
		case before > 0, slices.ContainsFunc(w.group, func(m *waiting) bool { return m.attempts > 0 }):
			vain++
		case w.flying:
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
