package notify

import "time"

// pace says how often a person is told of one alarm, and of all together. The
// zero pace does not slow anything down.
type pace struct {
	high, other allowance // of one alarm, by its priority
	together    allowance // of all alarms of a courier
}

// allowance is how many messages may go at once, and how long it takes until one
// more may.
type allowance struct {
	burst  int
	refill time.Duration
}

// peoplesPace: who has been told four times in a row that a seal comes and goes
// knows it; from then on one message an hour, which counts the rest, is enough.
// The figures are our own choice.
func peoplesPace(most int) pace {
	return pace{high: allowance{4, time.Hour}, other: allowance{3, 2 * time.Hour},
		together: allowance{most, togetherWithin / time.Duration(most)}}
}

// togetherWithin is the time in which a courier sends as many messages one by
// one as it may; those beyond come several in one.
const togetherWithin = 10 * time.Minute

// bucket is what is left of an allowance.
type bucket struct {
	used float64
	at   time.Time
}

// left returns how many messages may go now.
func (b *bucket) left(a allowance, now time.Time) int {
	b.settle(a, now)
	return int(float64(a.burst) - b.used + 1e-9)
}

func (b *bucket) settle(a allowance, now time.Time) {
	if since := now.Sub(b.at); !b.at.IsZero() && since > 0 && a.refill > 0 {
		b.used = max(b.used-float64(since)/float64(a.refill), 0)
	}
	b.at = now
}

// take uses one up, and give puts back one that was not accepted.
func (b *bucket) take(a allowance, now time.Time) {
	b.settle(a, now)
	b.used++
}

func (b *bucket) give() { b.used = max(b.used-1, 0) }
