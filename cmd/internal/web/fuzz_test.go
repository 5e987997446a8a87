package web

import (
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"
)

// Whatever is asked, by whatever path, query, body and kind of body: nothing fails
// inside, and every answer carries the headers.
func FuzzRequests(f *testing.F) {
	for _, r := range newServer(newFake(noon())).routes() {
		f.Add(r.method == http.MethodPost, filled(r.pattern), "from=2026-11-25T10:00:00Z&span=1h&unit=mW/cm2", `{"who":"R. Okafor","why":"seen to"}`, true)
	}
	f.Add(false, "/api/v1/posts/galley/series", "from=1e999&to=-9999-01-01&points=0", "", false)
	f.Add(true, "/alarms/galley.silent/shelve", "", "who=%zz&for=99999999 h", false)
	f.Add(false, "//%2e%2e/%00", "a=%zz;", "", false)
	kept, soaks, surveys := newKeeping(), soaking(noon()), walking(f, noon())
	s := newServer(newFake(noon()), kept.options, soaks.options, func(o *Options) { o.Surveys = surveys })
	h := s.Handler()
	f.Fuzz(func(t *testing.T, post bool, path, query, body string, asJSON bool) {
		u := url.URL{Scheme: "http", Host: "127.0.0.1:24500", Path: "/" + strings.TrimPrefix(path, "/"), RawQuery: query}
		r := httptest.NewRequest(http.MethodGet, "http://127.0.0.1:24500/", strings.NewReader(body))
		r.URL, r.RemoteAddr = &u, "127.0.0.1:50000"
		if post {
			r.Method = http.MethodPost
		} else if strings.Contains(path, "live") || strings.Contains(path, "stream") {
			r.Method = http.MethodHead // which begins no stream
		}
		if r.Header.Set("Content-Type", "application/x-www-form-urlencoded"); asJSON {
			r.Header.Set("Content-Type", "application/json")
		}
		w := httptest.NewRecorder()
		h.ServeHTTP(w, r)
		if w.Code == http.StatusInternalServerError {
			t.Errorf("%s %s?%s with %q: %d %s", r.Method, path, query, body, w.Code, w.Body)
		}
		if w.Header().Get("Content-Security-Policy") != contentPolicy {
			t.Errorf("%s %s: no content policy", r.Method, path)
		}
	})
}
