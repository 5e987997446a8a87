package web

import (
	"net/http"
	"strings"
)

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
		{"alarm", "", (*Server).addAlarm},
		{"ovens", "/ovens", (*Server).addOvens},
		{"oven", "", (*Server).addOven},
		{"probes", "/probes", (*Server).addProbes},
		{"probe", "", (*Server).addProbe},
		{"surveys", "/surveys", (*Server).addSurveys},
		{"surveynew", "", (*Server).addSurveyNew},
		{"survey", "", (*Server).addSurvey},
		{"runs", "/runs", (*Server).addRuns},
		{"soak", "", (*Server).addSoak},
		{"reports", "/reports", (*Server).addReports},
		{"round", "", (*Server).addRound},
		{"problem", "", func(*Server, routes) {}}, // in place of one that cannot be shown
	}
}

// routes collects what is served.
type routes struct {
	all *[]route
	s   *Server
}

// route is one thing that is served.
type route struct {
	method  string // GET, which stands for HEAD too, or POST
	pattern string // of http.ServeMux, without a method
	handle  http.HandlerFunc
	changes bool // it is taken from operators only
}

// get serves GET and HEAD at a pattern of http.ServeMux.
func (rt routes) get(pattern string, h http.HandlerFunc) {
	*rt.all = append(*rt.all, route{method: http.MethodGet, pattern: pattern, handle: h})
}

// post makes a change at a pattern: it checks that this viewer may, and reads
// who says so. A browser whose change was refused is shown the page by back.
func (rt routes) post(pattern string, back refused, act action) {
	rt.edit(pattern, rt.s.change(back, act))
}

// edit makes a change at a pattern by a handler that checks by itself that this
// viewer may: see Server.begin.
func (rt routes) edit(pattern string, h http.HandlerFunc) {
	*rt.all = append(*rt.all, route{http.MethodPost, pattern, h, true})
}

// own takes what concerns nobody but the viewer.
func (rt routes) own(pattern string, h http.HandlerFunc) {
	*rt.all = append(*rt.all, route{method: http.MethodPost, pattern: pattern, handle: h})
}

// refused shows the page a form came from, with what was typed and why the
// change was not made.
type refused func(w http.ResponseWriter, r *http.Request, status int, said word, trouble string)

// routes lists all that is served.
func (s *Server) routes() []route {
	var all []route
	rt := routes{&all, s}
	for _, room := range rooms() {
		room.add(s, rt)
	}
	s.addAPI(rt)
	rt.get("/static/{name}", s.serveStatic)
	rt.own(UnitPath, s.serveUnit)
	rt.get("/-/healthy", probeOf(s.o.Healthy, "healthy"))
	rt.get("/-/ready", probeOf(s.o.Ready, "ready"))
	if s.o.Reload != nil {
		rt.edit(ReloadPath, s.serveReload)
	}
	if s.o.Metrics != nil {
		rt.get("/metrics", s.o.Metrics.ServeHTTP)
	}
	return all
}

// Handler returns the routes, behind the headers and guards that all share.
func (s *Server) Handler() http.Handler {
	mux := http.NewServeMux()
	by := map[string]map[string]http.HandlerFunc{}
	for _, r := range s.routes() {
		if by[r.pattern] == nil {
			by[r.pattern] = map[string]http.HandlerFunc{}
			mux.Handle(r.pattern, methods(by[r.pattern]))
		}
		by[r.pattern][r.method] = s.toPeople(r.handle)
	}
	mux.HandleFunc("/", s.toPeople(func(w http.ResponseWriter, r *http.Request) {
		sendProblem(w, r, http.StatusNotFound, "nothing is served at this path; the page is at /")
	}))
	return s.outermost(mux)
}

// toPeople has a browser that looks at a page, or sends the form of one, told on a page why
// that cannot be.
func (s *Server) toPeople(h http.HandlerFunc) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		first, _, _ := strings.Cut(strings.TrimPrefix(r.URL.Path, "/"), "/")
		page := r.Method == http.MethodGet
		switch first {
		case "api": // which takes the forms
			page = r.Method == http.MethodPost
		case "part", "static", "-", "metrics":
			page = false
		}
		if page && wantsPage(r) {
			w = &forPeople{w, s, r}
		}
		h(w, r)
	}
}

// forPeople is an answer whose problem is a page.
type forPeople struct {
	http.ResponseWriter
	s *Server
	r *http.Request
}

func (f *forPeople) Unwrap() http.ResponseWriter { return f.ResponseWriter }

func (f *forPeople) tell(p problem) {
	page := f.s.frame(f.r, "problem", f.s.o.Now())
	page.Page = page.said(p.Detail)
	f.s.show(f.ResponseWriter, f.r, p.Status, page)
}

// methods answers the methods that a path takes (GET stands for HEAD too) and
// refuses the others.
func methods(all map[string]http.HandlerFunc) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		asked := r.Method
		if asked == http.MethodHead {
			asked = http.MethodGet
		}
		if h := all[asked]; h != nil {
			h(w, r)
			return
		}
		var allow []string
		if all[http.MethodGet] != nil {
			allow = append(allow, "GET", "HEAD")
		}
		if all[http.MethodPost] != nil {
			allow = append(allow, "POST")
		}
		w.Header().Set("Allow", strings.Join(allow, ", "))
		sendProblem(w, r, http.StatusMethodNotAllowed, "this path takes "+strings.Join(allow, ", ")+" only")
	})
}
