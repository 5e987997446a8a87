package notify

import (
	"context"
	"time"
)

// Carrier is one way to reach people or their programs; NewWebhook, NewMail,
// NewAlertmanager and NewMQTT make them. It knows nothing of queues and records,
// and never tells a secret.
type Carrier interface {
	// send makes one attempt, which ends within a bounded time or with ctx. It may
	// be called from several goroutines.
	send(ctx context.Context, m Message) result
	// to names where it sends, without secrets.
	to() string
	// close gives up what is kept open.
	close()
}

// keeper is a Carrier whose receiver also shows what is true now, and has to be
// told so again and again. keep returns when ctx ends.
type keeper interface {
	keep(ctx context.Context, now present)
}

// present is what is true now. Its methods wait for nothing.
type present interface {
	// standing returns the newest message of each alarm that stands and that the
	// courier tells of.
	standing() []Message
	// snapshot returns how all posts are; false when nobody can say.
	snapshot() (Snapshot, bool)
	// shown is told after each look why the receiver does not show what is true; nil: it
	// does. proven says that it has just taken something, and not only that there is nothing to show.
	shown(err error, proven bool)
}

// result is what came of one attempt.
type result struct {
	w       *waiting // nil for a heartbeat
	outcome outcome
	after   time.Duration // what the receiver asked for; 0: nothing
	err     error         // why it was not accepted, without secrets
	answer  string        // what came back, for people; without secrets
	reached bool          // not accepted, but some of its recipients have it
}

// Test makes one attempt with a message that is marked as a test, and returns
// what came back. It closes the Carrier.
func Test(ctx context.Context, c Carrier, m Message) (answer string, err error) {
	defer c.close()
	r := c.send(ctx, m)
	return r.answer, r.err
}
