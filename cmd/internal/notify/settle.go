package notify

import (
	"context"
	"fmt"
	"time"

	"ovenward/acquire/store"
)

// settle does what the result of an attempt asks for.
func (s *sender) settle(ctx context.Context, r result, now time.Time) {
	s.flying--
	switch r.outcome {
	case accepted:
		s.accept(r, now)
		return
	case refused:
		s.bury(r, now)
		return
	}
	s.q.failed(r.w, r)
	if ctx.Err() != nil {
		r.w.attempts-- // we broke it off ourselves
		return
	}
	switch {
	case r.outcome == pause && r.after > 0:
		s.q.hold = now.Add(r.after)
	case r.outcome == pause, r.outcome == unheard:
		// Attempts that flew together found the same silence: it counts once.
		if !now.Before(s.q.down) {
			s.failures++
			s.q.down = now.Add(s.c.wait(s.failures))
		}
		if r.w.begun.After(s.q.downAt) {
			s.q.downAt = r.w.begun
		}
	default:
		s.q.down = time.Time{}
		r.w.next = now.Add(s.c.wait(r.w.attempts))
	}
	s.q.failedAnew(r.w)
	replaced := s.q.rejoin(r.w, now)
	s.c.note(func(st *Stats) {
		st.Failed++
		st.Coalesced += uint64(replaced)
		st.Failing = true
		st.LastError, st.LastErrorAt = r.err.Error(), now
	})
	if s.lastError != r.err.Error() {
		s.lastError = r.err.Error()
		s.c.log.Warn("a message was not accepted; it is sent again until it is", "message", s.c.message(r.w).MessageID,
			"error", s.lastError, "waiting", len(s.q.items))
	}
}

func (s *sender) accept(r result, now time.Time) {
	s.done(r, store.ToldAccepted, now)
	s.c.note(func(st *Stats) {
		st.Sent++
		st.Failing = false
		st.LastAccepted = now
	})
	if vain, _ := s.q.tried(); vain == 0 && s.lastError != "" {
		s.c.log.Info("messages are accepted again", "waiting", len(s.q.items))
		s.lastError = ""
	}
}

// bury gives up a message that was refused for good.
func (s *sender) bury(r result, now time.Time) {
	s.done(r, store.ToldRefused, now)
	s.c.note(func(st *Stats) {
		st.Dead++
		st.Failing = true
		st.LastError, st.LastErrorAt = r.err.Error(), now
	})
	s.c.log.Error("a message was refused and is not sent again; it is kept as a dead letter (ovenward notify --dead); look at the courier's configuration",
		"message", s.c.message(r.w).MessageID, "rule", r.w.event.Alarm.Rule, "post", r.w.event.Post, "error", r.err.Error())
}

// done takes a message out and notes what came of it; the receiver answers, so that
// nothing waits for it but as long as it asked for quiet.
func (s *sender) done(r result, outcome store.ToldOutcome, now time.Time) {
	s.q.remove(r.w)
	s.q.down, s.failures, s.news = time.Time{}, 0, true
	answer := r.answer
	if r.err != nil {
		answer = r.err.Error()
	}
	if n := len(r.w.members()); n > 1 {
		answer += fmt.Sprintf(" (one message for %d alarms)", n)
	}
	for _, w := range r.w.members() {
		s.list(w, r.w.attempts, outcome, answer, now)
	}
}

// list notes what came of one change.
func (s *sender) list(w *waiting, attempts int, outcome store.ToldOutcome, answer string, now time.Time) {
	m := s.c.message(w)
	of := subjectOf(w.event)
	s.settled[of] = max(s.settled[of], w.event.ID)
	row := store.Told{Courier: s.c.o.Name, To: s.c.stats.To, MessageID: m.MessageID, Event: m.EventID,
		Post: m.Post, Rule: string(m.Rule), Queued: w.queued, At: now, Attempts: attempts, More: w.more,
		Outcome: outcome, Answer: answer, Subject: m.Subject, Text: m.Text}
	s.c.unlisted(s.told.join(ledger{rows: []store.Told{row}}))
}

// listPassed notes what was told to some recipients, and to the others with what is newer.
func (s *sender) listPassed(now time.Time) {
	for _, w := range s.q.passed {
		s.list(w, w.attempts, store.ToldAccepted, w.answer+"; who lacks it gets the newer message of this alarm instead", now)
		s.news = true
	}
	s.q.passed = nil
}

// beat sends a heartbeat when one is due. It is not kept and not made up for:
// that it stays away is what it says.
func (s *sender) beat(ctx context.Context, now time.Time) {
	every := s.c.o.Heartbeat
	if every <= 0 || s.beating || now.Before(s.beatAt) || now.Before(s.q.hold) {
		return
	}
	s.beating = true
	s.beatAt = now.Add(every)
	m := heartbeat(s.c.o.Snapshot(), s.c.o.Site, s.c.o.Link, every, s.c.o.Texts)
	s.fly.Go(func() { s.beats <- s.c.send(ctx, m) })
}

// beaten notes what came of a heartbeat; one that failed is tried again soon,
// with what is true by then.
func (s *sender) beaten(ctx context.Context, r result, now time.Time) {
	s.beating = false
	if r.outcome == accepted {
		s.misses = 0
		s.c.note(func(st *Stats) { st.LastHeartbeat, st.Failing = now, false })
		return
	}
	if ctx.Err() != nil {
		return
	}
	s.misses++
	if again := now.Add(max(s.c.wait(s.misses), r.after)); again.Before(s.beatAt) {
		s.beatAt = again
	}
	s.c.note(func(st *Stats) {
		st.Failing = true
		st.LastError, st.LastErrorAt = "heartbeat: "+r.err.Error(), now
	})
	if s.misses == 1 {
		s.c.log.Warn("a heartbeat was not accepted", "error", r.err.Error())
	}
}
