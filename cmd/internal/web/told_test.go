package web

import (
	"context"
	"encoding/json"
	"errors"
	"net/http"
	"strings"
	"testing"
	"time"

	"ovenward/acquire/store"
)

func told() []store.Told {
	at := time.Date(2026, 11, 25, 9, 0, 0, 0, time.UTC)
	return []store.Told{
		{ID: 2, Courier: "desk", To: "https://desk.example/…", Event: 8, At: at, Attempts: 1, Outcome: store.ToldRefused, Answer: "answered 400", Subject: "<b>silent</b>"},
		{ID: 1, Courier: "desk", To: "https://desk.example/…", Event: 7, At: at, Attempts: 3, More: 2, Outcome: store.ToldAccepted, Answer: "HTTP 204 No Content", Subject: "exceeds"},
	}
}

func toldServer(t *testing.T, fail error) (*Server, *store.ToldQuery) {
	t.Helper()
	asked := &store.ToldQuery{}
	return newServer(newFake(noon()), func(o *Options) {
		o.Couriers = func() []CourierState {
			return []CourierState{{ID: "desk", To: "https://desk.example/…", Sent: 4, Waiting: 1, Failing: true, LastError: "no answer within 10s"}}
		}
		o.Told = func(_ context.Context, q store.ToldQuery, limit int) ([]store.Told, error) {
			*asked = q
			if q.Outcome == store.ToldRefused {
				return told()[:1], fail
			}
			return told()[:min(limit, 2)], fail
		}
	}), asked
}

func TestTold(t *testing.T) {
	s, asked := toldServer(t, nil)
	var got struct{ Told []store.Told }
	if err := json.Unmarshal(get(t, s, "/api/v1/told?courier=desk&event=7&before=9&limit=1").Body.Bytes(), &got); err != nil {
		t.Fatal(err)
	}
	if want := (store.ToldQuery{Before: 9, Event: 7, Courier: "desk"}); *asked != want || len(got.Told) != 1 || got.Told[0].Event != 8 {
		t.Errorf("asked %+v, got %+v", *asked, got)
	}
	if b := get(t, s, "/api/v1/couriers").Body.String(); !strings.Contains(b, `"failing":true`) || !strings.Contains(b, `"id":"desk"`) {
		t.Errorf("couriers: %s", b)
	}
	page := get(t, s, "/told").Body.String()
	for _, want := range []string{"not accepted", "Dead letters", "&lt;b&gt;silent&lt;/b&gt;", "answered 400", "HTTP 204 No Content", "at attempt 3", "and 2 earlier changes", "2026-11-25 09:00:00"} {
		if !strings.Contains(page, want) {
			t.Errorf("the page lacks %q:\n%s", want, page)
		}
	}
	for _, bad := range []string{"?outcome=maybe", "?before=x", "?event=-1", "?limit=0", "?limit=1001"} {
		asProblem(t, get(t, s, "/api/v1/told"+bad), http.StatusBadRequest)
	}
	s, _ = toldServer(t, errors.New("planted"))
	asProblem(t, get(t, s, "/api/v1/told"), http.StatusServiceUnavailable)
	asProblem(t, get(t, s, "/told"), http.StatusServiceUnavailable)
	plain := newServer(newFake(noon()))
	if b := get(t, plain, "/told").Body.String(); !strings.Contains(b, "nobody is told but on this page") {
		t.Errorf("without couriers: %s", b)
	}
}
