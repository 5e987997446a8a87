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

// TestWhatWasTold: the page and the API show messages, dead letters as such, and
// nothing of a record that cannot be read passes for silence.
func TestWhatWasTold(t *testing.T) {
	var asked store.ToldQuery
	var fails error
	s := newServer(newFake(noon()), func(o *Options) {
		o.Told = func(_ context.Context, q store.ToldQuery, _ int) ([]store.Told, error) {
			asked = q
			return []store.Told{
				{ID: 9, Courier: "desk", To: "https://desk.example", At: noon(), Attempts: 3, Outcome: store.ToldRefused, Answer: "410 Gone", Subject: "Ward oven: <above>"},
				{ID: 8, Courier: "manager", To: "m@larkfield.example", At: noon().Add(-25 * time.Hour), Attempts: 1, Outcome: store.ToldAccepted, Subject: "Galley: silent"},
			}, fails
		}
	})
	page := get(t, s, "/alarms").Body.String()
	for _, want := range []string{"12:00:00 UTC", "Ward oven: &lt;above&gt;", "<strong>refused for good: 410 Gone (after 3 attempts)</strong>", "m@larkfield.example", "Galley: silent"} {
		if !strings.Contains(page, want) {
			t.Errorf("the page lacks %q", want)
		}
	}
	w := get(t, s, "/api/v1/told?outcome=refused&event=4&before=12&courier=desk")
	var got struct {
		Messages []store.Told `json:"messages"`
	}
	if err := json.Unmarshal(w.Body.Bytes(), &got); err != nil || len(got.Messages) != 2 || got.Messages[0].Answer != "410 Gone" {
		t.Errorf("%v: %s", err, w.Body)
	}
	if asked != (store.ToldQuery{Before: 12, Event: 4, Courier: "desk", Outcome: store.ToldRefused}) {
		t.Errorf("asked %+v", asked)
	}
	for _, bad := range []string{"outcome=lost", "before=-1", "event=x", "limit=0"} {
		if w := get(t, s, "/api/v1/told?"+bad); w.Code != http.StatusBadRequest {
			t.Errorf("%s: %d", bad, w.Code)
		}
	}
	fails = errors.New("disk I/O error")
	if page := get(t, s, "/alarms").Body.String(); !strings.Contains(page, "what was told cannot be read: disk I/O error") {
		t.Error("the page says nothing of a record that cannot be read")
	}
	if w := get(t, s, "/api/v1/told"); w.Code != http.StatusServiceUnavailable {
		t.Errorf("a record that cannot be read: %d", w.Code)
	}
}
