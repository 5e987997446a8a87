// Package watchdog knows which loops of the program still come round, and feeds
// a supervisor for as long as all of them do. It reads no clock of its own and
// knows no supervisor: both are handed to it.
package watchdog

import (
	"context"
	"log/slog"
	"slices"
	"sort"
	"sync"
	"time"
)

// Options is what a Watchdog is made of.
type Options struct {
	Every time.Duration    // between two looks; needed
	Feed  func() error     // tells the supervisor that all is well; nil: there is none. It must not wait
	Log   *slog.Logger     // needed
	Now   func() time.Time // with a monotonic reading; needed
}

// Watchdog watches loops. All of its methods may be called from any goroutine.
type Watchdog struct {
	o Options

	mu    sync.Mutex
	loops []*loop
}

// loop is one that must come round.
type loop struct {
	name   string
	bound  time.Duration
	excuse func() error
	round  time.Time // when it last did
	told   bool      // that it is late
}

// Group is some loops that begin and end together. Until it has begun, and once it
// has ended, they need not come round.
type Group struct {
	w     *Watchdog
	loops []*loop
}

// Group makes a group without loops.
func (w *Watchdog) Group() *Group { return &Group{w: w} }

// Loop is Watchdog.Loop, for one that is watched while the group works.
func (g *Group) Loop(name string, bound time.Duration, excuse func() error) (round func()) {
	l := &loop{name: name, bound: bound, excuse: excuse}
	g.w.mu.Lock()
	g.loops = append(g.loops, l)
	g.w.mu.Unlock()
	return g.w.rounds(l)
}

// Begin has the group's loops watched from now on.
func (g *Group) Begin() {
	now := g.w.o.Now()
	g.w.mu.Lock()
	defer g.w.mu.Unlock()
	for _, l := range g.loops {
		l.round, l.told = now, false
		if !slices.Contains(g.w.loops, l) {
			g.w.loops = append(g.w.loops, l)
		}
	}
}

// End has none of them watched any more.
func (g *Group) End() {
	g.w.mu.Lock()
	defer g.w.mu.Unlock()
	g.w.loops = slices.DeleteFunc(g.w.loops, func(l *loop) bool { return slices.Contains(g.loops, l) })
}

// Late is a loop that has not come round within its bound.
type Late struct {
	Name  string
	For   time.Duration // since it last came round
	Bound time.Duration
}

// New makes a Watchdog without loops.
func New(o Options) *Watchdog { return &Watchdog{o: o} }

// Loop has a loop watched from now on. It must call what is returned at least
// once within each bound. While excuse gives an error, being late is no hang: the
// loop waits for something outside that an alarm tells of. Excuse may be nil, and
// must not wait.
func (w *Watchdog) Loop(name string, bound time.Duration, excuse func() error) (round func()) {
	l := &loop{name: name, bound: bound, excuse: excuse, round: w.o.Now()}
	w.mu.Lock()
	w.loops = append(w.loops, l)
	w.mu.Unlock()
	return w.rounds(l)
}

func (w *Watchdog) rounds(l *loop) func() {
	return func() {
		now := w.o.Now()
		w.mu.Lock()
		l.round = now
		w.mu.Unlock()
	}
}

// Late lists the loops that hang, the longest first.
func (w *Watchdog) Late() []Late {
	now := w.o.Now()
	var out []Late
	for _, l := range w.copies() {
		if l.hangs(now) {
			out = append(out, Late{Name: l.name, For: now.Sub(l.round), Bound: l.bound})
		}
	}
	sort.SliceStable(out, func(i, j int) bool { return out[i].For > out[j].For })
	return out
}

// copies lets excuses be asked without the lock: they take others.
func (w *Watchdog) copies() []seen {
	w.mu.Lock()
	defer w.mu.Unlock()
	out := make([]seen, len(w.loops))
	for i, l := range w.loops {
		out[i] = seen{*l, l}
	}
	return out
}

// seen is a loop as it was at one look.
type seen struct {
	loop
	of *loop
}

func (l *loop) hangs(now time.Time) bool {
	return now.Sub(l.round) > l.bound && (l.excuse == nil || l.excuse() == nil)
}

// Run looks at all loops until ctx ends, and feeds the supervisor while none of
// them hangs. A loop that begins to hang, or comes round again, is named in the log.
func (w *Watchdog) Run(ctx context.Context) error {
	t := time.NewTicker(w.o.Every)
	defer t.Stop()
	unfed := false
	for {
		if w.look() && w.o.Feed != nil {
			err := w.o.Feed()
			if err != nil && !unfed {
				w.o.Log.Error("the supervisor cannot be told that all is well; it will start this program again", "error", err)
			}
			unfed = err != nil
		}
		select {
		case <-t.C:
		case <-ctx.Done():
			return nil
		}
	}
}

// look says whether no loop hangs.
func (w *Watchdog) look() bool {
	now := w.o.Now()
	all := w.copies()
	well := true
	for i := range all {
		l := &all[i]
		hangs := l.hangs(now)
		well = well && !hangs
		switch {
		case hangs && !l.told:
			w.o.Log.Error("a part of this program hangs, so the watchdog is not fed: a supervisor will start it again; please report this",
				"loop", l.name, "for", now.Sub(l.round).Round(time.Millisecond), "bound", l.bound)
		case !hangs && l.told:
			w.o.Log.Warn("a part of this program that hung goes on", "loop", l.name)
		}
		w.mu.Lock()
		l.of.told = hangs
		w.mu.Unlock()
	}
	return well
}
