package web

import (
	"net/http"
	"time"

	"ovenward/acquire"
)

func (s *Server) addOverview(rt routes) {
	rt.get("/{$}", s.serveOverview)
	rt.get("/part/standing", s.serveStandingPart)
	rt.get("/api/v1/live", s.serveLive)
}

// overview is the whole site in words at one instant.
type overview struct {
	Headline  []segment
	Tally     string
	Grounds   []ground
	Rows      []row
	Standing  []alarmView
	AlarmsTag string // changes when the page of alarms does

	Told    []toldView // the newest messages, where an alarm stands
	NotTold string     // why Told cannot be shown

	NoneTold string // that nobody was told, and whether anybody could have been
}

// overview asks the station once and puts its answer into words.
func (s *Server) overview(v voice, now time.Time) overview {
	var o overview
	stats := s.o.Station.Stats()
	names := v.postNames(stats)
	for _, st := range stats {
		o.Rows = append(o.Rows, v.row(st, names[st.Post.ID], s.sparks.of(st.Post.ID), now))
	}
	alarms := s.o.Station.Alarms()
	open, ended := v.alarmViews(alarms, stats, now)
	o.AlarmsTag = tagOf(open, ended)
	o.Standing = standingOf(open)
	o.Headline = v.headline(o.Rows, open)
	o.Tally = v.tally(o.Rows, open)
	o.Grounds = s.grounds(v, stats, alarms, o.Rows, now)
	worstFirst(o.Rows)
	return o
}

func (o overview) title(site string) string { return o.Headline[0].Text + " · " + site }

func (s *Server) serveOverview(w http.ResponseWriter, r *http.Request) {
	f := s.overviewFrame(r)
	s.show(w, r, http.StatusOK, f)
}

// serveStandingPart renders the standing alarms alone, for the script to put in
// place.
func (s *Server) serveStandingPart(w http.ResponseWriter, r *http.Request) {
	s.render(w, r, http.StatusOK, "standing", s.overviewFrame(r))
}

// lastTold is how many messages the overview shows.
const lastTold = 3

func (s *Server) overviewFrame(r *http.Request) frame {
	now := s.o.Now()
	f := s.frame(r, "overview", now)
	o := s.overview(f.voice, now)
	if len(o.Standing) > 0 {
		o.Told, o.NotTold = s.told(r, f.voice, now)
		o.Told = o.Told[:min(len(o.Told), lastTold)]
		o.NoneTold = s.nobodyTold(f.voice)
	}
	f.Title, f.Page = o.title(s.o.Site), o
	return f
}

// postView puts one of the posts into words.
func (s *Server) postView(v voice, st acquire.Stats, stats []acquire.Stats, now time.Time) postView {
	p := v.viewOf(st, now)
	p.Notes = append(v.sums(s.o.Sums, stats, st.Post.ID), p.Notes...)
	return p
}
