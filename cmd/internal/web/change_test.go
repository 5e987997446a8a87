package web

import (
	"errors"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"

	"ovenward/acquire/alarm"
)

// request is a change as a browser on the station sends it, to be spoiled.
func request(path, who, remedy string) *http.Request {
	form := url.Values{"who": {who}}
	if remedy != "" {
		form.Set("remedy", remedy)
	}
	r := httptest.NewRequest(http.MethodPost, "http://127.0.0.1:24500"+path, strings.NewReader(form.Encode()))
	r.RemoteAddr = "127.0.0.1:50000"
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	r.Header.Set("Origin", "http://127.0.0.1:24500")
	r.Header.Set("Sec-Fetch-Site", "same-origin")
	return r
}

func send(s *Server, r *http.Request) *httptest.ResponseRecorder {
	w := httptest.NewRecorder()
	s.Handler().ServeHTTP(w, r)
	return w
}

// latched is a fake whose ward post has a latched exceedance with id.
func latched() (f *fakeStation, id string) {
	f = newFake(noon())
	a := stood("ward", alarm.Exceeds, alarm.LatchedUnacknowledged, noon())
	f.stats[1].Alarms = []alarm.Alarm{a}
	return f, a.ID
}

func TestChangesAreMade(t *testing.T) {
	f, id := latched()
	s := newServer(f)
	for _, c := range []struct{ path, remedy string }{
		{"/api/v1/alarms/" + id + "/acknowledge", ""},
		{"/api/v1/alarms/" + id + "/reset", "door seal replaced, order 118"},
		{"/api/v1/posts/ward/zero", ""},
		{"/api/v1/posts/ward/accept-instrument", ""},
	} {
		if w := send(s, request(c.path, " R. Okafor ", c.remedy)); w.Code != 200 {
			t.Errorf("%s: %d %s", c.path, w.Code, w.Body)
		}
	}
	want := "acknowledge " + id + " R. Okafor\nreset " + id + " R. Okafor: door seal replaced, order 118\nzero ward R. Okafor\naccept ward R. Okafor"
	if f.called() != want {
		t.Errorf("the station heard\n%s\nwant\n%s", f.called(), want)
	}
}

func TestChangesByJSON(t *testing.T) {
	f, id := latched()
	r := request("/api/v1/alarms/"+id+"/acknowledge", "", "")
	r.Body = http.NoBody
	r = r.Clone(t.Context())
	r.Body = readCloser{strings.NewReader(`{"who": "Žofie Nováková"}`)}
	r.Header.Set("Content-Type", "application/json; charset=utf-8")
	if w := send(newServer(f), r); w.Code != 200 || f.called() != "acknowledge "+id+" Žofie Nováková" {
		t.Errorf("%d %s; the station heard %q", w.Code, w.Body, f.called())
	}
}

type readCloser struct{ *strings.Reader }

func (readCloser) Close() error { return nil }

func TestChangesAreRefused(t *testing.T) {
	_, id := latched()
	ack, reset := "/api/v1/alarms/"+id+"/acknowledge", "/api/v1/alarms/"+id+"/reset"
	header := func(name, value string) func(*http.Request) {
		return func(r *http.Request) { r.Header.Set(name, value) }
	}
	for _, c := range []struct {
		name, path, who, remedy string
		spoil                   func(*http.Request)
		status                  int
		says                    string
	}{
		{"another machine", ack, "A", "", func(r *http.Request) { r.RemoteAddr = "192.0.2.7:50000" }, 403, "from the station itself"},
		{"another machine by IPv6", ack, "A", "", func(r *http.Request) { r.RemoteAddr = "[2001:db8::7]:50000" }, 403, "from the station itself"},
		{"no address", ack, "A", "", func(r *http.Request) { r.RemoteAddr = "@" }, 403, "from the station itself"},
		{"forwarded", ack, "A", "", header("Forwarded", "for=127.0.0.1"), 403, "proxy"},
		{"forwarded for", ack, "A", "", header("X-Forwarded-For", "127.0.0.1"), 403, "proxy"},
		{"forwarded with an empty value", ack, "A", "", header("X-Forwarded-Proto", ""), 403, "proxy"},
		{"via", ack, "A", "", header("Via", "1.1 front"), 403, "proxy"},
		{"real address", ack, "A", "", header("X-Real-IP", "127.0.0.1"), 403, "proxy"},
		{"forwarded twice", ack, "A", "", header("X-Original-Forwarded-For", "127.0.0.1"), 403, "proxy"},
		{"true client", ack, "A", "", header("True-Client-IP", "127.0.0.1"), 403, "proxy"},
		{"connecting address", ack, "A", "", header("X-Connecting-IP", "127.0.0.1"), 403, "proxy"},
		{"another site", ack, "A", "", func(r *http.Request) {
			r.Header.Set("Origin", "http://elsewhere.example")
			r.Header.Set("Sec-Fetch-Site", "cross-site")
		}, 403, "another site"},
		{"another origin, old browser", ack, "A", "", func(r *http.Request) {
			r.Header.Set("Origin", "http://elsewhere.example")
			r.Header.Del("Sec-Fetch-Site")
		}, 403, "another site"},
		{"another port of this machine", ack, "A", "", header("Sec-Fetch-Site", "same-site"), 403, "another site"},
		{"a proxy that tells nothing of itself", ack, "A", "", header("Origin", "https://ovenward.larkfield.example"), 403, "a page of another address"},
		{"a page without an address", ack, "A", "", header("Origin", "null"), 403, "a page of another address"},
		{"a foreign name for loopback", ack, "A", "", func(r *http.Request) { r.Host = "rebound.example:24500" }, 403, "another host"},
		{"no name", ack, "", "", nil, 422, "write your name"},
		{"blanks for a name", ack, "   ", "", nil, 422, "write your name"},
		{"a line break in the name", ack, "A\nB", "", nil, 422, "write your name"},
		{"a hidden turn of direction", ack, "A\u202eB", "", nil, 422, "write your name"},
		{"too long a name", ack, strings.Repeat("ä", 65), "", nil, 422, "write your name"},
		{"bytes that are no text", ack, "A\xff", "", nil, 422, "write your name"},
		{"no remedy", reset, "A", "", nil, 422, "name the repair or the survey"},
		{"an empty remedy", reset, "A", " . ", nil, 422, "name the repair or the survey"},
		{"no such alarm", "/api/v1/alarms/none/acknowledge", "A", "", nil, 404, "no alarm with this id stands; it may have ended: the list of alarms tells"},
		{"no such post", "/api/v1/posts/none/zero", "A", "", nil, 404, "no such post"},
		{"a text", ack, "A", "", header("Content-Type", "text/plain"), 415, "send a form or a JSON object"},
		{"no JSON", ack, "A", "", header("Content-Type", "application/json"), 400, "cannot be read"},
		{"too much", ack, strings.Repeat("A", maxBody), "", nil, 413, "at most 8192 bytes"},
	} {
		t.Run(c.name, func(t *testing.T) {
			f, _ := latched()
			r := request(c.path, c.who, c.remedy)
			if c.spoil != nil {
				c.spoil(r)
			}
			if p := asProblem(t, send(newServer(f), r), c.status); !strings.Contains(p.Detail, c.says) {
				t.Errorf("%q does not say %q", p.Detail, c.says)
			}
			if f.called() != "" {
				t.Errorf("the station heard %q", f.called())
			}
		})
	}
}

func TestOwnHosts(t *testing.T) {
	s := newServer(newFake(noon()), func(o *Options) { o.Host = "kitchen-watch" })
	for host, want := range map[string]bool{
		"127.0.0.1:24500": true, "127.9.9.9": true, "[::1]:24500": true, "[::1]": true, "localhost:24500": true, "LOCALHOST": true,
		"kitchen-watch:24500": true, "": false, "192.0.2.7:24500": false, "localhost.example": false, "127.0.0.1.example": false,
		"[2001:db8::1]:24500": false,
	} {
		if got := s.ownHost(host); got != want {
			t.Errorf("host %q: own %v, want %v", host, got, want)
		}
	}
}

// Without a script a form's answer is the page again.
func TestFormsWithoutScript(t *testing.T) {
	f, id := latched()
	s := newServer(f)
	asBrowser := func(path, who, remedy string) *httptest.ResponseRecorder {
		r := request(path, who, remedy)
		r.Header.Set("Accept", "text/html,application/xhtml+xml,*/*;q=0.8")
		return send(s, r)
	}
	reset := "/api/v1/alarms/" + id + "/reset"
	w := asBrowser(reset, "R. Okafor", "")
	text := textOf(w.Body.String())
	if w.Code != 422 || !strings.Contains(text, "Not done: name the repair or the survey") {
		t.Errorf("%d: the problem is not shown: %s", w.Code, text)
	}
	if !strings.Contains(w.Body.String(), `name="who" value="R. Okafor"`) || !strings.Contains(w.Body.String(), "<details class=\"act\" open>") {
		t.Error("what was typed is lost, or the form is shut")
	}
	neverReassures(t, w.Body.String())
	w = asBrowser(reset, "R. Okafor", "surveyed on 3 June, 12 points")
	if w.Code != http.StatusSeeOther || w.Header().Get("Location") != "/alarms" {
		t.Errorf("%d to %q", w.Code, w.Header().Get("Location"))
	}
	w = asBrowser("/api/v1/posts/galley/zero", "R. Okafor", "")
	if w.Code != http.StatusSeeOther || w.Header().Get("Location") != "/posts/galley" {
		t.Errorf("%d to %q", w.Code, w.Header().Get("Location"))
	}
	f.set(func(f *fakeStation) {
		f.refuse = errors.New("zero refused: an alarm stands at this post; end it first")
	})
	w = asBrowser("/api/v1/posts/galley/zero", "R. Okafor", "")
	if w.Code != http.StatusConflict || !strings.Contains(textOf(w.Body.String()), "Not done: zero refused: an alarm stands") {
		t.Errorf("%d: %s", w.Code, textOf(w.Body.String()))
	}
}

// A viewer that may not change anything is shown no form, and why.
func TestReadOnlyViewer(t *testing.T) {
	f, all := furnished(t, noon())
	var r *http.Request
	for _, p := range pagesToSee() {
		r = httptest.NewRequest(http.MethodGet, "http://192.0.2.1:24500"+p.path, nil)
		r.RemoteAddr = "192.0.2.7:50000"
		w := send(newServer(f, all), r)
		// What a viewer reads in is theirs to pick.
		body := w.Body.String()
		if strings.Count(body, `method="post"`) != 1 || !strings.Contains(w.Body.String(), `action="/unit"`) {
			t.Errorf("%s: a form is shown that cannot be used", p.path)
		}
		if text := textOf(w.Body.String()); !strings.Contains(text, "Read only: changes are taken only from the station itself") {
			t.Errorf("%s does not say why: %s", p.path, text)
		}
	}
	r = httptest.NewRequest(http.MethodGet, "http://192.0.2.1:24500/", nil)
	// What an operator or an instrument wrote is shown as text.
	f.stats[0].Detail = `<script>alert(1)</script>`
	if page := send(newServer(f), r).Body.String(); strings.Contains(page, "<script>alert") {
		t.Error("a text of the station became part of the page")
	}
}
