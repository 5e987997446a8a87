package web

import (
	"net/http"
	"strings"

	"ovenward/acquire"
	"ovenward/acquire/alarm"
	"ovenward/acquire/store"
)

// route is one thing that is served. A route of the API carries its doc, from
// which the OpenAPI document is made.
type route struct {
	method  string // GET, which stands for HEAD too, or POST, which is a change
	pattern string
	handle  http.HandlerFunc
	doc     *doc
}

// routes lists all that is served.
func (s *Server) routes() []route {
	all := append(s.pageRoutes(), s.readRoutes()...)
	return append(all, s.changeRoutes()...)
}

// show and post make routes.
func show(pattern string, h http.HandlerFunc, d *doc) route {
	return route{http.MethodGet, pattern, h, d}
}

func (s *Server) post(pattern string, act action, d *doc) route {
	d.in, d.out = word{}, doneJSON{}
	return route{http.MethodPost, pattern, s.change(act), d}
}

// pageRoutes are for people, and for those who watch the daemon itself.
func (s *Server) pageRoutes() []route {
	all := []route{
		show("/{$}", s.servePage, nil),
		show("/part/alarms", s.serveAlarmsPart, nil),
		show("/static/{name}", s.serveStatic, nil),
		show("/-/healthy", probeOf(s.o.Healthy, "healthy"), nil),
		show("/-/ready", probeOf(s.o.Ready, "ready"), nil),
	}
	if s.o.Metrics != nil {
		all = append(all, show("/metrics", s.o.Metrics.ServeHTTP, nil))
	}
	return all
}

// readRoutes are those of the API that change nothing.
func (s *Server) readRoutes() []route {
	return []route{
		show("/api/v1/openapi.json", s.serveDocument, &doc{tag: "this document", summary: "What is served here, as OpenAPI 3.1", out: map[string]any{}}),
		show("/api/v1/posts", s.servePosts, &doc{tag: "posts", summary: "All posts, with value, condition and verdicts", out: postsJSON{}}),
		show("/api/v1/posts/{id}/trace", s.serveTrace, &doc{tag: "posts", summary: "The newest minutes of a post, in columns", out: traceJSON{}}),
		show("/api/v1/sums", s.serveSums, &doc{tag: "posts", summary: "Several frequencies at one place, judged together", out: sumsJSON{}}),
		show("/api/v1/alarms", s.serveAlarms, &doc{tag: "alarms", summary: "The newest occurrence of every alarm that ever stood", out: alarmsJSON{}}),
		show("/api/v1/alarms/summary", s.serveSummary, &doc{tag: "alarms", summary: "How much the alarms asked of people", out: summaryJSON{},
			query: []param{{"days", "how many days back, 7 where not said", 1, mostDays}}}),
		show("/api/v1/told", s.serveTold, &doc{tag: "alarms", summary: "What was told to whom and what came back, the newest first", out: messagesJSON{},
			query: []param{{"before", "only ids below", 0, 0}, {"event", "only of this event", 0, 0}, {"limit", "at most so many", 1, mostEvents},
				{"courier", "only by this courier", noNumber, 0}, {"outcome", "accepted or refused", noNumber, 0}}}),
		show("/api/v1/events", s.serveEvents, &doc{tag: "events", summary: "What happened, the oldest first", out: eventsJSON{},
			query: []param{{"after", "only ids above", 0, 0}, {"limit", "at most so many", 1, mostEvents}}}),
		show("/api/v1/events/stream", s.serveEventStream, &doc{tag: "events", kind: eventStream,
			summary: "What happens, as server-sent events with the ids of the events; Last-Event-ID or after goes on behind one",
			query:   []param{{"after", "only ids above; without it and without Last-Event-ID what happens from now on", 0, 0}}}),
		show("/api/v1/live", s.serveLive, &doc{tag: "posts", kind: eventStream,
			summary: "The state of the page as server-sent events, at most four a second; Last-Event-ID leaves out what was seen already"}),
	}
}

// changeRoutes are those by which operators change something.
func (s *Server) changeRoutes() []route {
	var all []route
	for _, c := range []struct {
		path, summary string
		act           action
	}{
		{"alarms/{id}/acknowledge", "Say that an alarm was seen", s.acknowledge},
		{"alarms/{id}/reset", "End a latched alarm, naming repair or survey", s.reset},
		{"alarms/{id}/shelve", "Set an alarm aside for a time, with a reason", s.onAlarm(alarm.Shelve)},
		{"alarms/{id}/unshelve", "Take an alarm off the shelf", s.onAlarm(alarm.Unshelve)},
		{"alarms/{id}/comment", "Remark something on an alarm", s.onAlarm(alarm.Comment)},
		{"alarms/{id}/take-out", "Take an alarm out of service", s.onAlarm(alarm.TakeOut)},
		{"alarms/{id}/put-back", "Put an alarm back into service", s.onAlarm(alarm.PutBack)},
		{"posts/{id}/away", "Say that the probe is away for a survey", s.announce(alarm.Away)},
		{"posts/{id}/test", "Say that the probe is under test", s.announce(alarm.UnderTest)},
		{"posts/{id}/back", "Say that this is over", s.conclude},
		{"posts/{id}/checked", "Say that the position of the probe was checked", s.checked},
		{"posts/{id}/runs", "Say that the oven is known to run", s.runs},
		{"posts/{id}/zero", "Take what the probe reads now as its zero", s.zero},
		{"posts/{id}/accept-instrument", "Accept another instrument at a post", s.acceptInstrument},
		{"ovens/{id}/withdraw", "Take an oven out of use", s.withdraw},
		{"ovens/{id}/return", "Put a withdrawn oven back into use", s.returnOven},
	} {
		tag, _, _ := strings.Cut(c.path, "/")
		all = append(all, s.post("/api/v1/"+c.path, c.act, &doc{tag: tag, summary: c.summary}))
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
		by[r.pattern][r.method] = r.handle
	}
	mux.HandleFunc("/", func(w http.ResponseWriter, r *http.Request) {
		sendProblem(w, r, http.StatusNotFound, "nothing is served at this path; the page is at /")
	})
	return s.outermost(mux)
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

// The answers of the API that wrap others.
type (
	postsJSON struct {
		Now       string     `json:"now"`
		Site      string     `json:"site"`
		Simulated bool       `json:"simulated"`
		Posts     []postJSON `json:"posts"`
	}
	sumsJSON struct {
		Now  string    `json:"now"`
		Sums []sumJSON `json:"sums"`
	}
	alarmsJSON struct {
		Now    string      `json:"now"`
		Alarms []alarmJSON `json:"alarms"`
	}
	eventsJSON struct {
		Events []acquire.Event `json:"events"`
		Next   int64           `json:"next_after"`
	}
	messagesJSON struct {
		Messages []store.Told `json:"messages"`
	}
	doneJSON struct {
		Done string `json:"done"`
		Who  string `json:"who"`
	}
)

// The same but for the clock: what an ETag is made of.
func (j postsJSON) untimed() any  { j.Now = ""; return j }
func (j sumsJSON) untimed() any   { j.Now = ""; return j }
func (j alarmsJSON) untimed() any { j.Now = ""; return j }
