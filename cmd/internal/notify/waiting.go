package notify

import (
	"time"

	"ovenward/acquire"
	"ovenward/acquire/alarm"
)

// subject is what order is kept for: one rule at one post.
type subject struct {
	post string
	rule alarm.Rule
}

func subjectOf(e acquire.Event) subject { return subject{e.Post, e.Alarm.Rule} }

// waiting is a message that is not yet accepted.
type waiting struct {
	event    acquire.Event
	first    int64 // lowest event id it stands for
	more     int   // earlier changes it stands in for
	some     int   // earlier changes that not all recipients have, and that it stands in for
	recorded bool
	queued   time.Time
	attempts int
	begun    time.Time  // when the newest attempt began
	next     time.Time  // not before
	behind   time.Time  // when the newest change came that waits for it, since it was last tried
	urged    bucket     // how often it was tried for that
	presses  bool       // it, or what waits for it, is urgent and news, and came since it was last tried
	must     bool       // it stands in for one that may not be held back
	held     bool       // next is when the hours begin
	old      bool       // it may have been tried before the start
	flying   bool       // an attempt is under way
	partly   bool       // some recipients have it, and it waits for the others; its pace is spent
	answer   string     // what came of it so far, where partly
	group    []*waiting // several alarms in one message; event is the newest of theirs
	ids      [2]int64   // of the first and the last event that a group was made of: its name, whoever leaves it
}

// members are the changes that a message tells of, itself where it is one.
func (w *waiting) members() []*waiting {
	if w.group != nil {
		return w.group
	}
	return []*waiting{w}
}

func (w *waiting) high() bool { return w.group == nil && w.event.Alarm.Urgency() == alarm.High }

// urgent says whether a message may not be held back by its alarm's pace: the
// first of an exceedance, what nobody acknowledged, what is told again as often as the
// configuration asks, and what a person did. None of these can chatter: an
// exceedance latches.
func (w *waiting) urgent() bool {
	c := w.event.Alarm
	return w.must || c.Reason == alarm.Escalated || c.Reason == alarm.ToldAgain || w.event.Who != "" || w.high() && c.Reason == alarm.Raised && c.Rule.Latches()
}

// spends says whether a message uses its alarm's pace up: not what a person did,
// or the next time the probe falls silent would be told hours late, nor what has a
// pace of its own.
func (w *waiting) spends() bool {
	return w.event.Who == "" && w.event.Alarm.Reason != alarm.ToldAgain
}
