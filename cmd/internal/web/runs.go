package web

import "net/http"

func (s *Server) addRuns(rt routes) {
	rt.get("/runs", s.serveRuns)
}

func (s *Server) serveRuns(w http.ResponseWriter, r *http.Request) {
	s.show(w, r, http.StatusOK, s.frame(r, "runs", s.o.Now()))
}
