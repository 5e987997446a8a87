package web

import (
	"errors"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"

	"ovenward/acquire/alarm"
)

// users makes an Options.Users of names.
func users(names ...string) func() ([]string, error) {
	return func() ([]string, error) { return names, nil }
}

// filled is the path of a route, with ids that exist.
func filled(pattern string) string {
	id := "galley"
	switch {
	case strings.Contains(pattern, "/ovens/"):
		id = "galley-oven"
	case strings.Contains(pattern, "/probes/"):
		id = "probe-galley"
	case strings.Contains(pattern, "/alarms/"):
		id = "galley." + string(alarm.Silent)
	case strings.Contains(pattern, "/soaks/"):
		id = "door-7"
	case strings.Contains(pattern, "/surveys/"):
		id = "one"
	}
	path := strings.NewReplacer("{id}", id, "{$}", "", "{name}", "ovenward.css", "{act}", "note").Replace(pattern)
	if strings.Contains(path, "/posts/") {
		path = strings.Replace(path, id, "galley", 1)
	}
	return path
}

// visitor is somebody who asks, from somewhere, by some way.
type visitor struct {
	name     string
	user     string // by name and password; the password was checked before
	from     string // address
	host     string
	site     string // Sec-Fetch-Site
	forward  bool   // through a proxy
	anyUsers bool   // users are configured
	broken   bool   // and cannot be read
	nobody   bool   // and no operators are named
	loose    bool   // operators are named, and no users configured

	changes bool // what must hold
}

func visitors() []visitor {
	const here, away, own, other = "127.0.0.1:50000", "192.0.2.7:50000", "127.0.0.1:24500", "kitchen.example:24500"
	return []visitor{
		{name: "no users, loopback, own page", from: here, host: own, site: "same-origin", changes: true},
		{name: "no users, loopback, a program", from: here, host: own, changes: true},
		{name: "no users, IPv6 loopback", from: "[::1]:50000", host: "[::1]:24500", changes: true},
		{name: "no users, loopback, a page on another port", from: here, host: own, site: "same-site"},
		{name: "no users, loopback, another site", from: here, host: own, site: "cross-site"},
		{name: "no users, loopback, by a foreign name", from: here, host: other, site: "same-origin"},
		{name: "no users, another machine", from: away, host: other, site: "same-origin"},
		{name: "no users, another machine that claims our name", from: away, host: own, site: "same-origin"},
		{name: "no users, through a proxy", from: here, host: own, site: "same-origin", forward: true},
		{name: "no users, a name that nobody checked", user: "okafor", from: away, host: other, site: "same-origin"},
		{name: "operators named, no users", user: "okafor", from: here, host: own, site: "same-origin", loose: true},
		{name: "nobody, here", anyUsers: true, from: here, host: own, site: "same-origin"},
		{name: "nobody, away", anyUsers: true, from: away, host: other, site: "same-origin"},
		{name: "reader, here", user: "hale", anyUsers: true, from: here, host: own, site: "same-origin"},
		{name: "reader, away", user: "hale", anyUsers: true, from: away, host: other, site: "same-origin"},
		{name: "operator, here", user: "okafor", anyUsers: true, from: here, host: own, site: "same-origin", changes: true},
		{name: "operator, away", user: "okafor", anyUsers: true, from: away, host: other, site: "same-origin", changes: true},
		{name: "operator, through a proxy", user: "okafor", anyUsers: true, from: here, host: other, site: "same-origin", forward: true, changes: true},
		{name: "reader, another site", user: "hale", anyUsers: true, from: away, host: other, site: "cross-site"},
		{name: "nobody, another site", anyUsers: true, from: here, host: own, site: "cross-site"},
		{name: "operator, here, another site", user: "okafor", anyUsers: true, from: here, host: own, site: "cross-site"},
		{name: "operator, a page on another port", user: "okafor", anyUsers: true, from: here, host: own, site: "same-site"},
		{name: "operator, another site", user: "okafor", anyUsers: true, from: away, host: other, site: "cross-site"},
		{name: "operator, no longer a user", user: "marlow", anyUsers: true, from: away, host: other, site: "same-origin"},
		{name: "operator, none are named", user: "okafor", anyUsers: true, nobody: true, from: here, host: own, site: "same-origin"},
		{name: "operator, users cannot be read", user: "okafor", anyUsers: true, broken: true, from: here, host: own, site: "same-origin"},
	}
}

func (v visitor) options(o *Options) {
	switch {
	case v.broken:
		o.Users = func() ([]string, error) { return nil, errors.New("no such file") }
	case v.anyUsers:
		o.Users = users("okafor", "hale")
	}
	if v.anyUsers && !v.nobody || v.loose {
		o.Operators = []string{"okafor", "marlow"}
	}
}

func (v visitor) ask(method, path string) *http.Request {
	r := httptest.NewRequest(method, "http://"+v.host+path, strings.NewReader(`{"who":"R. Okafor","why":"seen to","remedy":"seal replaced","for":"1 h"}`))
	r.RemoteAddr = v.from
	r.Header.Set("Content-Type", "application/json")
	if v.site != "" {
		r.Header.Set("Sec-Fetch-Site", v.site)
		r.Header.Set("Origin", map[bool]string{true: "http://" + v.host, false: "http://elsewhere.example"}[v.site == "same-origin"])
	}
	if v.forward {
		r.Header.Set("X-Forwarded-For", "192.0.2.7")
	}
	if v.user != "" {
		r.SetBasicAuth(v.user, "checked before")
	}
	return r
}

// Every route that there is, as everybody who may come: what changes something is
// done for those who may, and refused to all others before anything was done.
// What only reads answers everybody alike.
func TestEveryRouteAsEverybody(t *testing.T) {
	for _, v := range visitors() {
		t.Run(v.name, func(t *testing.T) {
			for _, route := range newServer(newFake(noon())).routes() {
				f := newFake(noon())
				f.stats[0].Alarms = []alarm.Alarm{stood("galley", alarm.Silent, alarm.Unacknowledged, noon())}
				kept, soaks, surveys := newKeeping(), soaking(noon()), walking(t, noon())
				surveys.acts = nil
				s := newServer(f, v.options, kept.options, soaks.options, func(o *Options) { o.Surveys = surveys })
				r := v.ask(route.method, filled(route.pattern))
				if docs()[route.method+" "+route.pattern].streams() {
					r = v.ask(http.MethodHead, filled(route.pattern)) // which begins no stream
				}
				w := send(s, r)
				refused := w.Code == http.StatusForbidden
				for _, h := range []string{"X-Content-Type-Options", "Referrer-Policy", "Cross-Origin-Opener-Policy", "Cross-Origin-Resource-Policy",
					"Permissions-Policy", "X-Frame-Options", "Cache-Control"} {
					if w.Header().Get(h) == "" {
						t.Errorf("%s %s: no %s", route.method, route.pattern, h)
					}
				}
				switch {
				case w.Header().Get("Content-Security-Policy") != contentPolicy:
					t.Errorf("%s %s: no content policy", route.method, route.pattern)
				case route.method == http.MethodGet && (refused || w.Code == http.StatusUnauthorized):
					t.Errorf("%s: reading is refused: %d %s", route.pattern, w.Code, w.Body)
				case route.changes && refused == v.changes:
					t.Errorf("%s: %d %s, want refused %v", route.pattern, w.Code, w.Body, !v.changes)
				}
				if done := f.called() + kept.called() + soaks.called() + surveys.called(); done != "" && (route.method == http.MethodGet || !v.changes) {
					t.Errorf("%s %s: the station heard %q", route.method, route.pattern, done)
				}
			}
		})
	}
}

// A path that a GET answers changes nothing by any other method.
func TestOtherMethodsAreRefused(t *testing.T) {
	s := newServer(newFake(noon()))
	taken := map[string]string{}
	for _, r := range s.routes() {
		taken[r.pattern] += r.method
	}
	for pattern, methods := range taken {
		for _, method := range []string{"GET", "POST", "PUT", "PATCH", "DELETE", "OPTIONS", "TRACE"} {
			if strings.Contains(methods, method) {
				continue
			}
			w := send(s, visitors()[0].ask(method, filled(pattern)))
			if w.Code != http.StatusMethodNotAllowed || w.Header().Get("Allow") == "" {
				t.Errorf("%s %s: %d, Allow %q", method, pattern, w.Code, w.Header().Get("Allow"))
			}
		}
	}
}

// The page says to whom it is open, and why a viewer may not change anything.
func TestPageSaysWhoMayDoWhat(t *testing.T) {
	for _, v := range visitors() {
		s := newServer(newFake(noon()), v.options, func(o *Options) { o.Beyond = true })
		page := textOf(send(s, v.ask(http.MethodGet, "/")).Body.String())
		if open := strings.Contains(page, "Anybody who reaches this page reads it"); open != (!v.anyUsers) {
			t.Errorf("%s: says that it is open to everybody: %v", v.name, open)
		}
		// A link from elsewhere may lead here: only what is sent counts.
		if says := strings.Contains(page, "Read only:"); says == v.changes && v.site != "cross-site" && v.site != "same-site" {
			t.Errorf("%s: says that it is read only: %v", v.name, says)
		}
	}
	if page := textOf(get(t, newServer(newFake(noon())), "/").Body.String()); strings.Contains(page, "Anybody who reaches") {
		t.Error("a page on loopback says that it is open to everybody")
	}
}
