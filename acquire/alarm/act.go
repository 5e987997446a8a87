package alarm

import (
	"strings"
	"time"
)

// Happening is what can happen to an alarm.
type Happening uint8

const (
	Appears     Happening = iota // the condition is present
	Disappears                   // the condition is seen to be absent; unknown is not absent
	Acknowledge                  // a named operator has seen it
	Reset                        // a named operator states that the cause is mended
	Shelve                       // a named operator sets it aside until an instant, and says why
	Unshelve                     // a named operator takes it off the shelf
	ShelfEnds                    // the time of the shelf is up
	Suppress                     // something else explains it, by design
	Unsuppress                   // that has ended
	TakeOut                      // a named operator takes it out of service, and says why
	PutBack                      // a named operator puts it back into service
	Escalate                     // nobody acknowledged it in time
	TellAgain                    // it has stood for so long that it is told again
	Comment                      // a named operator remarks something
	Announce                     // a named operator announces a notice
	Conclude                     // a named operator ends a notice
	Drop                         // its post or rule is gone from the configuration: nothing judges it any more

	happenings // how many there are
)

// Act is a happening with what belongs to it.
type Act struct {
	What  Happening
	At    time.Time // UTC
	Who   string    // of what a named operator does
	Why   string    // of Shelve, TakeOut, Reset, Comment and Announce
	Until time.Time // of Shelve, and of an Announce that ends by itself
}

// Reason says why an alarm changed, or was told on or again.
type Reason string

const (
	None            Reason = ""
	Raised          Reason = "raised"
	RaisedAgain     Reason = "raised again"
	WasAcknowledged Reason = "acknowledged"
	Returned        Reason = "returned"
	ReturnedLatched Reason = "below the limit now; the cause is not known to be mended"
	GoneLatched     Reason = "not seen any more; the cause is not known to be mended" // of what latches and has no limit
	WasReset        Reason = "reset"
	WasShelved      Reason = "shelved"
	WasUnshelved    Reason = "taken off the shelf"
	ShelfEnded      Reason = "the time on the shelf is up"
	WasSuppressed   Reason = "suppressed by design"
	WasUnsuppressed Reason = "no longer suppressed"
	WasTakenOut     Reason = "taken out of service"
	WasPutBack      Reason = "put back into service"
	Escalated       Reason = "escalated: nobody acknowledged it in time"
	ToldAgain       Reason = "told again: it still stands"
	Commented       Reason = "commented"
	Announced       Reason = "announced"
	Concluded       Reason = "concluded"
	TimeUp          Reason = "its time is up"
	Dropped         Reason = "no longer watched"
	Unread          Reason = "not known: the record of this change is lost or damaged"

	RefusedPresent   Reason = "refused: the condition is still present; reset this alarm once it has ended"
	RefusedNothing   Reason = "refused: nothing stands here to be acted on; the list of alarms tells what does"
	RefusedNoLatch   Reason = "refused: this alarm ends by itself when its condition ends; acknowledge it, a reset is not needed"
	RefusedUnchanged Reason = "refused: already so"
	RefusedGuarded   Reason = "refused: an alarm about a field above its limit, a withdrawn oven or a post that does not see can only be shelved"
	RefusedNotice    Reason = "refused: this is a notice, which is ended and not set aside"
	RefusedNoNotice  Reason = "refused: this alarm is no notice"
	RefusedNoWhy     Reason = "refused: say why"
	RefusedNoTime    Reason = "refused: say until when, an instant that lies ahead"
	RefusedTooLong   Reason = "refused: that is longer than this alarm may be shelved: 8 h for a field above its limit, a withdrawn oven or a post that does not see, 7 days for all else"
	RefusedAside     Reason = "refused: it is set aside in another way"
	RefusedNotAside  Reason = "refused: it is not set aside so"
)

// Refused says whether the reason tells of an operator's act that was refused.
func (r Reason) Refused() bool { return strings.HasPrefix(string(r), "refused:") }

// CallsAgain says whether the alarm is no longer set aside.
func (r Reason) CallsAgain() bool {
	switch r {
	case WasUnshelved, ShelfEnded, WasPutBack, WasUnsuppressed:
		return true
	}
	return false
}

// Calls says whether a change for this reason is something that people are to be
// told of, where the alarm is not set aside.
func (r Reason) Calls() bool {
	switch r {
	case None, Commented, WasSuppressed:
		return false
	}
	return !r.Refused()
}
