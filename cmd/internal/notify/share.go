package notify

import (
	"cmp"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"
)

// maxPartly bounds how many messages are remembered that some have and others
// have not: more than can wait.
const maxPartly = 1000

// share is what came of a message that some have and others have not.
type share struct {
	said map[string]string // who has it or refused it, and what the server said
	of   map[about]bool    // what it tells of, and no newer message does
	used int               // in which of all attempts
}

// about is what a message tells of: an alarm, or how all is.
type about struct {
	kind MessageKind
	subject
}

func allAbout(msg Message) map[about]bool {
	if msg.Kind != KindSeveral {
		return map[about]bool{{msg.Kind, subject{msg.Post, msg.Rule}}: true}
	}
	all := map[about]bool{}
	for _, one := range msg.Alarms {
		maps.Copy(all, allAbout(one))
	}
	return all
}

// goOnFrom takes over who has which message from a carrier that is not used any more.
func (m *mailer) goOnFrom(before Carrier) {
	old, is := before.(*mailer)
	if !is {
		return
	}
	old.mu.Lock()
	defer old.mu.Unlock()
	m.partly, m.uses, m.failed, m.fails = old.partly, old.uses, old.failed, old.fails
}

// turns is whom to try in which order: a mailbox that hangs takes all the time of an
// attempt, so who failed comes after all others, and who failed last comes last.
func (m *mailer) turns() []string {
	m.mu.Lock()
	defer m.mu.Unlock()
	to := slices.Clone(m.o.To)
	slices.SortStableFunc(to, func(a, b string) int { return cmp.Compare(m.failed[a], m.failed[b]) })
	return to
}

func (m *mailer) fail(to string) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.fails++
	m.failed[to] = m.fails
}

// said lists what came of a message for each recipient, and how many have it.
func (m *mailer) said(id string, waits map[string]string) (got int, lines []string) {
	m.mu.Lock()
	defer m.mu.Unlock()
	said := map[string]string{}
	if s := m.partly[id]; s != nil {
		said = s.said
	}
	for i, to := range m.o.To {
		what, settled := said[to]
		switch {
		case !settled && waits[to] == "":
			what = "not tried yet"
		case !settled:
			what = "not accepted yet: " + waits[to]
		case strings.HasPrefix(what, "accepted"):
			got++
		}
		lines = append(lines, fmt.Sprintf("recipient %d: %s", i+1, what))
	}
	return got, lines
}

// sum is what a message came to when all have it or refused it.
func (m *mailer) sum(id string, got int, said []string) result {
	m.mu.Lock()
	defer m.mu.Unlock()
	delete(m.partly, id)
	if got == 0 {
		return result{outcome: refused, err: errors.New(strings.Join(said, "; "))}
	}
	return result{outcome: accepted, answer: strings.Join(said, "; ")}
}

// begin returns who need not be tried with a message, and forgets the older ones that
// it stands in for: the messages of one alarm go in order.
func (m *mailer) begin(msg Message) (settled map[string]string) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.uses++
	now := allAbout(msg)
	for id, old := range m.partly {
		if id == msg.MessageID {
			old.used, settled = m.uses, maps.Clone(old.said)
			continue
		}
		maps.DeleteFunc(old.of, func(x about, _ bool) bool { return now[x] })
		if len(old.of) == 0 {
			delete(m.partly, id)
		}
	}
	return settled
}

func (m *mailer) note(msg Message, to, what string) {
	m.mu.Lock()
	defer m.mu.Unlock()
	s := m.partly[msg.MessageID]
	if s == nil {
		if len(m.partly) >= maxPartly { // some get the one that was not tried for longest twice, with the same id
			delete(m.partly, slices.MinFunc(slices.Collect(maps.Keys(m.partly)), func(a, b string) int { return cmp.Compare(m.partly[a].used, m.partly[b].used) }))
		}
		s = &share{said: map[string]string{}, of: allAbout(msg), used: m.uses}
		m.partly[msg.MessageID] = s
	}
	s.said[to] = what
	delete(m.failed, to)
}
