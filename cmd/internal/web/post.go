package web

import (
	"bytes"
	"encoding/csv"
	"fmt"
	"math"
	"net/http"
	"strconv"
	"strings"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/alarm"
)

func (s *Server) addPost(rt routes) {
	rt.get("/posts/{id}", func(w http.ResponseWriter, r *http.Request) { s.showPost(w, r, http.StatusOK, word{}, "") })
	rt.get("/part/strip/{id}", s.serveStripPart)
	rt.get("/posts/{id}/chart.svg", s.serveStripSVG)
	rt.get("/posts/{id}/chart.csv", s.serveStripCSV)
	rt.get("/api/v1/posts/{id}/series", s.serveSeries)
	rt.post("/api/v1/posts/{id}/away", s.showPost, s.announce(alarm.Away))
	rt.post("/api/v1/posts/{id}/test", s.showPost, s.announce(alarm.UnderTest))
	rt.post("/api/v1/posts/{id}/back", s.showPost, s.conclude)
	rt.post("/api/v1/posts/{id}/checked", s.showPost, s.checked)
	rt.post("/api/v1/posts/{id}/runs", s.showPost, s.runs)
	rt.post("/api/v1/posts/{id}/zero", s.showPost, s.zero)
	rt.post("/api/v1/posts/{id}/accept-instrument", s.showPost, s.acceptInstrument)
}

// postPage is what the page of one post shows.
type postPage struct {
	Post     postView
	Strip    strip
	NotShown string // why the strip chart cannot be shown
	Budget   budgetView
	Alarms   []alarmView // of this post that stand or wait
	Who      string
}

// postFrame makes the page of a post. It returns false when it has answered that
// there is none.
func (s *Server) postFrame(w http.ResponseWriter, r *http.Request) (frame, postPage, bool) {
	now := s.o.Now()
	stats := s.o.Station.Stats()
	st, ok := statsOf(stats, r.PathValue("id"))
	if !ok {
		sendProblem(w, r, http.StatusNotFound, noSuchPost)
		return frame{}, postPage{}, false
	}
	at, wrong := viewOfQuery(r, now)
	if wrong != "" {
		sendProblem(w, r, http.StatusBadRequest, wrong)
		return frame{}, postPage{}, false
	}
	f := s.frame(r, "post", now)
	p := postPage{Post: s.postView(f.voice, st, stats, now), Budget: f.budget(st.Post, now)}
	p.Alarms, _ = f.alarmViews(st.Alarms, stats, now)
	what, err := s.see(r.Context(), f.voice, st, at)
	if err != nil {
		s.log.Error("the past of a post could not be read", "post", st.Post.ID, "err", err)
		p.NotShown = f.t("post.not_shown", "why", f.said(err.Error()))
	}
	p.Strip = f.strip(st, what)
	p.Post.Title, p.Post.Oven = f.nameOf(st.Post, postsAt(stats))
	f.Title = f.postNames(stats)[st.Post.ID] + " · " + s.o.Site
	return f, p, true
}

// showPost shows the page of the post that the path names, with the problem of a
// refused change if any.
func (s *Server) showPost(w http.ResponseWriter, r *http.Request, status int, said word, trouble string) {
	f, p, ok := s.postFrame(w, r)
	if !ok {
		return
	}
	if p.Who = said.Who; f.User != "" {
		p.Who = f.User
	}
	f.Said, f.Problem, f.Page = said, f.said(trouble), p
	s.show(w, r, status, f)
}

// serveStripPart renders the strip chart alone, for the script to put in place.
func (s *Server) serveStripPart(w http.ResponseWriter, r *http.Request) {
	if f, p, ok := s.postFrame(w, r); ok {
		f.Page = p
		s.render(w, r, http.StatusOK, "strip", f)
	}
}

// serveStripSVG gives what is seen as a drawing of its own.
func (s *Server) serveStripSVG(w http.ResponseWriter, r *http.Request) {
	f, p, ok := s.postFrame(w, r)
	if !ok {
		return
	}
	if p.NotShown != "" {
		sendProblem(w, r, http.StatusServiceUnavailable, p.NotShown)
		return
	}
	f.Page = p
	var body bytes.Buffer
	if err := s.pages["post"]().ExecuteTemplate(&body, "svg", f); err != nil {
		s.log.Error("a chart could not be rendered; please report this", "err", err)
		sendProblem(w, r, http.StatusInternalServerError, "the chart could not be rendered; the log says more")
		return
	}
	attach(w, "image/svg+xml", fileName(p, "svg"))
	_, _ = w.Write(append([]byte(`<?xml version="1.0" encoding="UTF-8"?>`+"\n"), bytes.TrimSpace(body.Bytes())...)) // the client may be gone
}

// serveStripCSV gives what is seen as numbers: instants in UTC, values in the
// viewer's unit, which the head names.
func (s *Server) serveStripCSV(w http.ResponseWriter, r *http.Request) {
	now := s.o.Now()
	st, ok := statsOf(s.o.Station.Stats(), r.PathValue("id"))
	if !ok {
		sendProblem(w, r, http.StatusNotFound, noSuchPost)
		return
	}
	at, wrong := viewOfQuery(r, now)
	if wrong != "" {
		sendProblem(w, r, http.StatusBadRequest, wrong)
		return
	}
	v := s.voiceOf(r)
	points, err := s.points(r.Context(), st, at.from(), at.to(), max(at.width/perPoint, 1))
	if err != nil && len(points) == 0 {
		sendProblem(w, r, http.StatusServiceUnavailable, "the record could not be read: "+err.Error())
		return
	}
	attach(w, "text/csv; charset=utf-8", fileName(postPage{Strip: strip{Post: st.Post.ID, FromMS: at.from().UnixMilli()}}, "csv"))
	out := csv.NewWriter(w)
	u := v.unit.String()
	_ = out.Write([]string{"from_utc", "to_utc", "lowest (" + u + ")", "mean (" + u + ")", "highest (" + u + ")", "samples", "values",
		"seen_s", "over_range_s", "simulated", "quality"})
	for i := range points {
		p := &points[i]
		lo, mean, hi := "", "", ""
		if p.Values > 0 {
			lo, mean, hi = v.figure(p.Min), v.figure(p.Mean()), v.figure(p.Max)
		}
		_ = out.Write([]string{instant(p.From), instant(p.To), lo, mean, hi, strconv.FormatInt(p.Samples, 10), strconv.FormatInt(p.Values, 10),
			trim(p.Seen.Seconds()), trim(p.OverRange.Seconds()), strconv.FormatBool(st.Post.Probe.Simulated), v.quality(p)})
	}
	out.Flush() // the client may be gone; nothing is lost
}

func attach(w http.ResponseWriter, kind, name string) {
	w.Header().Set("Content-Type", kind)
	w.Header().Set("Content-Disposition", fmt.Sprintf("attachment; filename=%q", name))
}

// fileName names a download by its post and first instant, in letters that every
// file system takes.
func fileName(p postPage, ext string) string {
	post := strings.Map(func(c rune) rune {
		if c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z' || c >= '0' && c <= '9' || c == '-' {
			return c
		}
		return '_'
	}, p.Strip.Post)
	return post + "-" + time.UnixMilli(p.Strip.FromMS).UTC().Format("20060102T150405Z") + "." + ext
}

// statsOf finds a post by its id.
func statsOf(stats []acquire.Stats, id string) (acquire.Stats, bool) {
	for _, st := range stats {
		if st.Post.ID == id {
			return st, true
		}
	}
	return acquire.Stats{}, false
}

// figure prints a value in the viewer's unit for a table; empty when there is
// none.
func (v voice) figure(s float64) string {
	if math.IsNaN(s) || math.IsInf(s, 0) {
		return ""
	}
	return strconv.FormatFloat(v.unit.in(quantityOf(s)), 'g', 6, 64)
}
