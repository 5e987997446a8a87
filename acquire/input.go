package acquire

import (
	"context"
	"fmt"
	"time"

	"ovenward/acquire/alarm"
	"ovenward/acquire/quantity"
)

// Says is what a contact outside tells of the oven.
type Says string

const (
	SaysDoor  Says = "door"  // its door is open
	SaysPower Says = "power" // it is switched to heat
)

// Input is a contact beside a post: a hint from outside what the oven does. A post
// has at most one of each kind.
type Input struct {
	ID     string
	Post   int // index
	Says   Says
	On     bool          // what the contact reads when it is so
	Every  time.Duration // how often it is asked
	Delay  time.Duration // by how much it may lag behind
	Source Contact
}

// Contact reads a contact; drivers/contact has some. One goroutine uses it.
type Contact interface {
	Read(ctx context.Context) (on bool, err error)
	Close() error
}

// inputOn is for how long a contact must not be read before it is an alarm; our own
// choice.
const inputOn = 10 * time.Second

// doorResponses is for how many response times of the probe a field may be seen after
// the door was opened: so long the probe itself may take to fall.
const doorResponses = 3

// hint is what a contact last said.
type hint struct {
	wired bool
	input *Input
	known bool
	is    bool
	since time.Duration // on the monotonic clock
	at    time.Time

	emitted time.Duration // the newest emission when the door was last looked at

	fails time.Duration // since when it cannot be read; with err
	err   error
}

// Hint is what a contact says of the oven of a post.
type Hint struct {
	Input string
	Says  Says
	Known bool // it can be read
	Is    bool // the door is open, the oven is switched to heat
	Since time.Time
	Err   string // why it cannot be read
}

// hear asks a contact until ctx ends.
func (s *Station) hear(ctx context.Context, in *Input) {
	t := time.NewTicker(in.Every)
	defer t.Stop()
	defer in.Source.Close()
	w := s.watches[in.Post]
	for ctx.Err() == nil {
		on, err := in.Source.Read(ctx)
		if ctx.Err() != nil {
			break // what was under way is kept
		}
		if w.hinted(in, on == in.On, err, s.now()) && s.operated != nil {
			s.operated(in.ID)
		}
		select {
		case <-t.C:
		case <-ctx.Done():
		}
	}
	if in.Says == SaysPower {
		w.mu.Lock()
		defer w.mu.Unlock()
		w.keepSwitched(w.stamp(s.now()))
	}
}

// hinted takes what a contact said, and says whether an operation ended with it: the
// door was closed, or the oven was switched off.
func (w *watch) hinted(in *Input, is bool, err error, now time.Time) (operated bool) {
	w.mu.Lock()
	defer w.mu.Unlock()
	h, mono := &w.hints[in.place()], now.Sub(w.epoch)
	if in.Says == SaysPower {
		w.heats(in, is && err == nil, w.stamp(now))
	}
	if err != nil {
		if h.err == nil {
			h.fails = mono
		}
		h.err, h.known = err, false
		return false
	}
	if !h.known || h.is != is {
		operated = h.known && !is
		h.is, h.since, h.at = is, mono, w.stamp(now)
	}
	h.known, h.err = true, nil
	if in.Says == SaysPower && is {
		w.system.hinted, w.system.hint = true, max(w.system.hint, mono+3*in.Every)
	}
	return operated
}

// place is where a watch keeps what a contact says.
func (in *Input) place() int {
	if in.Says == SaysDoor {
		return 0
	}
	return 1
}

// lookDoor tells a field that persists though the door is open. It ends when no
// emission is seen while something is, and latches.
func (w *watch) lookDoor(mono time.Duration, at time.Time) {
	h := &w.hints[0]
	if !h.wired {
		return
	}
	from := h.since + doorResponses*w.post.Probe.Response + h.input.Delay
	last, ever := w.runs.Last()
	persists := ever && last > from && (last > h.emitted || w.runs.Emits()) || w.overRange() && w.newest.Mono > from
	h.emitted = last
	switch {
	case h.known && h.is && persists:
		w.present(openDoorAt, true, mono, at)
	case h.known && !h.is && !w.condition.Blind(), h.known && h.is && !w.runs.Emits() && !w.condition.Blind():
		w.present(openDoorAt, false, mono, at)
	}
}

// doorText says what was seen.
func (w *watch) doorText() string {
	h := &w.hints[0]
	return fmt.Sprintf("contact %s says that the door of oven %s is open since %s, and the field persists: %s",
		h.input.ID, w.post.Oven, when(h.at, w.zone), w.last.S)
}

// told is what the contacts of a post say.
func (w *watch) told() []Hint {
	var out []Hint
	for i := range w.hints {
		h := &w.hints[i]
		if !h.wired {
			continue
		}
		t := Hint{Input: h.input.ID, Says: h.input.Says, Known: h.known, Is: h.is, Since: h.at}
		if h.err != nil {
			t.Err = h.err.Error()
		}
		out = append(out, t)
	}
	return out
}

// inputTroubles tells of contacts that cannot be read.
func (s *Station) inputTroubles(now time.Time) []Trouble {
	var out []Trouble
	for i := range s.inputs {
		in := &s.inputs[i]
		w := s.watches[in.Post]
		w.mu.Lock()
		h := w.hints[in.place()]
		w.mu.Unlock()
		t := Trouble{Rule: alarm.InputOf(in.ID), Unknown: !h.known}
		if failing := now.Sub(w.epoch) - h.fails; h.err != nil && failing >= inputOn {
			t.Unknown = false
			t.Text = fmt.Sprintf("contact %s at post %s cannot be read for %s, so whether the %s is not known: %v",
				in.ID, w.post.ID, quantity.FormatDuration(failing.Round(time.Second)), map[Says]string{SaysDoor: "door is open", SaysPower: "oven is switched on"}[in.Says], h.err)
		}
		out = append(out, t)
	}
	return out
}

// checkInputs says what is amiss with the contacts.
func (s *Station) checkInputs() error {
	type kind struct {
		post int
		says Says
	}
	seen := map[kind]bool{}
	for i := range s.inputs {
		in := &s.inputs[i]
		if in.Post < 0 || in.Post >= len(s.watches) || in.Every <= 0 || in.Source == nil {
			return fmt.Errorf("contact %s: it needs a post, a source and how often it is asked", in.ID)
		}
		k := kind{in.Post, in.Says}
		if seen[k] {
			return fmt.Errorf("contact %s: post %s has one for the %s already", in.ID, s.posts[in.Post].ID, in.Says)
		}
		seen[k] = true
	}
	return nil
}

// wireInputs tells each watch of its contacts. What one of them said before a
// hand-over stands until it is asked again, if it is the same one.
func (s *Station) wireInputs() {
	for i, w := range s.watches {
		var hints [2]hint
		w.mu.Lock()
		for k := range s.inputs {
			in := &s.inputs[k]
			if in.Post != i {
				continue
			}
			h := &hints[in.place()]
			if was := w.hints[in.place()]; was.wired && was.input.ID == in.ID && was.input.On == in.On {
				*h = was
			}
			h.wired, h.input = true, in
		}
		w.hints = hints
		w.mu.Unlock()
	}
}
