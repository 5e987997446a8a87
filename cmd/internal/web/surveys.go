package web

import "net/http"

func (s *Server) addSurveys(rt routes) {
	rt.get("/surveys", s.serveSurveys)
}

func (s *Server) serveSurveys(w http.ResponseWriter, r *http.Request) {
	s.show(w, r, http.StatusOK, s.frame(r, "surveys", s.o.Now()))
}
