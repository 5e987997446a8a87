package notify

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"time"

	"ovenward/acquire"
)

const (
	pageSize   = 256
	readAgain  = time.Second      // after trouble with the record
	readAnyway = 10 * time.Second // should a change be told to nobody
	saveTime   = time.Second      // for the last cursor, when all ends
)

// page is what was read from the record: its changes of alarms, and how far.
type page struct {
	events []acquire.Event
	read   int64
	first  bool // since the start
}

// reader is the one that may wait for the record's disk: it reads events for
// the sender and keeps the cursor.
type reader struct {
	box   Outbox
	name  string
	log   *slog.Logger
	pages chan<- page
	saves <-chan int64

	at      int64            // read up to here
	unsaved map[string]int64 // cursors still to be kept, by name
	trouble string           // last told
}

func (r *reader) run(ctx context.Context) {
	defer r.end(ctx)
	for begun := false; ctx.Err() == nil; {
		changed := r.box.Changed() // taken before reading, so that no change is missed
		var err error
		if !begun {
			err = r.begin(ctx)
			begun = err == nil
		}
		if begun {
			err = r.drain(ctx)
		}
		wait := readAnyway
		if err = errors.Join(err, r.save(ctx)); err != nil {
			wait = readAgain
		}
		r.tell(ctx, err)
		if !r.rest(ctx, changed, wait) {
			return
		}
	}
}

// rest waits for news, and keeps cursors meanwhile. It is false when all ends.
func (r *reader) rest(ctx context.Context, changed <-chan struct{}, wait time.Duration) bool {
	t := time.NewTimer(wait)
	defer t.Stop()
	for {
		select {
		case <-changed:
			return true
		case <-t.C:
			return true
		case at, ok := <-r.saves:
			if !ok {
				return false
			}
			r.unsaved[r.name] = at
			if err := r.save(ctx); err != nil {
				r.tell(ctx, err)
				return ctx.Err() == nil
			}
		case <-ctx.Done():
			return false
		}
	}
}

// begin finds where to go on. A courier's very first start is at the end of the
// record: of all that happened before, only the newest change of each alarm that
// stands is sent, for a person who comes new wants to know what is, not what
// was. That end is kept, so a restart before these were sent does the same.
func (r *reader) begin(ctx context.Context) error {
	at, err := r.box.Cursor(ctx, r.name)
	if err != nil {
		return fmt.Errorf("reading where courier %s stopped: %w", r.name, err)
	}
	first, err := r.box.Cursor(ctx, r.firstName())
	if err != nil {
		return fmt.Errorf("reading where courier %s began: %w", r.name, err)
	}
	p := page{read: at, first: true}
	if at == 0 && first == 0 || at < first-1 {
		if p, err = r.past(ctx, at, first); err != nil {
			return err
		}
		if first == 0 {
			r.unsaved[r.firstName()] = p.read + 1
		}
	}
	r.at = p.read
	return r.hand(ctx, p)
}

// firstName is the name under which the first event is kept that is not past.
func (r *reader) firstName() string { return r.name + ".first" }

// past reads events above after and below first (0: all there are), and keeps
// the newest change of each alarm that stands.
func (r *reader) past(ctx context.Context, after, first int64) (page, error) {
	newest := map[subject]acquire.Event{}
	p := page{read: after, first: true}
	for more := true; more; {
		events, err := r.box.Events(ctx, p.read, pageSize)
		if err != nil {
			return page{}, fmt.Errorf("reading events for courier %s: %w", r.name, err)
		}
		more = len(events) > 0
		for _, e := range events {
			if first != 0 && e.ID >= first {
				more = false
				break
			}
			p.read = e.ID
			if e.Alarm != nil {
				newest[subjectOf(e)] = e
			}
		}
	}
	for _, e := range newest {
		if e.Alarm.State.Standing() {
			p.events = append(p.events, e)
		}
	}
	slices.SortFunc(p.events, func(a, b acquire.Event) int { return cmp.Compare(a.ID, b.ID) })
	return p, nil
}

// drain reads on to the end of the record.
func (r *reader) drain(ctx context.Context) error {
	for {
		events, err := r.box.Events(ctx, r.at, pageSize)
		if err != nil {
			return fmt.Errorf("reading events for courier %s: %w", r.name, err)
		}
		if len(events) == 0 {
			return nil
		}
		p := page{read: events[len(events)-1].ID}
		for _, e := range events {
			if e.Alarm != nil {
				p.events = append(p.events, e)
			}
		}
		r.at = p.read
		if err := r.hand(ctx, p); err != nil {
			return err
		}
	}
}

func (r *reader) hand(ctx context.Context, p page) error {
	select {
	case r.pages <- p:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

// save keeps the cursors that are not kept yet: first where the past ends, for
// without it the other would bring the past up again.
func (r *reader) save(ctx context.Context) error {
	for _, name := range []string{r.firstName(), r.name} {
		at, ok := r.unsaved[name]
		if !ok {
			continue
		}
		if err := r.box.SetCursor(ctx, name, at); err != nil {
			return fmt.Errorf("keeping the cursor of courier %s: %w", name, err)
		}
		delete(r.unsaved, name)
	}
	return nil
}

// end keeps the last cursor, though ctx has ended.
func (r *reader) end(ctx context.Context) {
	for at := range r.saves {
		r.unsaved[r.name] = at
	}
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), saveTime)
	defer cancel()
	r.tell(ctx, r.save(ctx))
}

// tell logs trouble with the record when it changes.
func (r *reader) tell(ctx context.Context, err error) {
	switch {
	case err == nil && r.trouble != "":
		r.log.Info("the courier reads the record again")
		r.trouble = ""
	case err != nil && ctx.Err() == nil && r.trouble != err.Error():
		r.trouble = err.Error()
		r.log.Warn("the courier has trouble with the record and tries again; alarms are sent all the same", "error", r.trouble)
	}
}
