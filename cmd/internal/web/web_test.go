package web

import (
	"context"
	"encoding/json"
	"errors"
	"math"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"

	"ovenward/acquire"
	"ovenward/acquire/alarm"
)

func TestEveryRouteCarriesTheHeaders(t *testing.T) {
	s := newServer(newFake(noon()))
	for _, path := range []string{"/", "/part/alarms", "/alarms", "/posts/galley", "/ovens", "/surveys", "/runs", "/static/shell.js", "/static/none", "/api/v1/posts", "/api/v1/posts/galley/trace",
		"/api/v1/alarms", "/api/v1/events", "/api/v1/posts/galley/zero", "/metrics", "/-/healthy", "/-/ready", "/nothing"} {
		h := get(t, s, path).Header()
		for name, want := range map[string]string{
			"X-Content-Type-Options": "nosniff", "Referrer-Policy": "same-origin", "Cross-Origin-Opener-Policy": "same-origin",
			"Cross-Origin-Resource-Policy": "same-origin", "X-Frame-Options": "DENY", "Content-Security-Policy": contentPolicy,
		} {
			if got := h.Get(name); got != want {
				t.Errorf("%s: %s is %q, want %q", path, name, got, want)
			}
		}
		if h.Get("Content-Type") == "" || h.Get("Cache-Control") == "" {
			t.Errorf("%s: Content-Type %q, Cache-Control %q", path, h.Get("Content-Type"), h.Get("Cache-Control"))
		}
	}
	for _, part := range []string{"default-src 'none'", "frame-ancestors 'none'", "script-src 'self'", "style-src 'self'"} {
		if !strings.Contains(contentPolicy, part) {
			t.Errorf("the content policy lacks %s", part)
		}
	}
	if strings.Contains(contentPolicy, "unsafe") || strings.Contains(contentPolicy, "*") {
		t.Error("the content policy is not strict")
	}
}

// asProblem reads an answer as RFC 9457 wants it.
func asProblem(t *testing.T, w *httptest.ResponseRecorder, status int) problem {
	t.Helper()
	var p problem
	if w.Code != status || w.Header().Get("Content-Type") != "application/problem+json" {
		t.Errorf("got %d %s, want %d as a problem: %s", w.Code, w.Header().Get("Content-Type"), status, w.Body)
	}
	if err := json.Unmarshal(w.Body.Bytes(), &p); err != nil || p.Status != status || p.Title == "" || p.Detail == "" || p.Type == "" {
		t.Errorf("no whole problem: %v %+v", err, p)
	}
	return p
}

func TestProblems(t *testing.T) {
	s := newServer(newFake(noon()), func(o *Options) {
		o.Ready = func() error { return errors.New("no post has answered yet") }
		o.Healthy = func() error { return errors.New("the record cannot be written") }
		o.Events = func(context.Context, int64, int) ([]acquire.Event, error) { return nil, errors.New("disk") }
	})
	for _, c := range []struct {
		path   string
		status int
		says   string
	}{
		{"/nothing", 404, "the page is at /"},
		{"/static/none", 404, "no such file"},
		{"/api/v1/posts/none/trace", 404, "no such post"},
		{"/api/v1/alarms/x/acknowledge", 405, "POST"},
		{"/api/v1/events?after=-1", 400, "after"},
		{"/api/v1/events?after=x", 400, "after"},
		{"/api/v1/events?limit=0", 400, "limit"},
		{"/api/v1/events?limit=1001", 400, "limit"},
		{"/api/v1/events", 503, "the record could not be read"},
		{"/-/ready", 503, "no post has answered yet"},
		{"/-/healthy", 503, "the record cannot be written"},
	} {
		if p := asProblem(t, get(t, s, c.path), c.status); !strings.Contains(p.Detail, c.says) {
			t.Errorf("%s: %q does not say %q", c.path, p.Detail, c.says)
		}
	}
	if allow := get(t, s, "/api/v1/posts/galley/zero").Header().Get("Allow"); allow != "POST" {
		t.Errorf("Allow is %q", allow)
	}
	f := newFake(noon())
	f.panics = true
	asProblem(t, get(t, newServer(f), "/"), 500)
}

func TestHealthAndMetrics(t *testing.T) {
	s := newServer(newFake(noon()))
	for path, want := range map[string]string{"/-/healthy": "Ovenward is healthy.\n", "/-/ready": "Ovenward is ready.\n", "/metrics": "ovenward_simulated 0\n"} {
		if w := get(t, s, path); w.Code != 200 || w.Body.String() != want {
			t.Errorf("%s: %d %q", path, w.Code, w.Body)
		}
	}
}

func TestStaticByTag(t *testing.T) {
	s := newServer(newFake(noon()))
	first := get(t, s, "/static/ovenward.css")
	tag := first.Header().Get("ETag")
	if first.Code != 200 || tag == "" || !strings.HasPrefix(first.Header().Get("Content-Type"), "text/css") {
		t.Fatalf("%d, ETag %q, %s", first.Code, tag, first.Header().Get("Content-Type"))
	}
	r := httptest.NewRequest(http.MethodGet, "/static/ovenward.css", nil)
	r.Header.Set("If-None-Match", tag)
	w := httptest.NewRecorder()
	s.Handler().ServeHTTP(w, r)
	if w.Code != http.StatusNotModified || w.Body.Len() != 0 {
		t.Errorf("asked by tag: %d, %d bytes", w.Code, w.Body.Len())
	}
	// Nothing is fetched from elsewhere, and the script stays small.
	for name, a := range s.static {
		text := strings.ReplaceAll(string(a.body), "http://www.w3.org/2000/svg", "")
		if strings.Contains(text, "http:") || strings.Contains(text, "https:") || strings.Contains(text, "@import") {
			t.Errorf("%s names another place", name)
		}
		if lines := strings.Count(text, "\n"); lines > 400 {
			t.Errorf("%s has %d lines", name, lines)
		}
	}
}

func TestPostsAPI(t *testing.T) {
	f := newFake(noon())
	f.stats[0] = seeing(0, f.stats[0].Post, 14.3, noon())
	f.stats[1] = overRanged(f.stats[1])
	f.stats[2] = blinded(f.stats[2], acquire.SilentNow, "no answer")
	f.stats = append(f.stats, quiet(seeing(3, aPost("annex", "Annex oven", ""), -30, noon())))
	w := get(t, newServer(f, func(o *Options) { o.Simulated = true }), "/api/v1/posts")
	var got struct {
		Now       string `json:"now"`
		Simulated bool   `json:"simulated"`
		Posts     []struct {
			ID    string   `json:"id"`
			State string   `json:"value_state"`
			Value *float64 `json:"value_w_per_m2"`
			Ratio *float64 `json:"limit_ratio"`
			Limit struct {
				Value    float64 `json:"value_w_per_m2"`
				Distance float64 `json:"distance_m"`
			} `json:"limit"`
			Verdict struct {
				Outcome string   `json:"outcome"`
				Ratio   *float64 `json:"limit_ratio"`
				Reasons []string `json:"reasons"`
			} `json:"verdict"`
		} `json:"posts"`
	}
	if err := json.Unmarshal(w.Body.Bytes(), &got); err != nil {
		t.Fatalf("%v: %s", err, w.Body)
	}
	if got.Now != "2026-06-03T12:00:00.000Z" || !got.Simulated || len(got.Posts) != 4 {
		t.Fatalf("got %+v", got)
	}
	above, over, blind := got.Posts[0], got.Posts[1], got.Posts[2]
	if above.State != "value" || above.Value == nil || *above.Value != 14.3 || above.Ratio == nil || math.Abs(*above.Ratio-1.43) > 1e-12 ||
		above.Limit.Value != 10 || above.Limit.Distance != 0.05 || above.Verdict.Outcome != "exceeds" || len(above.Verdict.Reasons) == 0 {
		t.Errorf("above: %+v", above)
	}
	if over.State != "over range" || over.Value != nil || over.Ratio != nil || over.Verdict.Ratio != nil || over.Verdict.Outcome != "exceeds" {
		t.Errorf("over range: %+v", over)
	}
	if low := got.Posts[3]; low.State != "below zero" || low.Value != nil || low.Ratio != nil {
		t.Errorf("so far below zero that the zero is off: %+v", low)
	}
	if blind.State != "not seen" || blind.Value != nil || blind.Ratio != nil || blind.Verdict.Outcome != "not decided" {
		t.Errorf("blind: %+v", blind)
	}
}

func TestTraceAPI(t *testing.T) {
	f := newFake(noon())
	f.traces[0] = wave(noon(), 20, true)
	var got struct {
		Width float64    `json:"width_s"`
		Lo    []*float64 `json:"lo_w_per_m2"`
		Hi    []*float64 `json:"hi_w_per_m2"`
		Over  []bool     `json:"over_range"`
	}
	w := get(t, newServer(f), "/api/v1/posts/galley/trace")
	if err := json.Unmarshal(w.Body.Bytes(), &got); err != nil {
		t.Fatal(err)
	}
	if got.Width != 0.25 || len(got.Lo) != 1200 || len(got.Hi) != 1200 || len(got.Over) != 1200 {
		t.Fatalf("width %v, %d slots", got.Width, len(got.Lo))
	}
	if got.Lo[400] != nil || got.Over[400] || got.Lo[0] == nil || got.Hi[1150] != nil || !got.Over[1150] {
		t.Error("an unseen slot, a seen one and one over range are not told apart")
	}
}

func TestAlarmsAPI(t *testing.T) {
	f := newFake(noon())
	f.stats[0].Alarms = []alarm.Alarm{stood("galley", alarm.Silent, alarm.Normal, noon()), {Post: "galley", Rule: alarm.Stuck}}
	f.stats[1].Alarms = []alarm.Alarm{stood("ward", alarm.Exceeds, alarm.LatchedUnacknowledged, noon())}
	var got struct {
		Alarms []alarmJSON `json:"alarms"`
	}
	if err := json.Unmarshal(get(t, newServer(f), "/api/v1/alarms").Body.Bytes(), &got); err != nil {
		t.Fatal(err)
	}
	if len(got.Alarms) != 2 || got.Alarms[0].Post != "ward" || !got.Alarms[0].Standing || got.Alarms[0].Priority != "high" || got.Alarms[1].Standing {
		t.Errorf("got %+v", got.Alarms)
	}
}

func TestEventsAPI(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	event := acquire.Event{ID: 7, At: noon(), Post: "galley", Kind: acquire.KindAlarm, Text: "over range",
		Alarm: &alarm.Change{Verdict: &alarm.Grounds{Outcome: "exceeds", Value: &inf, Uncertainty: &nan, Limit: 10}}}
	var after int64
	var limit int
	s := newServer(newFake(noon()), func(o *Options) {
		o.Events = func(_ context.Context, a int64, n int) ([]acquire.Event, error) {
			after, limit = a, n
			return []acquire.Event{event}, nil
		}
	})
	w := get(t, s, "/api/v1/events?after=6&limit=20")
	var got struct {
		Events []acquire.Event `json:"events"`
		Next   int64           `json:"next_after"`
	}
	if err := json.Unmarshal(w.Body.Bytes(), &got); err != nil {
		t.Fatalf("%v: %s", err, w.Body)
	}
	if after != 6 || limit != 20 || got.Next != 7 || len(got.Events) != 1 || got.Events[0].Alarm.Verdict.Value != nil {
		t.Errorf("asked after %d limit %d, got %+v", after, limit, got)
	}
	if *event.Alarm.Verdict.Value != inf {
		t.Error("the event itself was changed")
	}
}
