package acquire

import (
	"encoding/json"
	"fmt"
	"time"

	"ovenward/acquire/cycle"
)

// switchedFor is after how long a time in which an oven is switched to heat is kept,
// though it goes on: so much of it a crash can take. Our own choice.
const switchedFor = time.Hour

// heats follows what a contact says of the oven's power, so that it can be told later
// of which oven a run was. A time is kept when it has ended: when the contact said
// nothing of the kind for the run gap.
func (w *watch) heats(in *Input, on bool, at time.Time) {
	s := &w.switched
	if !s.From.IsZero() && at.Sub(s.To) > w.post.RunGap {
		w.keepSwitched(at)
	}
	switch {
	case !on:
	case s.From.IsZero():
		*s = cycle.Switched{Contact: in.ID, Oven: w.post.Oven, From: at, To: at, Lag: in.Every + in.Delay}
	default:
		if s.To = at; at.Sub(s.From) >= switchedFor {
			next := *s
			w.keepSwitched(at)
			next.From = at
			*s = next
		}
	}
}

// keepSwitched has the record keep the time under way, up to when it was last said.
func (w *watch) keepSwitched(at time.Time) {
	s := w.switched
	w.switched = cycle.Switched{}
	if s.From.IsZero() || !s.From.Before(s.To) {
		return
	}
	raw, err := json.Marshal(s)
	if err != nil { // it is plain data
		panic(err)
	}
	w.report(Event{At: at, Post: w.post.ID, Kind: KindPower, Raw: raw,
		Text: fmt.Sprintf("contact %s said that oven %s was switched to heat, from %s to %s", s.Contact, s.Oven, when(s.From, w.zone), when(s.To, w.zone))})
}
