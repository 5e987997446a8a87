package store

import (
	"bytes"
	"fmt"
	"slices"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/alarm"
	"ovenward/acquire/calib"
)

var _ acquire.Recorder = (*Store)(nil)

// Append keeps samples of the post with this index of Register. It copies
// them and returns.
func (s *Store) Append(post int, batch []acquire.Sample) {
	if len(batch) == 0 {
		return
	}
	s.mu.Lock()
	if s.closed || post < 0 || post >= len(s.places) {
		s.queue.lost += uint64(len(batch))
		s.mu.Unlock()
		return
	}
	p := &s.places[post]
	n := s.queue.pen(p.post)
	r := &n.row
	same := r.Version == p.version && r.Correction == p.correction
	for i := range batch {
		b := &batch[i]
		if b.Seq <= n.last {
			s.queue.refused++
			continue
		}
		if same && n.open != nil && s.queue.tail.rows < s.queue.tail.maxRows && n.like(&b.Reading, b.Quality) &&
			n.open.Another(&n.coarse, b.Seq, nanos(b.At), int64(b.AtU), b.Reading.Value.Digits, b.Said) {
			n.last = b.Seq
			s.queue.tail.rows++
			continue
		}
		r.Version, r.Correction = p.version, p.correction
		r.Seq, r.At, r.AtU = b.Seq, nanos(b.At), int64(b.AtU)
		r.Digits, r.Exp, r.HasValue, r.Unit = b.Reading.Value.Digits, b.Reading.Value.Exp, b.Reading.HasValue, b.Reading.Unit
		r.Status, r.Quality, r.Said, r.More = uint8(b.Reading.Status), uint8(b.Quality), b.Said, nil
		if x := &b.Reading; x.HasAxes || x.HasTemp || x.BatteryUnit != "" {
			r.More = s.moreOf(b)
		}
		n.coarse.Set(r)
		s.queue.tail.add(n, s.queue.lose)
		n.last, same = b.Seq, true
	}
	r.Said, r.More = nil, nil // the caller's
	// The program is awake now: a timer would have to wake it for the commit. While the
	// disk fails the next try has its time, whatever comes.
	wake := s.touch() || s.state.err == nil && s.o.Now().Sub(s.queue.firstAt) >= s.o.commitAfter()
	s.mu.Unlock()
	if wake {
		s.wake()
	}
}

// moreOf returns the column more of b; it stays valid until the next call.
func (s *Store) moreOf(b *acquire.Sample) []byte {
	s.scratch = appendMore(s.scratch[:0], b.Reading)
	return s.scratch
}

// Record keeps an event and gives it its number. One that carries an alarm is
// committed at once.
func (s *Store) Record(e acquire.Event) {
	e = clone(e)
	s.mu.Lock()
	if s.closed {
		s.queue.lostEvents++
		s.mu.Unlock()
		return
	}
	s.push(e)
}

// push keeps an event, gives s.mu free, and wakes the writer.
func (s *Store) push(e acquire.Event) {
	s.queue.push(e, s.o.Now())
	first := s.touch() || e.Alarm != nil
	if e.Alarm != nil && !s.unheard {
		s.unheard = true
		s.late.Reset(heardAfter)
	}
	s.mu.Unlock()
	if first {
		s.wake()
	}
}

// Correction makes c the correction of the post's samples from the next Append
// on. One that is the same as the one in force changes nothing.
func (s *Store) Correction(post int, c calib.Correction) {
	if c.Certificate != nil {
		cert := *c.Certificate
		c.Certificate = &cert
	}
	s.mu.Lock()
	if s.closed || post < 0 || post >= len(s.places) || s.places[post].correction != 0 && sameCorrection(s.places[post].inForce, c) {
		s.mu.Unlock()
		return
	}
	p := &s.places[post]
	p.correction, p.inForce = s.queue.nextCorrection, c
	s.queue.nextCorrection++
	s.queue.corrections = append(s.queue.corrections, correction{id: p.correction, post: p.post, at: nanos(s.o.Now()), c: c})
	first := s.touch()
	s.mu.Unlock()
	if first {
		s.wake()
	}
}

// touch notes that something waits, and says whether it is the first.
func (s *Store) touch() bool {
	if !s.queue.firstAt.IsZero() {
		return false
	}
	s.queue.firstAt = s.o.Now()
	return true
}

func (s *Store) wake() {
	select {
	case s.kick <- struct{}{}:
	default:
	}
}

// Err says why the record cannot be written now, and what to do; nil when it
// can.
func (s *Store) Err() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.state.err == nil && !s.state.trying.IsZero() {
		if d := s.o.Now().Sub(s.state.trying); d > stuckAfter {
			return fmt.Errorf("the record cannot be written: the disk that holds %s has not answered for %s: look at that disk", s.dir, d.Round(time.Second))
		}
	}
	return s.state.err
}

// Uncommitted returns the events that carry an alarm and have waited in memory
// since before olderThan, by the host's clock. They have their numbers: one that
// is told before it is durable keeps its own.
func (s *Store) Uncommitted(olderThan time.Time) []acquire.Event {
	s.mu.Lock()
	var late []acquire.Event
	for _, w := range s.queue.events {
		if w.event.Alarm != nil && w.since.Before(olderThan) {
			late = append(late, clone(w.event))
		}
	}
	s.mu.Unlock()
	for i := range late {
		// As they will be read once they are durable, so that nobody is told it otherwise.
		if row, err := rowOf(&late[i]); err == nil {
			late[i] = row.event()
		}
	}
	return late
}

// Changed returns a channel that is closed when events are committed after the
// call. To follow the events without polling: take the channel, then read
// Events until there are no more, then wait for the channel.
func (s *Store) Changed() <-chan struct{} {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.changed
}

// Durable returns a channel that is closed when the event of this number is committed;
// never, where that was so long ago that it is no longer at hand. Who waits there goes
// before all who wait for Changed.
func (s *Store) Durable(id int64) <-chan struct{} {
	s.mu.Lock()
	defer s.mu.Unlock()
	c := s.awaited[id]
	if c == nil {
		c = make(chan struct{})
		if s.recent.has(id) {
			close(c)
			return c
		}
		s.awaited[id] = c
	}
	return c
}

// heardAfter is how long who waits for Raised may wait for the writer.
const heardAfter = 50 * time.Millisecond

// hear tells who waits for Raised. The writer does so when the rest is the disk's work, so
// that what they do then holds it up no more; should it not come so far, a timer does.
func (s *Store) hear() {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.unheard {
		s.unheard = false
		s.late.Stop()
		close(s.raised)
		s.raised = make(chan struct{})
	}
}

// Raised returns a channel that is closed when an event with an alarm was recorded
// after the call, durable or not: at the latest 50 ms later.
func (s *Store) Raised() <-chan struct{} {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.raised
}

// Alarms returns the present state of every alarm ever raised, by post and rule,
// those of the station itself with an empty post first.
func (s *Store) Alarms() []alarm.Alarm {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.queue.standing()
}

// Stats is how the record fares, at an instant.
type Stats struct {
	Commits       int64         // since the record was made
	CommittedAt   time.Time     // host time of the newest commit; zero when there is none
	CommitTook    time.Duration // of the newest commit
	Samples       uint64        // committed since Open
	Pending       int           // samples in memory, not committed
	PendingEvents int           // events in memory, not committed
	Oldest        time.Time     // host time since which the oldest of them waits; zero when none does
	Lost          uint64        // samples that memory could not hold while the record could not be written
	LostEvents    uint64        // events likewise
	Refused       uint64        // rows that the record will never take, such as a number that came twice
	FailingSince  time.Time     // zero while commits succeed
	Err           error         // why they fail
	Reserve       bool          // the space for alarms is set aside
	Damaged       uint64        // stretches found damaged or lost since Open
	Salvaged      uint64        // commits that SQLite dropped at Open and that were recorded again
	Head          Head          // of the chain of hashes, as it stands
	DayHead       Head          // of the last UTC day that ended
	NumberErr     error         // why the last commit's number is not kept beside the record; nil when it is
}

// Stats returns how the record fares now.
func (s *Store) Stats() Stats {
	s.mu.Lock()
	defer s.mu.Unlock()
	return Stats{
		Commits: s.state.commits, CommittedAt: s.state.at, CommitTook: s.state.took, Samples: s.state.samples,
		Pending: s.queue.tail.rows, PendingEvents: len(s.queue.events), Oldest: s.queue.firstAt,
		Lost: s.queue.lost, LostEvents: s.queue.lostEvents, Refused: s.state.refused,
		FailingSince: s.state.since, Err: s.state.err, Reserve: s.state.reserve,
		Damaged: s.state.damaged, Salvaged: s.state.salvaged, Head: headOf(s.state.chain), DayHead: headOf(s.state.over),
		NumberErr: s.state.sideErr,
	}
}

// clone copies all that e points to.
func clone(e acquire.Event) acquire.Event {
	e.Raw = bytes.Clone(e.Raw)
	if e.Alarm != nil {
		a := *e.Alarm
		if a.Verdict != nil {
			g := *a.Verdict
			g.Value, g.Uncertainty, g.Reasons = copied(g.Value), copied(g.Uncertainty), slices.Clone(g.Reasons)
			a.Verdict = &g
		}
		e.Alarm = &a
	}
	return e
}

func copied(f *float64) *float64 {
	if f == nil {
		return nil
	}
	v := *f
	return &v
}

func sameCorrection(a, b calib.Correction) bool {
	switch {
	case a.Zero != b.Zero || !a.ZeroAt.Equal(b.ZeroAt) || a.ZeroBy != b.ZeroBy:
		return false
	case a.Setting != b.Setting || a.Spread != b.Spread:
		return false
	case a.Certificate == nil || b.Certificate == nil:
		return a.Certificate == b.Certificate
	}
	return a.Certificate.Equal(*b.Certificate)
}

// nanos is t in nanoseconds since 1970; 0 when t is none.
func nanos(t time.Time) int64 {
	if t.IsZero() {
		return 0
	}
	return t.UnixNano()
}

// instant is the inverse of nanos.
func instant(ns int64) time.Time {
	if ns == 0 {
		return time.Time{}
	}
	return time.Unix(0, ns).UTC()
}
