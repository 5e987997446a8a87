package web

import (
	"net/http"

	"ovenward/acquire/alarm"
)

func (s *Server) addAlarms(rt routes) {
	rt.get("/alarms", func(w http.ResponseWriter, r *http.Request) { s.showAlarms(w, r, http.StatusOK, word{}, "") })
	rt.get("/part/alarms", s.serveAlarmsPart)
	rt.get("/api/v1/alarms", s.serveAlarms)
	rt.get("/api/v1/alarms/summary", s.serveSummary)
	rt.get("/api/v1/told", s.serveTold)
	rt.post("/api/v1/alarms/{id}/acknowledge", s.showAlarms, s.acknowledge)
	rt.post("/api/v1/alarms/{id}/reset", s.showAlarms, s.reset)
	rt.post("/api/v1/alarms/{id}/shelve", s.showAlarms, s.onAlarm(alarm.Shelve))
	rt.post("/api/v1/alarms/{id}/unshelve", s.showAlarms, s.onAlarm(alarm.Unshelve))
	rt.post("/api/v1/alarms/{id}/comment", s.showAlarms, s.onAlarm(alarm.Comment))
	rt.post("/api/v1/alarms/{id}/take-out", s.showAlarms, s.onAlarm(alarm.TakeOut))
	rt.post("/api/v1/alarms/{id}/put-back", s.showAlarms, s.onAlarm(alarm.PutBack))
}

// alarmsPage is what the page of alarms shows.
type alarmsPage struct {
	Open, Ended []alarmView
	Tag         string // changes when Open or Ended do
	Told        []toldView
	NotTold     string // why Told cannot be shown
	NoneTold    string // that nobody was told of anything yet
	Past        pastView
	Summary     *summaryView
}

// alarmsFrame fills in the alarms for whoever asks.
func (s *Server) alarmsFrame(r *http.Request, said word) (frame, alarmsPage) {
	now := s.o.Now()
	f := s.frame(r, "alarms", now)
	var p alarmsPage
	alarms := s.o.Station.Alarms()
	p.Open, p.Ended = f.alarmViews(alarms, s.o.Station.Stats(), now)
	s.toldOf(r.Context(), f.voice, p.Open, alarms, now)
	p.Tag = tagOf(p.Open, p.Ended)
	for i := range p.Open {
		a := &p.Open[i]
		a.mayChange, a.Who, a.Fixed = f.ReadOnly == "", f.User, f.User != ""
		if a.AckURL == r.URL.EscapedPath() || a.ResetURL == r.URL.EscapedPath() {
			a.Who, a.Remedy = said.Who, said.Remedy
			a.Opened = a.ResetURL == r.URL.EscapedPath()
		}
	}
	return f, p
}

// showAlarms shows the page, with the problem of a refused change if any.
func (s *Server) showAlarms(w http.ResponseWriter, r *http.Request, status int, said word, trouble string) {
	f, p := s.alarmsFrame(r, said)
	p.Told, p.NotTold = s.told(r, f.voice, s.o.Now())
	if len(p.Told) == 0 && p.NotTold == "" && s.o.Told != nil {
		p.NoneTold = s.nobodyTold(f.voice)
	}
	p.Past, p.Summary = s.pastView(r, f, s.o.Now()), s.summaryView(r.Context(), f.voice, s.o.Now(), someDays)
	f.Said, f.Problem, f.Page = said, f.said(trouble), p
	s.show(w, r, status, f)
}

// serveAlarmsPart renders the alarms alone, for the script to put in place.
func (s *Server) serveAlarmsPart(w http.ResponseWriter, r *http.Request) {
	f, p := s.alarmsFrame(r, word{})
	f.Page = p
	s.render(w, r, http.StatusOK, "alarms", f)
}
