package notify

import (
	"fmt"
	"slices"
	"time"
)

// pass puts a message that may be sent in the place of an older one of its alarm
// that some recipients have: one slow mailbox holds nothing back from the others,
// and gets the newest itself.
func (q *queue) pass(now time.Time) {
	held := map[subject]*waiting{} // the message that each alarm waits behind
	for _, w := range slices.Clone(q.items) {
		if s := subjectOf(w.event); w.group == nil && held[s] != nil && held[s].partly && !held[s].flying && q.due(w, now) {
			q.supersede(held[s], w)
			held[s] = w
		}
		for _, m := range w.members() {
			if s := subjectOf(m.event); held[s] == nil {
				held[s] = w
			}
		}
	}
}

// supersede takes the change of w's alarm out of old, which some recipients have.
func (q *queue) supersede(old, w *waiting) {
	for _, m := range old.members() {
		if subjectOf(m.event) != subjectOf(w.event) {
			continue
		}
		w.some += 1 + m.more + m.some
		gone := *m
		gone.attempts, gone.answer = old.attempts, old.answer
		q.passed = append(q.passed, &gone)
	}
	if old.group != nil {
		old.group = slices.DeleteFunc(old.group, func(m *waiting) bool { return subjectOf(m.event) == subjectOf(w.event) })
		if len(old.group) > 0 {
			return
		}
	}
	q.remove(old)
}

// notToAll tells of the changes that some recipients have and others lack. All read
// the same, so it does not say which this one is.
func notToAll(n int) string {
	switch n {
	case 0:
		return ""
	case 1:
		return "One earlier change of this alarm did not reach everybody who is told; this message stands in for it."
	}
	return fmt.Sprintf("%d earlier changes of this alarm did not reach everybody who is told; this message stands in for them.", n)
}
