package notify

import (
	"context"
	"errors"
	"log/slog"
	"math/rand/v2"
	"sync"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/store"
)

// Outbox is what a Courier needs of the record. Uncommitted, Raised,
// Changed and Durable are asked often and must not wait for a disk; the others may wait for one, and
// then delay only what is durable already.
type Outbox interface {
	// Events returns at most limit durable events with ids above after, rising.
	Events(ctx context.Context, after int64, limit int) ([]acquire.Event, error)
	// Standing returns the newest durable event of each alarm that stands, rising,
	// and the highest id of all durable events.
	Standing(ctx context.Context) (events []acquire.Event, last int64, err error)
	// Uncommitted returns the events with an alarm that are not durable yet and
	// were raised before olderThan. They have the ids they will keep.
	Uncommitted(olderThan time.Time) []acquire.Event
	// Raised returns a channel that is closed when a new event with an alarm
	// exists, durable or not, or a moment later.
	Raised() <-chan struct{}
	// Changed returns a channel that is closed when new durable events exist.
	Changed() <-chan struct{}
	// Durable returns a channel that is closed when the event of this number, which is
	// not durable yet, is. It may stay open: whoever reads the event knows as well.
	Durable(id int64) <-chan struct{}
	// Cursors returns what Keep last kept under the name of a courier, and under names
	// that begin with it and a full stop.
	Cursors(ctx context.Context, courier string) (map[string]int64, error)
	// Keep makes cursors and what was told durable, all or nothing. A cursor of 0 is one
	// that is not there.
	Keep(ctx context.Context, cursors map[string]int64, told []store.Told) error
}

// Options is what a Courier is made of. Carrier and Outbox are needed.
type Options struct {
	Name    string // of the courier and its cursor in the record; default "webhook"
	Carrier Carrier
	Route   Route
	Texts   *Texts // nil: the default ones
	Tell    string // whom people should tell

	// Machine says that no person reads along: every change is told, one by one.
	// Otherwise an alarm that comes and goes is told ever more rarely, and beyond
	// Most messages in ten minutes (default 20) several come in one.
	Machine bool
	Most    int

	Heartbeat time.Duration   // between two messages of how all posts are; 0: none
	Snapshot  func() Snapshot // how all is; must not wait; needed for a heartbeat

	Link      string // the page, for people; messages of a post carry that of the post
	Site      string // for what belongs to no post
	Posts     []acquire.Post
	Simulated bool // mark every message, not only those of simulated probes
	Outbox    Outbox
	Log       *slog.Logger // default: none
	Round     func()       // called each time it was looked what is due, at least every 30 s; nil: nobody asks. It must not wait
	ReadRound func()       // the same of what was read from the record, at least every minute
}

// Stats is the state of a Courier. Its counts begin with the program.
type Stats struct {
	Name          string
	To            string    // where it sends, without secrets
	Sent          uint64    // messages accepted
	Failed        uint64    // attempts that failed and are made again
	Dead          uint64    // messages refused for good
	Coalesced     uint64    // changes never sent, since a newer one of their alarm stood in for them
	Unlisted      uint64    // messages of which the record could not keep what came of them
	Waiting       int       // messages not yet accepted
	Vain          int       // of these, tried and not accepted, or in the place of one that some lack
	Trying        int       // of these, under way for the first time, or not tried since the start and perhaps before it
	Begun         bool      // Waiting counts those that the record holds, too: it was read
	Failing       bool      // the newest attempt failed
	LastError     string    // empty: none since the program started
	LastErrorAt   time.Time // zero: none
	LastAccepted  time.Time // zero: none
	Heartbeat     time.Duration
	LastHeartbeat time.Time // accepted; zero: none

	// Of a receiver that also shows what is true now.
	NotShown  string    // why it does not; empty: it does, or nothing is shown there
	LastShown time.Time // when it last did; zero: never
	ToShow    bool      // nobody has looked yet whether it does
}

// NotAccepted says whether messages are not accepted, or one is not: that the receiver
// takes others, or heartbeats, meanwhile tells nobody of that one.
func (s Stats) NotAccepted() bool { return s.Failing || s.Vain > 0 }

// Courier sends changes of alarms through one Carrier. Run may be called once;
// Stats at any time.
type Courier struct {
	o     Options
	posts map[string]*acquire.Post
	log   *slog.Logger
	pace  pace
	wait  func(failures int) time.Duration // before the next attempt
	send  func(ctx context.Context, m Message) result

	mu     sync.Mutex
	stats  Stats
	before *Courier             // whose counters are not in stats yet; nil: nobody's
	stands map[subject]*waiting // the newest change of each alarm that stands
}

const defaultMost = 20

// New checks the options. It opens no connection and reads no file.
func New(o Options) (*Courier, error) {
	switch {
	case o.Outbox == nil:
		return nil, errors.New("a courier needs an outbox to send from")
	case o.Carrier == nil:
		return nil, errors.New("a courier needs a carrier to send with")
	case o.Heartbeat > 0 && o.Snapshot == nil:
		return nil, errors.New("a heartbeat needs somebody who says how all is")
	}
	if o.Name == "" {
		o.Name = "webhook"
	}
	if o.Round == nil {
		o.Round = func() {}
	}
	if o.ReadRound == nil {
		o.ReadRound = func() {}
	}
	if o.Most <= 0 {
		o.Most = defaultMost
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	c := &Courier{o: o, posts: map[string]*acquire.Post{}, stands: map[subject]*waiting{}, send: o.Carrier.send}
	if !o.Machine {
		c.pace = peoplesPace(o.Most)
	}
	c.stats.Name, c.stats.To, c.stats.Heartbeat = o.Name, o.Carrier.to(), o.Heartbeat
	_, c.stats.ToShow = o.Carrier.(keeper)
	c.log = o.Log.With("courier", o.Name, "to", c.stats.To)
	c.wait = func(failures int) time.Duration { return backoff(failures, rand.Float64()) }
	for i := range o.Posts {
		c.posts[o.Posts[i].ID] = &o.Posts[i]
	}
	return c, nil
}

// GoOnFrom has the counters, and who has a message that others still lack, go on from
// those of another courier, which is configured alike. The other's Run must have ended before this one's begins.
func (c *Courier) GoOnFrom(before *Courier) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.before = before
}

// takeOver adds what the courier before has counted, now that it counts no more, and
// has the carrier know whom the one before has told.
func (c *Courier) takeOver() {
	s := c.Stats()
	c.mu.Lock()
	defer c.mu.Unlock()
	if m, is := c.o.Carrier.(*mailer); is && c.before != nil {
		m.goOnFrom(c.before.o.Carrier)
	}
	c.stats, c.before = s, nil
}

// Stats copies the courier's state. It waits for nothing.
func (c *Courier) Stats() Stats {
	c.mu.Lock()
	s, before := c.stats, c.before
	c.mu.Unlock()
	if before != nil {
		s = s.after(before.Stats())
	}
	return s
}

// after is what stats are that go on from others.
func (s Stats) after(before Stats) Stats {
	s.Sent += before.Sent
	s.Failed += before.Failed
	s.Dead += before.Dead
	s.Coalesced += before.Coalesced
	s.Unlisted += before.Unlisted
	s.Failing = before.NotAccepted()
	s.LastError, s.LastErrorAt = before.LastError, before.LastErrorAt
	s.LastAccepted, s.LastHeartbeat = before.LastAccepted, before.LastHeartbeat
	s.NotShown, s.LastShown = before.NotShown, before.LastShown
	return s
}

func (c *Courier) note(f func(s *Stats)) {
	c.mu.Lock()
	defer c.mu.Unlock()
	f(&c.stats)
}

// unlisted counts and tells that rows of what was told found no room.
func (c *Courier) unlisted(rows int) {
	if rows == 0 {
		return
	}
	c.mu.Lock()
	first := c.stats.Unlisted == 0
	c.stats.Unlisted += uint64(rows)
	c.mu.Unlock()
	if first {
		c.log.Error("what came of messages is lost from the list of what was told, for the record cannot be written; how many will stand there")
	}
}

// stand notes the newest change of an alarm, for a receiver that shows what
// stands.
func (c *Courier) stand(e acquire.Event, recorded bool) {
	s := subjectOf(e)
	c.mu.Lock()
	defer c.mu.Unlock()
	if old := c.stands[s]; old != nil && old.event.ID > e.ID {
		return
	}
	if !e.Alarm.State.Standing() {
		delete(c.stands, s)
		return
	}
	c.stands[s] = &waiting{event: e, recorded: recorded}
}

// markRecorded notes that the event of an alarm that stands is durable now.
func (c *Courier) markRecorded(e acquire.Event) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if w := c.stands[subjectOf(e)]; w != nil && w.event.ID == e.ID {
		w.recorded = true
	}
}

// standing is for keepers.
func (c *Courier) standing() []Message {
	c.mu.Lock()
	defer c.mu.Unlock()
	var all []Message
	for _, w := range c.stands {
		all = append(all, c.message(w))
	}
	return all
}

func (c *Courier) shown(err error, proven bool) {
	why := ""
	if err != nil {
		why = err.Error()
	}
	var was string
	c.note(func(s *Stats) {
		s.ToShow = false
		if was, s.NotShown = s.NotShown, why; proven {
			s.LastShown = time.Now()
		}
	})
	switch {
	case was == "" && why != "":
		c.log.Warn("what is so now is not shown; it is tried again until it is", "error", why)
	case was != "" && why == "":
		c.log.Info("what is so now is shown again")
	}
}

func (c *Courier) snapshot() (Snapshot, bool) {
	if c.o.Snapshot == nil {
		return Snapshot{}, false
	}
	return c.o.Snapshot(), true
}

// message makes the message of what waits.
func (c *Courier) message(w *waiting) Message {
	if w.group != nil {
		var all []Message
		for _, m := range w.group {
			all = append(all, c.message(m))
		}
		m := several(all, w.ids, c.o.Site, c.o.Link)
		c.o.Texts.fill(&m)
		return m
	}
	return newMessage(w.event, subjectMatter{Post: c.posts[w.event.Post], Site: c.o.Site, Link: c.o.Link,
		Simulated: c.o.Simulated, Recorded: w.recorded, More: w.more, Some: w.some, Tell: c.o.Tell, Texts: c.o.Texts})
}
