package store

import (
	"cmp"
	"crypto/sha256"
	"fmt"
	"maps"
	"slices"
	"sort"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/alarm"
	"ovenward/acquire/calib"
)

// waiting is an event that is not committed yet.
type waiting struct {
	event  acquire.Event
	since  time.Time // host time
	flying bool
}

// correction is a correction that is not committed yet.
type correction struct {
	id   int64
	post int32
	at   int64
	c    calib.Correction
}

// mark is how far the samples of a post are recorded.
type mark struct {
	seq int64
	at  int64 // ns since 1970 UTC
}

// loss is a run of samples of one post that the full tail let go.
type loss struct {
	post     int32
	from, to int64
	n        int64
}

// place is what Append needs to know of a post.
type place struct {
	id         string
	post       int32
	version    int64
	correction int64 // 0: none was told yet
	inForce    calib.Correction
}

// alarmKey names an alarm.
type alarmKey struct {
	post string
	rule alarm.Rule
}

// queue is all that waits for the writer. The store's lock guards it.
type queue struct {
	tail        tail
	events      []waiting
	corrections []correction
	losses      []loss

	firstAt time.Time // host time of the oldest thing waiting; zero when nothing waits
	urgent  bool      // an alarm waits that was not tried yet

	nextEvent      int64
	nextCorrection int64
	names          map[int32]string // of posts
	pens           map[int32]*pen
	last           map[int32]mark // what is committed
	refused        int            // samples, since the last commit: their numbers came before
	alarms         map[alarmKey]alarm.Alarm

	maxEvents  int // of those that carry no alarm
	maxAlarms  int // of those that do
	lost       uint64
	lostEvents uint64
	lostSince  uint64 // events lost since the last loss was told
}

// batch is what one transaction holds.
type batch struct {
	no          int64 // of the commit
	alarmsOnly  bool
	all         bool // nothing was left behind
	firstAt     time.Time
	blocks      []*block
	events      []acquire.Event
	corrections []correction
	losses      []loss
	lostEvents  uint64
	nextEvent   int64 // as of this commit, with room for what is told before it is durable
	at          time.Time
	late        int // samples refused before: their numbers are not above the last
	refused     int // late ones, and rows that the record will never take
	removals    []removal
	samples     int            // that went in
	last        map[int32]mark // how far the posts are recorded with it
	link        [sha256.Size]byte
}

func (b *batch) empty() bool {
	return len(b.blocks) == 0 && b.late == 0 && len(b.events) == 0 && len(b.corrections) == 0 && len(b.losses) == 0 && b.lostEvents == 0
}

// eventRoom is how many numbers are set aside for events that are told before
// they are durable and then lost with the process: none is used again.
const eventRoom = 10_000

// lose counts samples that the full tail lets go, and joins them to the run
// before them.
func (q *queue) lose(b *block) {
	post, span := b.pen.post, b.Span()
	q.lost += uint64(span.Rows)
	for i := len(q.losses) - 1; i >= 0; i-- {
		l := &q.losses[i]
		if l.post == post && (l.to+1 == span.FromSeq || len(q.losses) >= maxLosses) {
			l.from, l.to, l.n = min(l.from, span.FromSeq), max(l.to, span.ToSeq), l.n+int64(span.Rows)
			return
		}
	}
	q.losses = append(q.losses, loss{post: post, from: span.FromSeq, to: span.ToSeq, n: int64(span.Rows)})
}

// maxLosses bounds the runs that are told apart.
const maxLosses = 1000

// push keeps an event, gives it its number, and lets one go when too many wait:
// alarms and others are bounded apart, so that chatter costs no alarm. Of alarms
// only a change that a later one of the same alarm follows may go, so that the
// state of each is recorded in the end.
func (q *queue) push(e acquire.Event, now time.Time) {
	e.ID = q.nextEvent
	q.nextEvent++
	bound, n, oldest := q.maxEvents, 0, -1
	if e.Alarm != nil {
		bound = q.maxAlarms
		q.alarms[alarmKey{e.Alarm.Post, e.Alarm.Rule}] = e.Alarm.Alarm
		q.urgent = true
	}
	if len(q.events) >= bound {
		for i, w := range q.events {
			if (w.event.Alarm != nil) != (e.Alarm != nil) {
				continue
			}
			n++
			if oldest < 0 && !w.flying && (w.event.Alarm == nil || q.followed(i, e)) {
				oldest = i
			}
		}
		if n >= bound && oldest >= 0 {
			q.events = slices.Delete(q.events, oldest, oldest+1)
			q.lostEvents++
			q.lostSince++
		}
	}
	q.events = append(q.events, waiting{event: e, since: now})
}

// followed says whether a later event, or the next one, changes the same alarm as
// the waiting event i.
func (q *queue) followed(i int, next acquire.Event) bool {
	key := func(e acquire.Event) alarmKey { return alarmKey{e.Alarm.Post, e.Alarm.Rule} }
	this := key(q.events[i].event)
	if key(next) == this {
		return true
	}
	return slices.ContainsFunc(q.events[i+1:], func(w waiting) bool { return w.event.Alarm != nil && key(w.event) == this })
}

// alarmsWait says whether an event that carries an alarm is not committed.
func (q *queue) alarmsWait() bool {
	return slices.ContainsFunc(q.events, func(w waiting) bool { return w.event.Alarm != nil })
}

// settledBelow is the number below which no alarm waits, nor will: that of the first
// one that does, or the next to be given.
func (q *queue) settledBelow() int64 {
	below := q.nextEvent
	for i := range q.events {
		if q.events[i].event.Alarm != nil {
			below = min(below, q.events[i].event.ID)
		}
	}
	return below
}

// take cuts the next transaction: everything, up to batchRows samples, or only
// the events that carry alarms. What is to be removed goes with the event that
// tells of it, which waits in no queue.
func (q *queue) take(alarmsOnly bool, now time.Time, remove []removal) *batch {
	b := &batch{alarmsOnly: alarmsOnly, all: true, firstAt: q.firstAt, at: now}
	for i := range q.events {
		if w := &q.events[i]; !alarmsOnly || w.event.Alarm != nil {
			w.flying = true
			b.events = append(b.events, w.event)
		}
	}
	if !alarmsOnly {
		b.blocks, b.all = q.tail.take(nil)
		b.late, q.refused = q.refused, 0
		b.corrections, b.losses, b.lostEvents = q.corrections, q.losses, q.lostSince
		q.corrections, q.losses, q.lostSince = nil, nil, 0
		if b.all {
			q.firstAt = time.Time{}
		}
	}
	b.events = append(b.events, q.lossEvents(b)...)
	for _, r := range remove {
		if alarmsOnly {
			break
		}
		r.event = q.nextEvent
		q.nextEvent++
		b.removals = append(b.removals, r)
		b.events = append(b.events, acquire.Event{ID: r.event, At: now, Post: r.post, Kind: acquire.KindRecord, Text: r.text})
	}
	b.nextEvent = q.nextEvent + eventRoom
	return b
}

// lossEvents names what was lost. Their numbers are not used again when the
// transaction fails; that leaves holes, and holes do no harm.
func (q *queue) lossEvents(b *batch) []acquire.Event {
	var told []acquire.Event
	add := func(post, text string) {
		told = append(told, acquire.Event{ID: q.nextEvent, At: b.at, Post: post, Kind: acquire.KindStation, Text: text})
		q.nextEvent++
	}
	for _, l := range b.losses {
		add(q.names[l.post], fmt.Sprintf("%d samples lost, of numbers %d to %d: the record could not be written, and the memory set aside for that was full", l.n, l.from, l.to))
	}
	if b.lostEvents > 0 {
		add("", fmt.Sprintf("%d events lost: the record could not be written, and the memory set aside for that was full", b.lostEvents))
	}
	return told
}

// committed takes out of the queue what b made durable.
func (q *queue) committed(b *batch) {
	q.tail.commit(b.blocks)
	maps.Copy(q.last, b.last)
	q.events = slices.DeleteFunc(q.events, func(w waiting) bool { return w.flying })
	if !b.alarmsOnly || len(b.events) == 0 {
		return
	}
	// Alarms overtook other events. Those get new numbers, so that a reader who
	// follows the numbers misses none.
	last := b.events[len(b.events)-1].ID
	var behind []waiting
	q.events = slices.DeleteFunc(q.events, func(w waiting) bool {
		if w.event.ID < last {
			behind = append(behind, w)
			return true
		}
		return false
	})
	for _, w := range behind {
		w.event.ID = q.nextEvent
		q.nextEvent++
		q.events = append(q.events, w)
	}
}

// restore puts back what b could not make durable.
func (q *queue) restore(b *batch) {
	q.tail.restore(b.blocks)
	q.refused += b.late
	for i := range q.events {
		q.events[i].flying = false
	}
	q.corrections = append(b.corrections, q.corrections...)
	q.losses = append(b.losses, q.losses...)
	q.lostSince += b.lostEvents
	if !b.firstAt.IsZero() {
		q.firstAt = b.firstAt
	}
}

// standing returns all alarm states by post and rule.
func (q *queue) standing() []alarm.Alarm {
	all := slices.Collect(maps.Values(q.alarms))
	sort.SliceStable(all, func(i, j int) bool {
		return cmp.Or(cmp.Compare(all[i].Post, all[j].Post), cmp.Compare(all[i].Rule, all[j].Rule)) < 0
	})
	return all
}
