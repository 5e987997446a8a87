package web

import (
	"math"
	"net/http"
	"strconv"
	"time"

	"ovenward/acquire/store"
)

// toldView is one message in words.
type toldView struct {
	At, Courier, To, Subject, Came string
	Dead                           bool
}

// toldShown is how many messages the page shows.
const toldShown = 12

// told puts the newest messages into words; trouble says why they cannot be read.
func (s *Server) told(r *http.Request, say voice, now time.Time) (views []toldView, trouble string) {
	if s.o.Told == nil {
		return nil, ""
	}
	all, err := s.o.Told(r.Context(), store.ToldQuery{}, toldShown)
	if err != nil {
		s.log.Error("what was told could not be read", "err", err)
		return nil, say.t("alarms.told_unread", "why", say.said(err.Error()))
	}
	for _, t := range all {
		views = append(views, say.toldView(t, now))
	}
	return views, ""
}

// toldView puts one message into words.
func (v voice) toldView(t store.Told, now time.Time) toldView {
	one := toldView{At: v.clock(t.At, now), Courier: t.Courier, To: t.To, Subject: t.Subject, Came: v.t("alarms.told_accepted"), Dead: t.Outcome == store.ToldRefused}
	if one.Dead {
		one.Came = v.t("alarms.told_refused")
	}
	if t.Answer != "" {
		one.Came += ": " + t.Answer
	}
	if t.Attempts > 1 {
		one.Came += " " + v.t("alarms.told_attempts", "n", t.Attempts)
	}
	return one
}

// serveTold answers with messages, the newest first: outcome=refused for the dead
// letters, event= for those of one change, before= to go on.
func (s *Server) serveTold(w http.ResponseWriter, r *http.Request) {
	before, err := queryInt(r, "before", 0, 0, math.MaxInt64)
	if err != nil {
		sendProblem(w, r, http.StatusBadRequest, "before: write the id of the last message you have, 0 for the newest")
		return
	}
	event, err := queryInt(r, "event", 0, 0, math.MaxInt64)
	if err != nil {
		sendProblem(w, r, http.StatusBadRequest, "event: write the id of an event, 0 for all")
		return
	}
	n, err := queryInt(r, "limit", someEvents, 1, mostEvents)
	if err != nil {
		sendProblem(w, r, http.StatusBadRequest, "limit: write a number from 1 to "+strconv.Itoa(mostEvents))
		return
	}
	q := store.ToldQuery{Before: before, Event: event, Courier: r.URL.Query().Get("courier"), Outcome: store.ToldOutcome(r.URL.Query().Get("outcome"))}
	switch q.Outcome {
	case "", store.ToldAccepted, store.ToldRefused:
	default:
		sendProblem(w, r, http.StatusBadRequest, "outcome: write accepted or refused, or leave it out for both")
		return
	}
	told := []store.Told{}
	if s.o.Told != nil {
		if told, err = s.o.Told(r.Context(), q, int(n)); err != nil {
			s.log.Error("what was told could not be read", "err", err)
			sendProblem(w, r, http.StatusServiceUnavailable, "the record could not be read: "+err.Error())
			return
		}
	}
	s.sendJSON(w, r, messagesJSON{append([]store.Told{}, told...)})
}
