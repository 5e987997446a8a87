package web

import (
	"cmp"
	"context"
	"net/http"
	"slices"
	"sort"
	"strings"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/alarm"
	"ovenward/acquire/store"
)

func (s *Server) addAlarm(rt routes) {
	rt.get("/alarms/{id}", s.showAlarm)
	rt.get("/api/v1/alarms/past", s.servePast)
	rt.get("/api/v1/alarms/{id}", s.serveAlarm)
}

// Bounds of what is told of one alarm.
const (
	mostTold  = 100 // messages
	mostAsked = 60  // changes whose messages are looked for
)

// oneAlarm is an occurrence with its history.
type oneAlarm struct {
	now     alarm.Alarm // as it stands, or stood when it ended
	current bool        // it is the newest occurrence of its rule, so that something can be done about it
	changes []acquire.Event
	told    []store.Told // the oldest first
}

// findAlarm reads one occurrence, by its id or as the newest of POST.RULE; false where there never was one of that id.
func (s *Server) findAlarm(ctx context.Context, id string) (one oneAlarm, found bool, err error) {
	for _, a := range s.o.Station.Alarms() { // by post and rule too
		if name := cmp.Or(a.Post, "station") + "." + string(a.Rule); id == name && a.ID != "" {
			id = a.ID
		}
	}
	if s.o.Occurrence != nil {
		if one.changes, err = s.o.Occurrence(ctx, id); err != nil {
			return one, false, err
		}
	}
	if n := len(one.changes); n > 0 {
		one.now, found = one.changes[n-1].Alarm.Alarm, true
	}
	for _, a := range s.o.Station.Alarms() { // which may be ahead of the record
		if a.ID == id {
			one.now, one.current, found = a, true, true
		}
	}
	if s.o.Told == nil || !found {
		return one, found, nil
	}
	for _, e := range one.changes[max(len(one.changes)-mostAsked, 0):] {
		told, err := s.o.Told(ctx, store.ToldQuery{Event: e.ID}, mostTold)
		if err != nil {
			return one, found, err
		}
		one.told = append(one.told, told...)
	}
	sort.SliceStable(one.told, func(i, j int) bool { return one.told[i].At.Before(one.told[j].At) })
	return one, found, nil
}

const noSuchAlarm = "no such alarm: /api/v1/alarms and /api/v1/alarms/past list them"

// serveAlarm answers with one occurrence, all its changes, and what was told of it.
func (s *Server) serveAlarm(w http.ResponseWriter, r *http.Request) {
	one, found, err := s.findAlarm(r.Context(), r.PathValue("id"))
	switch {
	case err != nil:
		s.unread(w, r, err)
		return
	case !found:
		sendProblem(w, r, http.StatusNotFound, noSuchAlarm)
		return
	}
	out := historyJSON{Alarm: alarmOf(one.now), Current: one.current, Changes: []acquire.Event{}, Told: append([]store.Told{}, one.told...)}
	for _, e := range one.changes {
		out.Changes = append(out.Changes, finiteEvent(e))
	}
	s.sendJSON(w, r, out)
}

// alarmPage is what the page of one occurrence shows.
type alarmPage struct {
	Card    alarmView
	Changes []changeView
	Told    []toldView
	NotTold string // that nobody was told, and why
}

// changeView is one change in words.
type changeView struct {
	At, What, Who, Until, Remark, Text string
	Reasons                            []string
}

// showAlarm shows one occurrence with its whole history.
func (s *Server) showAlarm(w http.ResponseWriter, r *http.Request) {
	one, found, err := s.findAlarm(r.Context(), r.PathValue("id"))
	if s.unreadable(w, r, err) {
		return
	}
	if !found {
		sendProblem(w, r, http.StatusNotFound, noSuchAlarm)
		return
	}
	now := s.o.Now()
	f := s.frame(r, "alarm", now)
	p := alarmPage{Card: f.alarmViewOf(one.now, now)}
	p.Card.Where, p.Card.Path = s.places(f.voice)(one.now.Post), ""
	p.Card.mayChange, p.Card.Who, p.Card.Fixed = one.current && f.ReadOnly == "", f.User, f.User != ""
	st, watched := statsOf(s.o.Station.Stats(), one.now.Post)
	if !watched || !judgedNow(&st, one.now) {
		p.Card.notSeen(f.voice, one.now, now)
	}
	if watched && one.current {
		p.Card.ByHow = f.byHow(one.now, &st)
	}
	dropped := false
	for _, e := range one.changes {
		dropped = droppedAfter(dropped, e.Alarm.Reason)
		p.Changes = append(p.Changes, f.changeView(e, now))
	}
	if dropped {
		p.Card.dropped(f.voice, one.now, now)
	}
	for _, t := range one.told {
		p.Told = append(p.Told, f.toldView(t, now))
	}
	if len(p.Told) == 0 {
		p.NotTold = s.nobodyTold(f.voice)
	}
	f.Title, f.Page = p.Card.Title+", "+p.Card.Where+" · "+s.o.Site, p
	s.show(w, r, http.StatusOK, f)
}

// nobodyTold says that nobody was told, and whether anybody could have been.
func (s *Server) nobodyTold(say voice) string {
	if s.o.Couriers != nil && len(s.o.Couriers) == 0 {
		return say.t("alarms.no_courier")
	}
	return say.t("alarms.nobody_told")
}

// changeView words one change of an alarm.
func (v voice) changeView(e acquire.Event, now time.Time) changeView {
	c := changeView{At: v.clock(e.At, now), What: capital(v.said(string(e.Alarm.Reason))), Who: e.Who, Remark: e.Alarm.Remark, Text: e.Text}
	if c.What == "" {
		c.What = v.state(e.Alarm.State)
	}
	c.Text = strings.TrimPrefix(c.Text, string(e.Alarm.Reason))
	if by, ok := strings.CutPrefix(c.Text, " by "+e.Who); ok && e.Who != "" {
		if c.Text = by; strings.HasPrefix(by, " until ") {
			c.Until = v.t("alarms.aside_until", "at", v.clock(e.Alarm.Until, now))
			_, c.Text, _ = strings.Cut(by, ": ")
		}
	}
	if c.Text = strings.TrimPrefix(c.Text, ": "); c.Text == c.Remark {
		c.Text = ""
	}
	// At a reset they say that it was not reset yet.
	if g := e.Alarm.Verdict; g != nil && e.Alarm.Reason != alarm.WasReset {
		for _, reason := range g.Reasons {
			if !strings.Contains(c.Text, reason) {
				c.Reasons = append(c.Reasons, v.said(reason))
			}
		}
	}
	c.Text = v.said(strings.TrimSpace(c.Text))
	return c
}

// toldOf words who was told of alarms that are open, by the newest messages.
func (s *Server) toldOf(ctx context.Context, say voice, open []alarmView, alarms []alarm.Alarm, now time.Time) {
	if s.o.Told == nil {
		return
	}
	told, err := s.o.Told(ctx, store.ToldQuery{}, mostEvents)
	if err != nil {
		return // the list below says so
	}
	slices.Reverse(told)
	for i := range open {
		for _, a := range alarms {
			if say.alarmViewOf(a, now).Key != open[i].Key {
				continue
			}
			var words []string
			for _, t := range told {
				if t.Post == a.Post && t.Rule == string(a.Rule) && !t.At.Before(a.Since) {
					v := say.toldView(t, now)
					words = append(words, v.Courier+" ("+v.To+"), "+v.At+": "+v.Came)
				}
			}
			open[i].Told = s.nobodyTold(say)
			if n := len(words); n > 0 {
				open[i].Told = say.t("alarms.was_told", "who", strings.Join(words[max(n-3, 0):], "; "))
			}
		}
	}
}
