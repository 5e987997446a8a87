package notify

import (
	"fmt"
	"slices"
	"time"

	"ovenward/acquire/store"
)

// maxTold bounds what is remembered of what was told while the record cannot be
// written.
const maxTold = 2000

// ledger is what came of messages and is still to be kept. What it cannot hold is
// counted, and the count is kept in its place.
type ledger struct {
	rows     []store.Told
	accepted loss
	refused  loss // dead letters
}

// loss is how many rows were dropped, and of what time.
type loss struct {
	n        int
	from, to time.Time
}

func (l *loss) add(other loss) {
	if other.n == 0 {
		return
	}
	if l.n == 0 || other.from.Before(l.from) {
		l.from = other.from
	}
	if other.to.After(l.to) {
		l.to = other.to
	}
	l.n += other.n
}

func (l *ledger) empty() bool { return len(l.rows)+l.accepted.n+l.refused.n == 0 }

// join adds what is newer, and returns how many rows found no room. Dead letters
// are dropped last, the oldest first.
func (l *ledger) join(newer ledger) (lost int) {
	l.rows = append(l.rows, newer.rows...)
	l.accepted.add(newer.accepted)
	l.refused.add(newer.refused)
	over := len(l.rows) - maxTold
	for _, of := range []struct {
		outcome store.ToldOutcome
		in      *loss
	}{{store.ToldAccepted, &l.accepted}, {store.ToldRefused, &l.refused}} {
		l.rows = slices.DeleteFunc(l.rows, func(t store.Told) bool {
			if lost >= over || t.Outcome != of.outcome {
				return false
			}
			of.in.add(loss{1, t.At, t.At})
			lost++
			return true
		})
	}
	return lost
}

// all are the rows to be kept, with one for each kind of what was dropped.
func (l *ledger) all(courier, to string) []store.Told {
	all := slices.Clone(l.rows)
	for _, of := range []struct {
		loss
		outcome store.ToldOutcome
		what    string
	}{{l.accepted, store.ToldAccepted, "accepted"}, {l.refused, store.ToldRefused, "refused for good"}} {
		if of.n == 0 {
			continue
		}
		text := fmt.Sprintf("%d messages that were %s between %s and %s UTC are not listed: the record could not be written", of.n, of.what,
			of.from.UTC().Format(layout), of.to.UTC().Format(layout))
		all = append(all, store.Told{Courier: courier, To: to, Queued: of.from, At: of.to, Outcome: of.outcome, More: of.n,
			Answer: "lost from this list", Subject: text, Text: text + "."})
	}
	return all
}
