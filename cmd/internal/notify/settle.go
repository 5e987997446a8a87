package notify

import (
	"context"
	"time"
)

// settle does what the result of an attempt asks for.
func (s *sender) settle(ctx context.Context, r result, now time.Time) {
	s.flying--
	r.w.flying = false
	switch r.outcome {
	case accepted:
		s.accept(r, now)
		return
	case refused:
		s.bury(r, now)
		return
	}
	if ctx.Err() != nil {
		return // we broke it off ourselves
	}
	switch r.outcome {
	case pause:
		s.failures++
		wait := s.c.wait(s.failures)
		if r.after > 0 {
			wait = r.after
		}
		s.q.hold = now.Add(wait)
	case unheard:
		// Attempts that flew together found the same silence: it counts once.
		if !now.Before(s.q.down) {
			s.failures++
			s.q.down = now.Add(s.c.wait(s.failures))
		}
		s.q.downAt = now
	default:
		s.q.down = time.Time{}
		r.w.next = now.Add(s.c.wait(r.w.attempts))
	}
	s.c.note(func(st *Stats) {
		st.Failed++
		st.LastError, st.LastErrorAt = r.err.Error(), now
	})
	if s.lastError != r.err.Error() {
		s.lastError = r.err.Error()
		s.c.log.Warn("a message was not accepted; it is sent again until it is", "message", s.c.message(r.w).MessageID,
			"error", s.lastError, "waiting", len(s.q.items))
	}
}

func (s *sender) accept(r result, now time.Time) {
	s.done(r)
	s.c.note(func(st *Stats) {
		st.Sent++
		st.LastAccepted = now
	})
	if s.lastError != "" {
		s.c.log.Info("messages are accepted again", "waiting", len(s.q.items))
		s.lastError = ""
	}
}

// bury gives up a message that was refused for good.
func (s *sender) bury(r result, now time.Time) {
	s.done(r)
	s.c.note(func(st *Stats) {
		st.Dead++
		st.LastError, st.LastErrorAt = r.err.Error(), now
	})
	s.c.log.Error("a message was refused and is not sent again; look at the courier's URL and token",
		"message", s.c.message(r.w).MessageID, "rule", r.w.event.Alarm.Rule, "post", r.w.event.Post, "error", r.err.Error())
}

// done takes a message out; the receiver answers, so nothing waits for it.
func (s *sender) done(r result) {
	s.q.remove(r.w)
	s.q.hold, s.q.down, s.failures, s.news = time.Time{}, time.Time{}, 0, true
}
