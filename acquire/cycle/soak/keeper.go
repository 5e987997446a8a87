package soak

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"sync"
	"time"

	"ovenward/acquire/cycle/stats"
)

// Itself is who stops a test by its own rules.
const Itself = "ovenward"

// Book is where plans and marks are durable when they return.
type Book interface {
	PlanSoak(ctx context.Context, p Plan, who string, now time.Time) error
	MarkSoak(ctx context.Context, m Mark) (id int64, err error)
	Soaks(ctx context.Context) ([]*Life, error)
}

// Eyes is what a keeper sees of a post.
type Eyes interface {
	// Above sums up exceedances of a plan's level at its post between two instants, and
	// says whether it was over range.
	Above(ctx context.Context, p Plan, from, to time.Time) (e stats.Exceedances, over bool, err error)
	// Recorded is up to where the record holds the samples of a post.
	Recorded(ctx context.Context, post string) (time.Time, error)
	// Blind is for how long a post has seen nothing now.
	Blind(post string) time.Duration
}

// Keeper keeps the tests of a site: it takes what people and inputs say, and looks
// after the stop rules.
type Keeper struct {
	book Book
	eyes Eyes
	now  func() time.Time
	told func(p Plan, m Mark) // after it is kept; must not wait

	mu    sync.Mutex // held while the book writes, so that marks keep their order
	lives []*Life
	seen  map[string]*seen
}

// seen is what was seen of a running test so far.
type seen struct {
	to     time.Time
	sum    stats.Exceedances
	over   bool
	due    int64 // the checkpoint that was told to be due
	failed bool
}

// late is how far behind now the record may be.
const late = 5 * time.Second

// NewKeeper takes up the tests that the book knows.
func NewKeeper(ctx context.Context, b Book, e Eyes, now func() time.Time, told func(Plan, Mark)) (*Keeper, error) {
	lives, err := b.Soaks(ctx)
	if err != nil {
		return nil, err
	}
	return &Keeper{book: b, eyes: e, now: now, told: told, lives: lives, seen: map[string]*seen{}}, nil
}

// Plan keeps a plan. Who plans it is kept too.
func (k *Keeper) Plan(ctx context.Context, p Plan, who string) error {
	err := p.Check()
	if who == "" {
		err = errors.Join(err, errors.New("say who plans it"))
	}
	if err != nil {
		return err
	}
	k.mu.Lock()
	defer k.mu.Unlock()
	if k.find(p.ID) != nil {
		return fmt.Errorf("there is a soak test %s already: give this one another id", p.ID)
	}
	if err := k.book.PlanSoak(ctx, p, who, k.now().UTC()); err != nil {
		return err
	}
	k.lives = append(k.lives, New(p))
	return nil
}

// ErrUnknown is a test that is not there.
var ErrUnknown = errors.New("there is no such soak test")

// Mark takes what happened to a test. A zero At is now. What cannot be so is refused,
// and nothing is kept of it. What the means of a test show the keeper notes itself.
func (k *Keeper) Mark(ctx context.Context, m Mark) error {
	if m.Kind == Noted && m.Outcome != "" {
		return errors.New("a note has no outcome: enter the survey of a checkpoint, or write it as text")
	}
	return k.enter(ctx, m)
}

func (k *Keeper) enter(ctx context.Context, m Mark) error {
	k.mu.Lock()
	defer k.mu.Unlock()
	l := k.find(m.Soak)
	if l == nil {
		return fmt.Errorf("%w as %q", ErrUnknown, m.Soak)
	}
	return k.mark(ctx, l, m)
}

func (k *Keeper) mark(ctx context.Context, l *Life, m Mark) error {
	now := k.now().UTC()
	if m.Entered = now; m.At.IsZero() {
		m.At = now
		if m.At.Before(l.last) { // the clock was set back: order stays
			m.At = l.last
		}
	}
	if m.At.After(now.Add(time.Minute)) {
		return fmt.Errorf("%s has not come yet", m.At.Format(time.RFC3339))
	}
	if err := cmp.Or(l.room(m), l.fits(m)); err != nil {
		return err
	}
	if m.Kind == Started || m.Kind == Resumed {
		if other := k.running(l.Plan.Post); other != nil {
			return fmt.Errorf("soak test %s runs at post %s: its probe watches one at a time", other.Plan.ID, l.Plan.Post)
		}
	}
	id, err := k.book.MarkSoak(ctx, m)
	if err != nil {
		return err
	}
	m.ID = id
	if err := l.Take(m); err != nil {
		return err
	}
	if m.Kind != Operations {
		k.told(l.Plan, m)
	}
	return nil
}

// running is the test that runs at a post; nil: none does.
func (k *Keeper) running(post string) *Life {
	for _, l := range k.lives {
		if l.Plan.Post == post && l.State == Running {
			return l
		}
	}
	return nil
}

func (k *Keeper) find(id string) *Life {
	for _, l := range k.lives {
		if l.Plan.ID == id {
			return l
		}
	}
	return nil
}

// Lives returns all tests, in the order in which they were planned. They are copies.
func (k *Keeper) Lives() []*Life {
	k.mu.Lock()
	defer k.mu.Unlock()
	out := make([]*Life, 0, len(k.lives))
	for _, l := range k.lives {
		out = append(out, l.clone())
	}
	return out
}

// Life returns a copy of one test; nil where there is none.
func (k *Keeper) Life(id string) *Life {
	k.mu.Lock()
	defer k.mu.Unlock()
	if l := k.find(id); l != nil {
		return l.clone()
	}
	return nil
}

// Run looks after the stop rules until ctx ends. What cannot be looked at now is told
// once and tried again. round is called after each look; it must not wait.
func (k *Keeper) Run(ctx context.Context, every time.Duration, tell func(error), round func()) error {
	t := time.NewTicker(every)
	defer t.Stop()
	for {
		select {
		case <-t.C:
			k.Look(ctx, tell)
			round()
		case <-ctx.Done():
			return nil
		}
	}
}

// Look looks once at every running test.
func (k *Keeper) Look(ctx context.Context, tell func(error)) {
	for _, l := range k.Lives() {
		if l.State != Running && !k.unlooked(l) {
			continue
		}
		if err := k.look(ctx, l); err != nil && ctx.Err() == nil {
			if s := k.of(l); !s.failed {
				s.failed = true
				tell(fmt.Errorf("look after soak test %s: %w", l.Plan.ID, err))
			}
			continue
		}
		k.of(l).failed = false
	}
}

// of is what was seen of a test so far. Only Look asks.
func (k *Keeper) of(l *Life) *seen {
	s := k.seen[l.Plan.ID]
	if s == nil {
		s = &seen{to: l.Active[0].From}
		if end := l.Active[len(l.Active)-1].To.Add(-unlookedFor); l.State.Over() && s.to.Before(end) {
			s.to = end
		}
		k.seen[l.Plan.ID] = s
	}
	return s
}

// look sees what is new of a test, and stops it where a rule says so.
func (k *Keeper) look(ctx context.Context, l *Life) error {
	s, now := k.of(l), k.now().UTC()
	to, err := k.eyes.Recorded(ctx, l.Plan.Post) // what is not written yet is looked at when it is
	if err != nil {
		return err
	}
	if now.Add(-late).Before(to) {
		to = now.Add(-late)
	}
	if err := k.see(ctx, l, s, to); err != nil {
		return err
	}
	if l.State != Running {
		if end := l.Active[len(l.Active)-1].To; now.Sub(end) > unlookedFor && s.to.Before(end) {
			s.to = end // the record has no more of it
		}
		return nil
	}
	why := l.MustStop(now, Seen{Exceedances: s.sum.Count, OverRange: s.over, Blind: k.eyes.Blind(l.Plan.Post)})
	if why != "" {
		if err := k.Mark(ctx, Mark{Soak: l.Plan.ID, Kind: Stopped, Who: Itself, Text: why}); err != nil {
			return err
		}
		return nil
	}
	if c, due := l.Due(now); due && s.due != c {
		s.due = c
		k.told(l.Plan, Mark{Soak: l.Plan.ID, At: now, Kind: Surveyed, Who: Itself, Checkpoint: c,
			Text: fmt.Sprintf("the checkpoint at %d is due: make a survey of oven %s and enter it", c, l.Plan.Oven)})
	}
	return nil
}

// most is what is looked at at once, so that what that needs is bounded after a start too.
const most = 31 * 24 * time.Hour

// see sees what is new of a test up to an instant.
func (k *Keeper) see(ctx context.Context, l *Life, s *seen, to time.Time) error {
	for _, a := range l.spans(s.to, to) {
		for a.From.Before(a.To) {
			part := Span{From: a.From, To: a.To}
			if a.From = a.From.Add(most); a.From.Before(a.To) {
				part.To = a.From
			}
			e, over, err := k.eyes.Above(ctx, l.Plan, part.From, part.To)
			if err != nil {
				return err
			}
			if err := k.noteMean(ctx, k.Life(l.Plan.ID), part, e); err != nil {
				return err
			}
			s.sum.Merge(e)
			s.over, s.to = s.over || over, part.To
		}
	}
	if s.to.Before(to) {
		s.to = to
	}
	return nil
}

func (l *Life) clone() *Life {
	c := *l
	c.Active = append([]Span(nil), l.Active...)
	c.Passed = append([]Passed(nil), l.Passed...)
	c.Log = append([]Mark(nil), l.Log...)
	c.Damage = append([]string(nil), l.Damage...)
	c.counted = append([]point(nil), l.counted...)
	c.By = map[From]int64{}
	for f, n := range l.By {
		c.By[f] = n
	}
	return &c
}
