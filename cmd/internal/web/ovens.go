package web

import "net/http"

func (s *Server) addOvens(rt routes) {
	rt.get("/ovens", func(w http.ResponseWriter, r *http.Request) { s.showOvens(w, r, http.StatusOK, word{}, "") })
	rt.post("/api/v1/ovens/{id}/withdraw", s.showOvens, s.withdraw)
	rt.post("/api/v1/ovens/{id}/return", s.showOvens, s.returnOven)
}

// showOvens shows the page, with the problem of a refused change if any.
func (s *Server) showOvens(w http.ResponseWriter, r *http.Request, status int, said word, trouble string) {
	f := s.frame(r, "ovens", s.o.Now())
	f.Said, f.Problem = said, trouble
	s.show(w, r, status, f)
}
