package web

import (
	"context"
	"encoding/json"
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"github.com/pb33f/libopenapi"
	validator "github.com/pb33f/libopenapi-validator"

	"ovenward/acquire/cycle/history"
	"ovenward/acquire/cycle/stats"
)

// contract is the document as it is served, made ready to check answers by.
func contract(t *testing.T, s *Server) (validator.Validator, map[string]map[string]any) {
	t.Helper()
	w := get(t, s, "/api/v1/openapi.json")
	if w.Code != http.StatusOK || w.Header().Get("Content-Type") != "application/json" {
		t.Fatalf("%d %s", w.Code, w.Header().Get("Content-Type"))
	}
	document, err := libopenapi.NewDocument(w.Body.Bytes())
	if err != nil {
		t.Fatal(err)
	}
	v, errs := validator.NewValidator(document)
	if len(errs) > 0 {
		t.Fatal(errs)
	}
	if ok, wrong := v.ValidateDocument(); !ok {
		for _, e := range wrong {
			t.Errorf("no OpenAPI 3.1 document: %s: %s", e.Message, e.Reason)
		}
	}
	var d struct{ Paths map[string]map[string]any }
	if err := json.Unmarshal(w.Body.Bytes(), &d); err != nil {
		t.Fatal(err)
	}
	return v, d.Paths
}

func TestDocumentNamesEveryRoute(t *testing.T) {
	s := newServer(newFake(noon()), newKeeping().options)
	_, paths := contract(t, s)
	n, seen := 0, map[string]bool{}
	for _, r := range s.routes() {
		if !strings.HasPrefix(r.pattern, "/api/v1/") {
			continue
		}
		n++
		op, ok := paths[r.pattern][strings.ToLower(r.method)].(map[string]any)
		if !ok {
			t.Errorf("%s %s is served and not in the document", r.method, r.pattern)
			continue
		}
		if id := op["operationId"].(string); seen[id] || op["summary"] == "" {
			t.Errorf("%s %s: operation %q, summary %q", r.method, r.pattern, id, op["summary"])
		} else {
			seen[id] = true
		}
	}
	for path, methods := range paths {
		n -= len(methods)
		for method := range methods {
			// Served, by the answer: 404 of the catch-all and 405 are no answers.
			w := send(s, visitors()[0].ask(strings.ToUpper(method), filled(path)))
			if method == "get" && strings.HasSuffix(path, "live") || strings.HasSuffix(path, "stream") {
				w = send(s, visitors()[0].ask(http.MethodHead, filled(path)))
			}
			if w.Code == http.StatusMethodNotAllowed || strings.Contains(w.Body.String(), "nothing is served at this path") {
				t.Errorf("%s %s is in the document and not served", method, path)
			}
		}
	}
	if n != 0 {
		t.Errorf("%d more routes than operations", n)
	}
}

// checked sends a request and holds request and answer against the document.
func checked(t *testing.T, v validator.Validator, s *Server, r *http.Request) *httptest.ResponseRecorder {
	t.Helper()
	again := r.Clone(r.Context())
	if r.GetBody != nil {
		body, err := r.GetBody()
		if err != nil {
			t.Fatal(err)
		}
		again.Body = body
	}
	w := send(s, r)
	if ok, wrong := v.ValidateHttpResponse(again, w.Result()); !ok {
		for _, e := range wrong {
			t.Errorf("%s %s: %d: %s: %s", r.Method, r.URL, w.Code, e.Message, e.Reason)
			for _, d := range e.SchemaValidationErrors {
				t.Errorf("    %s: %s", d.FieldPath, d.Reason)
			}
		}
	}
	return w
}

// summing sums up any post to an hour in which little was seen.
func summing(o *Options) {
	o.Statistics = func(context.Context, string, history.Per, time.Time, time.Time) ([]history.Stretch, error) {
		return []history.Stretch{{From: noon(), To: noon().Add(time.Hour), Sum: stats.NewSummary(50)}}, nil
	}
}

// Real answers are what the document says, with every kind of state in them, and
// so are problems.
func TestAnswersAreWhatTheDocumentSays(t *testing.T) {
	s := newServer(busy(t), richly, newKeeping().options, func(o *Options) {
		o.Surveys = walking(t, noon())
	}, summing)
	v, paths := contract(t, s)
	for _, route := range s.routes() {
		if d := docs()[route.method+" "+route.pattern]; d == nil || d.streams() {
			continue
		}
		r := visitors()[0].ask(route.method, filled(route.pattern))
		w := checked(t, v, s, r)
		if route.method == http.MethodGet && w.Code != http.StatusOK {
			t.Errorf("%s: %d %s", route.pattern, w.Code, w.Body)
		}
	}
	pages, led := 0, 0
	for _, route := range s.routes() { // a browser that sends a form
		if docs()[route.method+" "+route.pattern] == nil || route.method != http.MethodPost {
			continue
		}
		for _, form := range []string{"", "who=A. Hand&why=dinner&for=1h&remedy=a new seal"} {
			r := visitors()[0].ask(route.method, filled(route.pattern))
			r.Header.Set("Accept", "text/html,application/xhtml+xml,*/*;q=0.8")
			r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
			r.Body = io.NopCloser(strings.NewReader(form))
			switch w := checked(t, v, s, r); {
			case w.Code == http.StatusSeeOther:
				if led++; paths[route.pattern]["post"].(map[string]any)["responses"].(map[string]any)["303"] == nil {
					t.Errorf("%s leads a browser on, and the document does not say so", route.pattern)
				}
			case strings.HasPrefix(w.Header().Get("Content-Type"), "text/html"):
				pages++
			}
		}
	}
	if pages == 0 || led == 0 {
		t.Errorf("a browser got %d pages that say what went wrong, and was led on %d times", pages, led)
	}
	for _, path := range []string{"/api/v1/posts/none/trace", "/api/v1/events?limit=0", "/api/v1/told?outcome=perhaps", "/api/v1/alarms/summary?days=0"} {
		if w := checked(t, v, s, visitors()[0].ask(http.MethodGet, path)); w.Code < 400 {
			t.Errorf("%s: %d", path, w.Code)
		}
	}
	// The check itself can fail.
	bad := httptest.NewRecorder()
	bad.Header().Set("Content-Type", "application/json")
	_, _ = bad.WriteString(`{"events": [], "next_after": "seven"}`)
	if ok, _ := v.ValidateHttpResponse(visitors()[0].ask(http.MethodGet, "/api/v1/events"), bad.Result()); ok {
		t.Error("an answer of another shape passes")
	}
}

func TestTagsAndPacking(t *testing.T) {
	f := busy(t)
	s := newServer(f, richly, newKeeping().options, func(o *Options) { o.Surveys = walking(t, noon()) }, summing)
	for _, route := range s.routes() {
		if d := docs()[route.method+" "+route.pattern]; route.method != http.MethodGet || d == nil || d.streams() {
			continue
		}
		path := filled(route.pattern)
		first := get(t, s, path)
		tag := first.Header().Get("ETag")
		r := httptest.NewRequest(http.MethodGet, "http://127.0.0.1:24500"+path, nil)
		r.Header.Set("If-None-Match", `"other", `+tag)
		r.Header.Set("Accept-Encoding", "br, gzip;q=0.5")
		if w := send(s, r); tag == "" || w.Code != http.StatusNotModified || w.Body.Len() > 0 || w.Header().Get("ETag") != tag {
			t.Errorf("%s: tag %q: asked again: %d, %d bytes", path, tag, w.Code, w.Body.Len())
		}
		r.Header.Del("If-None-Match")
		w := send(s, r)
		packed := w.Header().Get("Content-Encoding") == "gzip"
		if packed != (first.Body.Len() >= leastGzipped) || packed && unpacked(t, w.Body) != first.Body.String() {
			t.Errorf("%s: %d bytes: packed %v, or not the same", path, first.Body.Len(), packed)
		}
	}
	before := get(t, s, "/api/v1/alarms").Header().Get("ETag")
	f.set(func(f *fakeStation) { f.stats[0].Alarms = nil })
	if get(t, s, "/api/v1/alarms").Header().Get("ETag") == before {
		t.Error("another answer has the same tag")
	}
	for said, want := range map[string]bool{"gzip": true, "": false, "gzip;q=0": false, "*": true, "*, gzip; q=0": false, "deflate": false, "GZIP;q=1": true, "*;q=0": false} {
		if takesGzip(said) != want {
			t.Errorf("Accept-Encoding %q: takes gzip %v", said, !want)
		}
	}
}
