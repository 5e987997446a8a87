package web

import (
	"net/http"

	"ovenward/acquire"
	"ovenward/acquire/alarm"
)

func (s *Server) addPost(rt routes) {
	rt.get("/posts/{id}", func(w http.ResponseWriter, r *http.Request) { s.showPost(w, r, http.StatusOK, word{}, "") })
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
	Post postView
}

// showPost shows the page of the post that the path names, with the problem of a
// refused change if any.
func (s *Server) showPost(w http.ResponseWriter, r *http.Request, status int, said word, trouble string) {
	now := s.o.Now()
	stats := s.o.Station.Stats()
	st, ok := statsOf(stats, r.PathValue("id"))
	if !ok {
		sendProblem(w, r, http.StatusNotFound, noSuchPost)
		return
	}
	f := s.frame(r, "post", now)
	p := postPage{Post: s.postView(f.voice, st, stats, now, false)}
	f.Title, f.Said, f.Problem, f.Page = p.Post.Title+" · "+s.o.Site, said, trouble, p
	s.show(w, r, status, f)
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
