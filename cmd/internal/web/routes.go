package web

import "net/http"

// room is one page with what belongs to it. Each stands in a Go file of its own,
// which adds its routes; its template is pages/NAME.html, its texts are
// texts/en/NAME.txt, and its script, if it has one, is static/NAME.js.
type room struct {
	name string // of template, texts and script
	path string // of its entry in the navigation; empty: it has none
	add  func(*Server, routes)
}

// rooms lists the pages, in the order of the navigation.
func rooms() []room {
	return []room{
		{"overview", "/", (*Server).addOverview},
		{"post", "", (*Server).addPost},
		{"alarms", "/alarms", (*Server).addAlarms},
		{"ovens", "/ovens", (*Server).addOvens},
		{"surveys", "/surveys", (*Server).addSurveys},
		{"surveynew", "", (*Server).addSurveyNew},
		{"survey", "", (*Server).addSurvey},
		{"runs", "/runs", (*Server).addRuns},
		{"reports", "/reports", (*Server).addReports},
		{"round", "", (*Server).addRound},
	}
}

// routes takes the routes of a room.
type routes struct {
	mux *http.ServeMux
	s   *Server
}

// get serves GET and HEAD at a pattern of http.ServeMux.
func (rt routes) get(pattern string, h http.HandlerFunc) {
	rt.mux.Handle(pattern, method(http.MethodGet, h))
}

// post makes a change at a pattern: it checks that this viewer may, and reads
// who says so. A browser whose change was refused is shown the page by back.
func (rt routes) post(pattern string, back refused, act action) {
	rt.mux.Handle(pattern, method(http.MethodPost, rt.s.change(back, act)))
}

// refused shows the page a form came from, with what was typed and why the
// change was not made.
type refused func(w http.ResponseWriter, r *http.Request, status int, said word, trouble string)
