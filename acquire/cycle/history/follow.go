package history

import (
	"context"
	"errors"
	"fmt"
	"iter"
	"time"
)

const (
	// warm is how far before the first hour wanted samples are read, so that the
	// detection of runs knows what rest looks like.
	warm = 2 * time.Hour
	// warmRun is the same before the begin of a run.
	warmRun = 10 * time.Minute
	// keepHours is after how many hours at the latest what was made is kept.
	keepHours = 48
)

// State is how far a post has come. The zero value is nowhere.
type State struct {
	Hours time.Time // hours that end up to here are kept
	Under time.Time // begin of the run under way then; zero: none
	Ended time.Time // end of the newest run that is kept
	Runs  int64     // that are kept
}

// Record is what a Follower reads and keeps.
type Record interface {
	// PastSamples reads samples of a post from an instant on, up to another, many at a
	// time; what cannot be read is left out. What it yields is valid until the next.
	PastSamples(ctx context.Context, post string, from, to time.Time) iter.Seq2[[]Sample, error]
	HistoryState(ctx context.Context, post string) (State, error)
	KeepHistory(ctx context.Context, post string, st State, runs []Run, hours []Hour) error
}

// Post is a post and what is known of it.
type Post struct {
	ID string
	Options
}

// Follower keeps the histories of all posts up to date from the record. It touches
// nothing on the way of a sample.
type Follower struct {
	record Record
	posts  []*followed
}

// followed is a post and where it stands. What waits to be kept is bounded.
type followed struct {
	Post
	begun bool
	past  *Past
	state State
	next  time.Time // of the first sample not read
	runs  []Run
	hours []Hour
}

// NewFollower follows posts.
func NewFollower(r Record, posts []Post) *Follower {
	f := &Follower{record: r}
	for _, p := range posts {
		f.posts = append(f.posts, &followed{Post: p})
	}
	return f
}

// Run follows until ctx ends. What cannot be read or kept now is told and tried
// again.
func (f *Follower) Run(ctx context.Context, every time.Duration, now func() time.Time, tell func(error)) error {
	t := time.NewTicker(every)
	defer t.Stop()
	for {
		if err := f.Once(ctx, now()); err != nil && ctx.Err() == nil {
			tell(err)
		}
		select {
		case <-t.C:
		case <-ctx.Done():
			return nil
		}
	}
}

// Once takes what the record holds up to now. A post that fails does not hold up
// the next; it begins anew from what is kept.
func (f *Follower) Once(ctx context.Context, now time.Time) error {
	var errs []error
	for _, p := range f.posts {
		if err := p.follow(ctx, f.record, now); err != nil {
			p.begun = false
			errs = append(errs, fmt.Errorf("sum up the samples of post %s: %w", p.ID, err))
		}
	}
	return errors.Join(errs...)
}

func (p *followed) follow(ctx context.Context, r Record, now time.Time) error {
	if !p.begun {
		st, err := r.HistoryState(ctx, p.ID)
		if err != nil {
			return err
		}
		p.begin(st)
	}
	for batch, err := range r.PastSamples(ctx, p.ID, p.next, now) {
		if err != nil {
			return err
		}
		for _, s := range batch {
			p.past.Observe(s)
			p.next = s.At.Add(1)
		}
		if len(p.hours) >= keepHours {
			if err := p.keep(ctx, r); err != nil {
				return err
			}
		}
	}
	// A run ends with what is read after it, never by the clock: what is not in the
	// record yet may still belong to it.
	return p.keep(ctx, r)
}

// begin goes on from what is kept: it reads somewhat more, and keeps nothing twice.
func (p *followed) begin(st State) {
	p.begun, p.state, p.runs, p.hours, p.next = true, st, nil, nil, time.Time{}
	if !st.Hours.IsZero() {
		p.next = st.Hours.Add(-warm)
		if begin := st.Under.Add(-warmRun); !st.Under.IsZero() && begin.Before(p.next) {
			p.next = begin
		}
	}
	p.past = New(p.Options, func(r Run) {
		if !r.Start.Before(p.state.Ended) {
			p.state.Runs++
			r.Number, p.state.Ended = p.state.Runs, r.End
			p.runs = append(p.runs, r)
		}
	}, func(h Hour) {
		if h.From.Before(p.state.Hours) {
			return
		}
		p.hours = append(p.hours, h)
		p.state.Hours = h.From.Add(time.Hour)
		_, p.state.Under = p.past.Open()
	})
}

// keep keeps what has come. A run that is kept is never kept again; only an hour
// that is kept moves the place from which a start goes on.
func (p *followed) keep(ctx context.Context, r Record) error {
	if len(p.runs) == 0 && len(p.hours) == 0 {
		return nil
	}
	if err := r.KeepHistory(ctx, p.ID, p.state, p.runs, p.hours); err != nil {
		return err
	}
	p.runs, p.hours = p.runs[:0], p.hours[:0]
	return nil
}
