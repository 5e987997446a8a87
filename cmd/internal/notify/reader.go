package notify

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"maps"
	"time"

	"ovenward/acquire"
)

const (
	pageSize   = 256
	readAgain  = time.Second // after trouble with the record, and twice as long each time up to
	readLatest = 10 * time.Second
	readAnyway = time.Minute // should a change be told to nobody
	saveTime   = time.Second // for the last cursor, when all ends
)

// page is what was read from the record: its changes of alarms, and how far.
type page struct {
	events []acquire.Event
	read   int64
	first  bool             // since the start
	whole  bool             // all that the record holds was read
	ahead  map[string]int64 // on the first: how far single alarms are done, above read
	stands []acquire.Event  // on the first: the newest change of each alarm that stands
}

// reader is the one that may wait for the record's disk: it reads events for
// the sender and keeps the cursor.
type reader struct {
	box   Outbox
	name  string
	to    string
	log   *slog.Logger
	pages chan<- page
	saves <-chan save

	unlisted func(rows int) // is told how many rows found no room
	round    func()

	at      int64            // read up to here
	whole   bool             // it was told that all was read
	ahead   map[string]int64 // cursors of single alarms, kept or in unsaved; never changed once handed on
	unsaved map[string]int64 // cursors still to be kept, by name
	told    ledger           // still to be kept
	trouble string           // last told
}

func (r *reader) run(ctx context.Context) {
	defer r.end(ctx)
	again := time.Duration(0)
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
			again = min(max(2*again, readAgain), readLatest)
			wait = again
		} else {
			again = 0
		}
		r.tell(ctx, err)
		r.round()
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
		case news, ok := <-r.saves:
			if !ok {
				return false
			}
			r.note(news)
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
	cursors, err := r.box.Cursors(ctx, r.name)
	if err != nil {
		return fmt.Errorf("reading where courier %s stopped: %w", r.name, err)
	}
	at, first := cursors[r.name], cursors[r.firstName()]
	delete(cursors, r.name)
	delete(cursors, r.firstName())
	r.ahead = cursors
	stands, last, err := r.box.Standing(ctx)
	if err != nil {
		return fmt.Errorf("reading what stands for courier %s: %w", r.name, err)
	}
	damaged := at < 0 || at > last || first < 0 || first > last+1
	if damaged {
		// The record was damaged, or is one that a rebuilding made shorter: going on
		// there would keep silent until its numbers have come so far.
		r.log.Warn("where this courier stopped is not in the record: what stands is told again", "courier", r.name, "stopped", at, "newest", last)
		at, first = 0, 0
		r.unsaved[r.name] = 0 // until they were told
	}
	for name, id := range r.ahead {
		if id <= at || id > last || damaged {
			delete(r.ahead, name)
			r.unsaved[name] = 0
		}
	}
	p := page{read: at, first: true, stands: stands, ahead: maps.Clone(r.ahead)}
	if at == 0 && first == 0 {
		first = last + 1
		r.unsaved[r.firstName()] = first
	}
	if at < first-1 {
		p.read = first - 1
		for _, e := range stands {
			if e.ID > at && e.ID < first {
				p.events = append(p.events, e)
			}
		}
	}
	r.at = p.read
	return r.hand(ctx, p)
}

// firstName is the name under which the first event is kept that is not past.
func (r *reader) firstName() string { return r.name + ".first" }

// doneName is the name under which it is kept how far an alarm is done, where the
// courier's own cursor waits for another one.
func doneName(courier string, s subject) string {
	return courier + ".done." + s.post + "/" + string(s.rule)
}

// drain reads on to the end of the record.
func (r *reader) drain(ctx context.Context) error {
	for {
		events, err := r.box.Events(ctx, r.at, pageSize)
		if err != nil {
			return fmt.Errorf("reading events for courier %s: %w", r.name, err)
		}
		if len(events) == 0 {
			if r.whole {
				return nil
			}
			r.whole = true
			return r.hand(ctx, page{read: r.at, whole: true})
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

// note takes over what is to be kept.
func (r *reader) note(news save) {
	r.unlisted(r.told.join(news.told))
	if !news.begun {
		return
	}
	r.unsaved[r.name] = news.at
	for name := range r.ahead {
		if news.ahead[name] == 0 {
			r.unsaved[name] = 0
		}
	}
	for name, id := range news.ahead {
		if r.ahead[name] != id {
			r.unsaved[name] = id
		}
	}
	r.ahead = news.ahead
}

// save keeps what is not kept yet, all at once: a cursor without where the past
// ends would bring the past up again.
func (r *reader) save(ctx context.Context) error {
	if len(r.unsaved) == 0 && r.told.empty() {
		return nil
	}
	if err := r.box.Keep(ctx, r.unsaved, r.told.all(r.name, r.to)); err != nil {
		return fmt.Errorf("keeping how far courier %s has told: %w", r.name, err)
	}
	clear(r.unsaved)
	r.told = ledger{}
	return nil
}

// end keeps the last news, though ctx has ended.
func (r *reader) end(ctx context.Context) {
	for news := range r.saves {
		r.note(news)
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
