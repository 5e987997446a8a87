package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net/http"
	"slices"
	"strings"
	"sync"
	"time"

	"ovenward/acquire"
	"ovenward/cmd/internal/web"
	"ovenward/config"
	"ovenward/metrics"
)

const (
	// mostChanges bounds the changes that are made by the page at one time, and
	// changesEnd is how long a reload waits for those under way.
	mostChanges = 64
	changesEnd  = 5 * time.Second
	// committing is how long the record may take to commit what a post that changes
	// has read.
	committing = 10 * time.Second
	// handOverBound is how long a reload may take before the watchdog says that it hangs.
	handOverBound = 2 * time.Minute
)

// wish is somebody's that the configuration be loaded again.
type wish struct {
	who    string
	answer chan<- reloaded // with room for one
}

// reloaded is what came of it: what changed, or why nothing did.
type reloaded struct {
	changes []string
	err     error
}

// reloadState is what came of the newest reload.
type reloadState struct {
	mu      sync.Mutex
	failed  bool
	success time.Time // of the newest one that took effect
}

func (s *reloadState) done(at time.Time) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.failed, s.success = false, at
}

func (s *reloadState) fail() {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.failed = true
}

func (s *reloadState) state() metrics.ReloadState {
	s.mu.Lock()
	defer s.mu.Unlock()
	return metrics.ReloadState{Successful: !s.failed, Success: s.success}
}

// live works by one generation after the other until ctx ends.
func (d *daemon) live(ctx context.Context) error {
	d.watch(ctx)
	d.plan(ctx)
	d.tell(ctx)
	d.loops.Begin()
	for {
		select {
		case <-ctx.Done():
			return errors.Join(d.around.stop(), d.planning.stop(), d.watching.stop())
		case <-d.hangup:
			_, _ = d.reload(ctx, "SIGHUP") // the log says what came of it
		case a := <-d.reloads:
			changes, err := d.reload(ctx, a.who)
			a.answer <- reloaded{changes, err}
		}
	}
}

// askReload is the page's way to reload. It returns when the configuration is in
// force, or refused with web.Refusal.
func (h *home) askReload(ctx context.Context, who string) ([]string, error) {
	answer := make(chan reloaded, 1)
	select {
	case h.reloads <- wish{who, answer}:
	case <-ctx.Done():
		return nil, ctx.Err()
	}
	select {
	case o := <-answer:
		return o.changes, refusal(o.err)
	case <-ctx.Done():
		return nil, ctx.Err()
	}
}

// refusal is why a configuration is not in force, for a page.
func refusal(err error) error {
	if err == nil {
		return nil
	}
	r := &web.Refusal{Status: http.StatusServiceUnavailable, Detail: "the configuration was not loaded, and the one before stays: " + err.Error()}
	if problems, is := errors.AsType[config.Problems](err); is {
		r.Status = http.StatusUnprocessableEntity
		r.Detail = fmt.Sprintf("the configuration has %s, and the one before stays", count(len(problems), "mistake"))
		for _, p := range problems {
			r.Mistakes = append(r.Mistakes, web.Mistake(p))
		}
	} else if _, is := errors.AsType[restartError](err); is {
		r.Status = http.StatusConflict
	}
	return r
}

// reload loads the configuration again and puts it in force, or leaves all as it
// is. Either way log and metrics tell; what changed is an event of the record.
func (d *daemon) reload(ctx context.Context, who string) (changes []string, err error) {
	d.settings.ease.hurry()
	next, from, err := d.next()
	if err == nil {
		changes = changesOf(d.generation, next, from.kept)
		err = d.takeOver(ctx, next, from)
	}
	if err != nil {
		d.told.fail()
		d.tellRefused(ctx, who, err)
		return nil, err
	}
	now := d.now()
	d.told.done(now)
	text := "the configuration was loaded again: " + strings.Join(changes, "; ")
	d.record.Record(acquire.Event{At: now.UTC(), Kind: acquire.KindStation, Who: who, Text: text})
	d.log.Info(text, "kind", acquire.KindStation, "who", who)
	return changes, nil
}

// tellRefused logs why a configuration is not in force, a line for each mistake.
func (d *daemon) tellRefused(ctx context.Context, who string, err error) {
	problems, _ := errors.AsType[config.Problems](err)
	for _, p := range problems {
		d.log.Error("a mistake in the configuration", "at", fmt.Sprintf("%s:%d", p.File, p.Line), "what", p.What)
	}
	attrs := []slog.Attr{slog.String("who", who)}
	if len(problems) == 0 {
		attrs = append(attrs, slog.String("error", err.Error()))
	} else {
		attrs = append(attrs, slog.Int("mistakes", len(problems)))
	}
	d.log.LogAttrs(ctx, slog.LevelError, "the configuration was not loaded; the one before stays in force", attrs...)
}

// takeOver puts the next generation in the place of the present one. Where it
// cannot, the present one goes on.
func (d *daemon) takeOver(ctx context.Context, next *generation, from inherited) error {
	old := d.generation
	patient, cancel := context.WithTimeout(ctx, changesEnd)
	defer cancel()
	if err := d.changes.Acquire(patient, mostChanges); err != nil {
		return errors.New("somebody is making a change by the page: load the configuration again when that is done")
	}
	defer d.changes.Release(mostChanges)
	// What stops here need not come round; the hand-over itself must end.
	handover := d.dog.Group()
	handover.Loop("a reload", handOverBound, nil)
	handover.Begin()
	defer handover.End()
	old.loops.End()
	err := old.planning.stop()
	if err == nil {
		err = next.keep()
	}
	if err == nil {
		err = next.goOn(ctx, old, from)
	}
	if err != nil {
		old.plan(ctx)
		old.loops.Begin()
		return err
	}
	next.show()
	next.plan(ctx)
	d.generation = next
	d.serving.Store(next)
	if err := old.around.stop(); err != nil {
		d.log.Error("what told people by the configuration before ended badly", "error", err)
	}
	next.tell(ctx)
	next.loops.Begin()
	return nil
}

// goOn watches in the place of the old generation. The posts that are kept miss no
// slot; the others end, and their past is committed before they begin again, with the
// port as it stands open where that did not change.
func (g *generation) goOn(ctx context.Context, old *generation, from inherited) (err error) {
	none := func(k int) bool { return k < 0 }
	old.station.HandOn(slices.DeleteFunc(slices.Clone(from.kept), none), slices.DeleteFunc(slices.Clone(from.ports), none))
	if err := old.watching.stop(); err != nil {
		return err
	}
	defer func() {
		if err != nil {
			old.watch(ctx)
		}
	}()
	within, cancel := context.WithTimeout(ctx, committing)
	defer cancel()
	if err := g.record.Flush(within); err != nil {
		return err
	}
	if err := g.enlist(old, from.kept); err != nil {
		return err
	}
	if err := tellDoubts(g.record, g.posts, g.now(), g.log); err != nil {
		return err
	}
	if err := g.record.Retain(within, retention(g.file)); err != nil {
		return err
	}
	if err := g.see(old.station, from); err != nil {
		return errors.Join(err, g.record.Retain(within, retention(old.file)))
	}
	g.numbers.TakeOver(old.numbers)
	g.countOn(old)
	g.watch(ctx)
	return nil
}

// enlist makes new and changed posts known to the record, and finds the indices of
// all.
func (g *generation) enlist(old *generation, kept []int) error {
	var fresh []acquire.Post
	for i, k := range kept {
		if k < 0 {
			fresh = append(fresh, g.posts[i])
		}
	}
	first, err := g.record.Enlist(fresh, g.now())
	if err != nil {
		return err
	}
	for _, k := range kept {
		if k >= 0 {
			g.slots.of = append(g.slots.of, old.slots.of[k])
			continue
		}
		g.slots.of = append(g.slots.of, first)
		first++
	}
	return nil
}

// handler answers by the generation that is in force. Changes are counted, so that
// a generation ends between them and not within one.
func (h *home) handler() http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h.settings.ease.asked(r.URL.Path)
		if r.Method == http.MethodPost && r.URL.Path != web.ReloadPath && r.URL.Path != web.UnitPath {
			if h.changes.Acquire(r.Context(), 1) != nil {
				return // whoever asked is gone
			}
			defer h.changes.Release(1)
		}
		h.serving.Load().handler.ServeHTTP(w, r)
	})
}
