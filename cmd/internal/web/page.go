package web

import (
	"bytes"
	"fmt"
	"net/http"
	"time"

	"ovenward/acquire/quantity"
)

// snapshot is the whole page in words at one instant.
type snapshot struct {
	Site      string
	Simulated bool
	Version   string
	Boot      string
	Clock     string // of the snapshot
	At        string // the same, for the script
	Unit      string // W/m² in the unit people read, for the script
	Title     string
	Headline  []segment
	Tally     string
	Posts     []postView
	Open      []alarmView
	Ended     []alarmView
	AlarmsTag string
	Told      []toldView
	NotTold   string // why Told cannot be shown
	Summary   *summaryView

	ReadOnly string // why this viewer may not change anything; empty when it may
	User     string // who is let in by name and password; empty where none are configured
	Problem  string // what was wrong with the viewer's last request
	Said     word   // what was typed with it
}

// snapshot asks the station once and puts its answer into words. charts says
// whether to draw the traces too, which only a whole page needs.
func (s *Server) snapshot(now time.Time, charts bool) snapshot {
	snap := snapshot{
		Site: s.o.Site, Simulated: s.o.Simulated, Version: s.o.Version, Boot: s.boot,
		Clock: clock(now, now), At: instant(now),
		Unit: fmt.Sprint(quantity.MilliwattPerSquareCentimetre().ToSI(1)),
	}
	stats := s.o.Station.Stats()
	for _, st := range stats {
		trace := s.o.Station.Trace(st.Index)
		v := viewOf(st, trace, now)
		v.Notes = append(sumWords(s.o.Sums, stats, st.Post.ID), v.Notes...)
		if charts {
			v.Chart = chartOf(trace, st.Post.Limits(), now, gapOf(st.Post))
		}
		snap.Posts = append(snap.Posts, v)
	}
	snap.Open, snap.Ended = alarmViews(s.o.Station.Alarms(), stats, now)
	snap.AlarmsTag = tagOf(snap.Open, snap.Ended)
	snap.Headline = headline(snap.Posts, snap.Open)
	snap.Tally = tally(snap.Posts, snap.Open)
	snap.Title = snap.Headline[0].Text + " · " + s.o.Site
	worstFirst(snap.Posts)
	return snap
}

// forViewer adds what depends on who asks.
func (s *Server) forViewer(r *http.Request, snap snapshot) snapshot {
	snap.ReadOnly = s.mayRead(r)
	if s.o.Users {
		snap.User, _, _ = r.BasicAuth()
	}
	for i := range snap.Open {
		a := &snap.Open[i]
		a.mayChange, a.Who = snap.ReadOnly == "", snap.User
		if a.AckURL == r.URL.EscapedPath() || a.ResetURL == r.URL.EscapedPath() {
			a.Who, a.Remedy = snap.Said.Who, snap.Said.Remedy
			a.Opened = a.ResetURL == r.URL.EscapedPath()
		}
	}
	return snap
}

// mayRead says why the forms are not shown. That the request itself came from
// another site does not count: a link may.
func (s *Server) mayRead(r *http.Request) string {
	asked := *r
	asked.Method = http.MethodGet
	return s.mayChange(&asked)
}

func (s *Server) servePage(w http.ResponseWriter, r *http.Request) {
	s.renderPage(w, r, http.StatusOK, word{}, "")
}

// renderPage shows the page, with the problem of a refused request if any.
func (s *Server) renderPage(w http.ResponseWriter, r *http.Request, status int, said word, trouble string) {
	snap := s.snapshot(s.o.Now(), true)
	snap.Said, snap.Problem = said, trouble
	snap.Told, snap.NotTold = s.told(r, s.o.Now())
	snap.Summary = s.summaryView(r.Context(), s.o.Now(), someDays)
	snap = s.forViewer(r, snap)
	s.render(w, r, status, "page.html", snap)
}

// serveAlarmsPart renders the alarms alone, for the script to put in place.
func (s *Server) serveAlarmsPart(w http.ResponseWriter, r *http.Request) {
	s.render(w, r, http.StatusOK, "alarms", s.forViewer(r, s.snapshot(s.o.Now(), false)))
}

// render writes only what rendered whole.
func (s *Server) render(w http.ResponseWriter, r *http.Request, status int, name string, snap snapshot) {
	var body bytes.Buffer
	if err := s.page.ExecuteTemplate(&body, name, snap); err != nil {
		s.log.Error("the page could not be rendered; please report this", "err", err)
		sendProblem(w, r, http.StatusInternalServerError, "the page could not be rendered; the log says more")
		return
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.WriteHeader(status)
	_, _ = w.Write(body.Bytes()) // the client may be gone; nothing is lost
}
