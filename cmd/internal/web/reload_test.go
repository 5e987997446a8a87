package web

import (
	"context"
	"encoding/json"
	"errors"
	"io"
	"net/http"
	"strings"
	"testing"
)

// A reload is asked for by POST, by name, from the station; why it is refused is said
// with every mistake.
func TestReloadIsAskedFor(t *testing.T) {
	var by []string
	var answer error
	s := newServer(newFake(noon()), func(o *Options) {
		o.Reload = func(_ context.Context, who string) ([]string, error) {
			by = append(by, who)
			return []string{"post ward changed, and begins again"}, answer
		}
	})
	if w := send(s, request(ReloadPath, "R. Okafor", "")); w.Code != 200 || !strings.Contains(w.Body.String(), "post ward changed") {
		t.Errorf("%d %s", w.Code, w.Body)
	}
	answer = &Refusal{Status: http.StatusUnprocessableEntity, Detail: "2 mistakes", Mistakes: []Mistake{{"a.toml", 3, "no such key"}, {"a.toml", 9, "no number"}}}
	w := send(s, request(ReloadPath, "R. Okafor", ""))
	var p problem
	if err := json.Unmarshal(w.Body.Bytes(), &p); err != nil || w.Code != 422 || w.Header().Get("Content-Type") != "application/problem+json" ||
		len(p.Mistakes) != 2 || p.Mistakes[1] != (Mistake{"a.toml", 9, "no number"}) || p.Status != 422 {
		t.Errorf("%d %s %v %+v", w.Code, w.Header().Get("Content-Type"), err, p)
	}
	answer = errors.New("the disk hangs")
	if w := send(s, request(ReloadPath, "R. Okafor", "")); w.Code != 503 || !strings.Contains(w.Body.String(), "the disk hangs") {
		t.Errorf("%d %s", w.Code, w.Body)
	}
	if len(by) != 3 || by[0] != "R. Okafor" {
		t.Errorf("asked by %q", by)
	}
	for what, spoil := range map[string]func(r *http.Request){
		"from another machine": func(r *http.Request) { r.RemoteAddr = "192.0.2.7:50000" },
		"from another site":    func(r *http.Request) { r.Header.Set("Sec-Fetch-Site", "cross-site") },
		"by GET":               func(r *http.Request) { r.Method = http.MethodGet },
		"through a proxy":      func(r *http.Request) { r.Header.Set("X-Forwarded-For", "127.0.0.1") },
	} {
		r := request(ReloadPath, "R. Okafor", "")
		spoil(r)
		if w := send(s, r); w.Code != 403 && w.Code != 405 {
			t.Errorf("%s: %d", what, w.Code)
		}
	}
	if w := send(s, request(ReloadPath, "", "")); w.Code != 422 {
		t.Errorf("without a name: %d", w.Code)
	}
	for kind, body := range map[string]string{"": "", "text/plain": "R. Okafor", "application/json": "{"} {
		r := request(ReloadPath, "", "")
		r.Body = io.NopCloser(strings.NewReader(body))
		r.Header.Set("Content-Type", kind)
		w := send(s, r)
		if p := (problem{}); json.Unmarshal(w.Body.Bytes(), &p) != nil || p.Status != 415 && p.Status != 400 || p.Detail != "send a form or a JSON object with who: the name of whoever asks" {
			t.Errorf("sent %q as %q: %s", body, kind, w.Body)
		}
	}
	if len(by) != 3 {
		t.Errorf("what was refused reached the daemon: %q", by)
	}
	if w := send(newServer(newFake(noon())), request(ReloadPath, "R. Okafor", "")); w.Code != 404 {
		t.Errorf("where nothing can be reloaded: %d", w.Code)
	}
}

// Whoever follows is cut off when a server gives its place to another, and comes to
// that one.
func TestStreamsEndWithTheServer(t *testing.T) {
	s := newServer(newFake(noon()))
	stream, cancel := s.whileServing(request("/api/v1/live", "", ""))
	defer cancel()
	if stream.Err() != nil {
		t.Fatal("a stream ends before its server")
	}
	ended, end := context.WithCancel(t.Context())
	end()
	if err := s.Run(ended); err != nil {
		t.Fatal(err)
	}
	<-stream.Done()
}
