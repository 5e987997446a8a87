package alarm

import "time"

// Attention says when an alarm that nobody looks after is told on or again.
type Attention struct {
	EscalateAfter  time.Duration // not acknowledged for this long: told on; 0: never
	TellAgainAfter time.Duration // standing for so long, and so long since it was told again: told again; 0: never
}

// Care knows what is due for one alarm: the end of a shelf or a notice,
// escalation, telling again. It counts spans of the monotonic clock, so that a
// step of the wall clock makes no shelf longer or shorter. Make it new at a start:
// its first look takes what has passed from the wall clock, and never gives a
// shelf more than it was given to begin with.
type Care struct {
	begun bool
	seen  Alarm         // as it was at the last look
	waits time.Duration // since when it waits to be acknowledged
	on    bool          // it was told on since then
	told  time.Duration // when it was last told
	ends  time.Duration // when the shelf or the notice ends
}

// Look says what is due for the alarm, if anything is. mono is the instant on
// the monotonic clock and wall the same instant on the wall's.
func (c *Care) Look(a Alarm, due Attention, mono time.Duration, wall time.Time) (Happening, bool) {
	if a = a.Sound(); !c.begun {
		c.begin(a, mono, wall)
	}
	c.note(a, mono)
	c.seen = a
	switch {
	case !a.Until.IsZero() && mono >= c.ends && a.Aside == Shelved:
		return ShelfEnds, true
	case !a.Until.IsZero() && mono >= c.ends && a.Rule.IsNotice() && a.State.Present():
		return Disappears, true
	case a.Rule.IsNotice() || !a.Calls():
		return 0, false
	case due.EscalateAfter > 0 && a.State.Waits() && a.State.Standing() && !c.on && mono-c.waits >= due.EscalateAfter:
		c.on = true
		return Escalate, true
	case due.TellAgainAfter > 0 && a.State.Standing() && mono-c.told >= due.TellAgainAfter:
		c.told = mono
		return TellAgain, true
	}
	return 0, false
}

// begin takes up an alarm at a start, from the wall clock.
func (c *Care) begin(a Alarm, mono time.Duration, wall time.Time) {
	c.begun, c.seen = true, a
	passed := func(since time.Time) time.Duration {
		if since.IsZero() {
			return 0
		}
		return max(wall.Sub(since), 0)
	}
	told, came := a.Since, a.came
	if came.IsZero() && a.State == Unacknowledged {
		came = a.Changed
	}
	for _, at := range []time.Time{a.Told, came, a.calls} { // not a.Changed: who acknowledges it is told again no later
		if at.After(told) {
			told = at
		}
	}
	waits := a.waits
	if waits.IsZero() {
		waits = a.Since // not known: for long
	}
	c.on = a.Escalated.After(waits)
	if a.calls.After(waits) {
		waits = a.calls
	}
	c.waits, c.told = mono-passed(waits), mono-passed(told)
	if !a.Until.IsZero() {
		c.ends = mono + min(max(a.Until.Sub(wall), 0), a.span())
	}
}

// note follows what became of the alarm since the last look.
func (c *Care) note(a Alarm, mono time.Duration) {
	raised := a.ID != c.seen.ID || a.State.Present() && !c.seen.State.Present()
	calls := a.Calls() && !c.seen.Calls()
	if raised || calls {
		c.told = mono
	}
	// An alarm that comes and goes waits for somebody from the first time on.
	anew := a.ID != c.seen.ID || a.State.Waits() && !c.seen.State.Waits()
	if anew || calls {
		c.waits = mono
	}
	c.on = c.on && !anew
	if !a.Until.IsZero() && (!a.Until.Equal(c.seen.Until) || a.Aside != c.seen.Aside || raised && a.Rule.IsNotice()) {
		c.ends = mono + a.span()
	}
}

// span is how long the shelf or the notice lasts in all.
func (a Alarm) span() time.Duration {
	if a.Aside == Shelved {
		return min(a.Until.Sub(a.AsideSince), a.Rule.LongestShelf())
	}
	return a.Until.Sub(a.AsideSince)
}
