package web

import (
	"fmt"
	"net/http"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/quantity"
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
	Posts     []postView
	Standing  []alarmView
	AlarmsTag string // changes when the page of alarms does
}

// overview asks the station once and puts its answer into words. charts says
// whether to draw the traces too, which only a whole page needs.
func (s *Server) overview(say voice, now time.Time, charts bool) overview {
	var o overview
	stats := s.o.Station.Stats()
	for _, st := range stats {
		o.Posts = append(o.Posts, s.postView(say, st, stats, now, charts))
	}
	open, ended := say.alarmViews(s.o.Station.Alarms(), stats, now)
	o.AlarmsTag = tagOf(open, ended)
	for _, a := range open {
		if a.Standing {
			o.Standing = append(o.Standing, a)
		}
	}
	o.Headline = headline(o.Posts, open)
	o.Tally = say.tally(o.Posts, open)
	worstFirst(o.Posts)
	return o
}

// postView puts one of the posts into words.
func (s *Server) postView(say voice, st acquire.Stats, stats []acquire.Stats, now time.Time, chart bool) postView {
	trace := s.o.Station.Trace(st.Index)
	v := say.viewOf(st, trace, now)
	v.Notes = append(sumWords(s.o.Sums, stats, st.Post.ID), v.Notes...)
	if chart {
		v.Chart = say.chartOf(trace, st.Post.Limits(), now, gapOf(st.Post))
	}
	return v
}

func (o overview) title(site string) string { return o.Headline[0].Text + " · " + site }

func (s *Server) serveOverview(w http.ResponseWriter, r *http.Request) {
	now := s.o.Now()
	f := s.frame(r, "overview", now)
	o := s.overview(f.voice, now, true)
	f.Title, f.Page = o.title(s.o.Site), o
	s.show(w, r, http.StatusOK, f)
}

// serveStandingPart renders the standing alarms alone, for the script to put in
// place.
func (s *Server) serveStandingPart(w http.ResponseWriter, r *http.Request) {
	now := s.o.Now()
	f := s.frame(r, "overview", now)
	f.Page = s.overview(f.voice, now, false)
	s.render(w, r, http.StatusOK, "standing", f)
}

// Scale is W/m² in 1 mW/cm², for the script that draws charts.
func (overview) Scale() string { return fmt.Sprint(quantity.MilliwattPerSquareCentimetre().ToSI(1)) }
