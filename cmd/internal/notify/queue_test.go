package notify

import (
	"fmt"
	"testing"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/alarm"
)

func at(seconds int) time.Time {
	return time.Date(2026, 11, 25, 9, 0, seconds, 0, time.UTC)
}

func numbered(id int64, e acquire.Event) acquire.Event {
	e.ID = id
	return e
}

func (q *queue) shown() string {
	s := ""
	for _, w := range q.items {
		s += fmt.Sprintf("%d:%s/%s+%d ", w.event.ID, w.event.Post, w.event.Alarm.Rule, w.more)
	}
	return s
}

func TestQueueCoalesces(t *testing.T) {
	q := newQueue(3, pace{})
	for id := int64(1); id <= 3; id++ {
		q.add(numbered(id, raised(0, alarm.Stuck, at(0))), true, at(0), at(0))
	}
	if got, want := q.shown(), "1:post-0/stuck+0 2:post-0/stuck+0 3:post-0/stuck+0 "; got != want {
		t.Fatalf("below the bound: %s, want %s", got, want)
	}
	q.items[0].flying = true // what is under way is not replaced
	if n := q.add(numbered(4, raised(0, alarm.Stuck, at(0))), true, at(0), at(0)); n != 2 {
		t.Errorf("replaced %d, want 2", n)
	}
	q.add(numbered(5, raised(1, alarm.Exceeds, at(0))), true, at(0), at(0))
	q.add(numbered(6, raised(1, alarm.Silent, at(0))), true, at(0), at(0))
	q.add(numbered(7, raised(1, alarm.Exceeds, at(0))), true, at(0), at(0))
	q.add(numbered(8, raised(0, alarm.Stuck, at(0))), true, at(0), at(0))
	if got, want := q.shown(), "1:post-0/stuck+0 8:post-0/stuck+3 7:post-1/exceeds+1 6:post-1/silent+0 "; got != want {
		t.Errorf("at the bound: %s, want %s", got, want)
	}
	// The cursor stays below what waits, also below what a message stands in for.
	for _, want := range []int64{0, 1, 4, 5, 9} {
		if got := q.cursor(9); got != want {
			t.Errorf("cursor %d with %s waiting, want %d", got, q.shown(), want)
		}
		if len(q.items) > 0 {
			q.remove(q.items[0])
		}
	}
}

// However many changes come, the queue holds its bound and one for each alarm,
// and no change goes uncounted.
func TestQueueIsBounded(t *testing.T) {
	const bound, alarms, n = 50, 300, 10000
	q := newQueue(bound, pace{})
	for id := int64(1); id <= n; id++ {
		q.add(numbered(id, raised(int(id*7919)%alarms, alarm.Stuck, at(0))), true, at(0), at(0))
	}
	if len(q.items) > bound+alarms {
		t.Errorf("%d wait, want at most %d", len(q.items), bound+alarms)
	}
	sum := 0
	for _, w := range q.items {
		sum += 1 + w.more
	}
	if sum != n {
		t.Errorf("%d changes are told of, want %d", sum, n)
	}
}

// A change that comes while an attempt is under way can't take its place; once
// that has failed it does, so that nothing is told apart that pace would join.
func TestQueueRejoinsWhatFailed(t *testing.T) {
	q := newQueue(50, pace{high: allowance{1, time.Hour}, other: allowance{1, time.Hour}})
	q.add(numbered(1, raised(0, alarm.Stuck, at(0))), true, at(0), at(0))
	q.add(numbered(2, raised(0, alarm.Stuck, at(0))), true, at(0), at(0))
	flies := q.items[0]
	q.start(flies, at(0))
	q.add(numbered(3, raised(0, alarm.Stuck, at(1))), true, at(1), at(1))
	if got, want := q.shown(), "2:post-0/stuck+1 3:post-0/stuck+0 "; got != want {
		t.Fatalf("under way: %s, want %s", got, want)
	}
	q.failed(flies, result{})
	flies.next = at(9)
	if n := q.rejoin(flies, at(2)); n != 1 {
		t.Errorf("%d replaced, want 1", n)
	}
	if got, want := q.shown(), "3:post-0/stuck+2 "; got != want {
		t.Errorf("after it failed: %s, want %s", got, want)
	}
	if w := q.items[0]; w.attempts != 1 || w.next != at(9) || w.queued != at(0) || q.cursor(3) != 0 {
		t.Errorf("%d attempts, next at %s, queued %s, cursor %d; want those of the message it replaced", w.attempts, w.next, w.queued, q.cursor(3))
	}
	// Where the pace lets both through, both stay.
	q = newQueue(50, pace{high: allowance{4, time.Hour}, other: allowance{4, time.Hour}})
	q.add(numbered(1, raised(0, alarm.Stuck, at(0))), true, at(0), at(0))
	flies = q.items[0]
	q.start(flies, at(0))
	q.add(numbered(2, raised(0, alarm.Stuck, at(1))), true, at(1), at(1))
	q.failed(flies, result{})
	if n := q.rejoin(flies, at(2)); n != 0 || len(q.items) != 2 {
		t.Errorf("%d replaced, left %s; want both", n, q.shown())
	}
}

// What comes late is not told out of order, but counted.
func TestQueueKeepsOrder(t *testing.T) {
	q := newQueue(50, pace{})
	q.add(numbered(6, raised(0, alarm.Stuck, at(0))), false, at(0), at(0))
	if n := q.add(numbered(5, raised(0, alarm.Stuck, at(0))), true, at(0), at(0)); n != 1 {
		t.Errorf("a late change counts %d, want 1", n)
	}
	q.add(numbered(7, raised(0, alarm.Stuck, at(0))), true, at(0), at(0))
	if got, want := q.shown(), "6:post-0/stuck+1 7:post-0/stuck+0 "; got != want {
		t.Errorf("%s, want %s", got, want)
	}
	if got := q.cursor(7); got != 4 {
		t.Errorf("cursor %d, want it below the late change, 4", got)
	}
	// Where nothing of its alarm waits, the newest message is repeated.
	q.remove(q.items[0])
	q.remove(q.items[0])
	q.add(numbered(3, raised(0, alarm.Stuck, at(0))), true, at(0), at(0))
	if got := q.shown(); got != "7:post-0/stuck+1 " || q.cursor(7) != 2 {
		t.Errorf("%s, cursor %d; want 7 again, and one more, and 2", got, q.cursor(7))
	}
}

func TestQueuePicks(t *testing.T) {
	start := func() *queue {
		q := newQueue(50, pace{})
		q.add(numbered(1, raised(0, alarm.Silent, at(0))), true, at(0), at(0))
		q.add(numbered(2, raised(0, alarm.Silent, at(1))), true, at(1), at(1))
		q.add(numbered(3, raised(1, alarm.Exceeds, at(2))), true, at(2), at(2))
		q.add(numbered(4, raised(2, alarm.Stale, at(3))), true, at(3), at(3))
		return q
	}
	for _, tt := range []struct {
		name string
		set  func(q *queue)
		want int64 // 0: nothing
	}{
		{"an exceedance first", func(*queue) {}, 3},
		{"a new one before one that hung", func(q *queue) {
			q.items[2].presses = false
			q.add(numbered(5, raised(3, alarm.Exceeds, at(4))), true, at(4), at(4))
		}, 5},
		{"then the oldest", func(q *queue) { q.items[2].flying = true }, 1},
		{"never two of one alarm", func(q *queue) { q.items[2].flying, q.items[0].flying = true, true }, 4},
		{"nor past one that has to wait", func(q *queue) {
			q.items[2].presses, q.items[2].next, q.items[0].next, q.items[0].held = false, at(11), at(11), true
		}, 4},
		{"nothing while the receiver wants quiet", func(q *queue) { q.hold = at(11) }, 0},
		{"again after it", func(q *queue) { q.hold = at(10) }, 3},
		{"while nobody answers, what came since", func(q *queue) { q.items[2].presses, q.down, q.downAt = false, at(11), at(2) }, 4},
		{"while nobody answers, nothing else", func(q *queue) { q.items[2].presses, q.down, q.downAt = false, at(11), at(3) }, 0},
		{"but what is urgent and was not tried", func(q *queue) { q.down, q.downAt = at(11), at(3) }, 3},
	} {
		q := start()
		tt.set(q)
		var got int64
		if w := q.pick(at(10)); w != nil {
			got = w.event.ID
		}
		if got != tt.want {
			t.Errorf("%s: picked %d, want %d", tt.name, got, tt.want)
		}
	}
}
