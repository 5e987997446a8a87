package web

import (
	"context"
	"encoding/json"
	"iter"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/alarm"
)

// acting is a change as a program sends it.
func acting(path, body string) *http.Request {
	r := httptest.NewRequest(http.MethodPost, "http://127.0.0.1:24500"+path, strings.NewReader(body))
	r.RemoteAddr = "127.0.0.1:50000"
	r.Header.Set("Content-Type", "application/json")
	return r
}

func TestActsReachTheStation(t *testing.T) {
	for _, tc := range []struct {
		path, body, want string // want: what the station hears, or a status
	}{
		{"/api/v1/alarms/x/shelve", `{"who":"R. Okafor","why":"seal on order","for":"2 h"}`, `act 4 on x by R. Okafor: "seal on order" for 2h0m0s`},
		{"/api/v1/alarms/x/shelve", `{"who":"R. Okafor","why":"seal on order"}`, "422"},
		{"/api/v1/alarms/x/shelve", `{"who":"R. Okafor","for":"2 h"}`, "422"},
		{"/api/v1/alarms/x/unshelve", `{"who":"R. Okafor"}`, `act 5 on x by R. Okafor: "" for 0s`},
		{"/api/v1/alarms/x/take-out", `{"who":"R. Okafor","why":"broken"}`, `act 9 on x by R. Okafor: "broken" for 0s`},
		{"/api/v1/alarms/x/put-back", `{"who":"R. Okafor"}`, `act 10 on x by R. Okafor: "" for 0s`},
		{"/api/v1/alarms/x/comment", `{"who":"R. Okafor","why":"seen it"}`, `act 13 on x by R. Okafor: "seen it" for 0s`},
		{"/api/v1/alarms/x/comment", `{"why":"seen it"}`, "422"},
		{"/api/v1/posts/ward/away", `{"who":"R. Okafor","for":"1 h"}`, `away at post 1 by R. Okafor: "" for 1h0m0s`},
		{"/api/v1/posts/ward/test", `{"who":"R. Okafor","for":"1 h","why":"source"}`, `under-test at post 1 by R. Okafor: "source" for 1h0m0s`},
		{"/api/v1/posts/ward/test", `{"who":"R. Okafor"}`, "422"},
		{"/api/v1/posts/none/away", `{"who":"R. Okafor","for":"1 h"}`, "404"},
		{"/api/v1/posts/ward/back", `{"who":"R. Okafor"}`, "back at post 1 by R. Okafor"},
		{"/api/v1/posts/ward/checked", `{"who":"R. Okafor","why":"50 mm"}`, `checked at post 1 by R. Okafor: "50 mm"`},
		{"/api/v1/posts/ward/runs", `{"who":"till 3","for":"90 s"}`, "runs at post 1 by till 3 for 1m30s"},
		{"/api/v1/ovens/galley/withdraw", `{"who":"R. Okafor","why":"door bent"}`, `withdraw galley by R. Okafor: "door bent"`},
		{"/api/v1/ovens/galley/withdraw", `{"who":"R. Okafor"}`, "422"},
		{"/api/v1/ovens/galley/return", `{"who":"R. Okafor","why":"hinge replaced"}`, `return galley by R. Okafor: "hinge replaced"`},
	} {
		f := newFake(noon())
		w := send(newServer(f), acting(tc.path, tc.body))
		if w.Code != http.StatusOK {
			if tc.want != w.Result().Status[:3] || f.called() != "" {
				t.Errorf("%s %s: %d %s; the station heard %q; want %s", tc.path, tc.body, w.Code, w.Body, f.called(), tc.want)
			}
			continue
		}
		if f.called() != tc.want {
			t.Errorf("%s: the station heard %q, want %q", tc.path, f.called(), tc.want)
		}
	}
}

// Where users are configured, who acts is the user, whatever the form says and
// wherever the request comes from; and nobody without a name.
func TestUsersActUnderTheirOwnName(t *testing.T) {
	f := newFake(noon())
	s := New(Options{Station: f, Site: "x", Users: true, Now: noon})
	r := acting("/api/v1/ovens/galley/withdraw", `{"who":"somebody else","why":"door bent"}`)
	r.RemoteAddr = "192.0.2.7:50000"
	if w := send(s, r.Clone(context.Background())); w.Code != http.StatusForbidden {
		t.Errorf("without a user: %d", w.Code)
	}
	r = acting("/api/v1/ovens/galley/withdraw", `{"who":"somebody else","why":"door bent"}`)
	r.RemoteAddr = "192.0.2.7:50000"
	r.SetBasicAuth("okafor", "checked before")
	if w := send(s, r); w.Code != http.StatusOK || f.called() != `withdraw galley by okafor: "door bent"` {
		t.Errorf("as a user: %d, %q", w.Code, f.called())
	}
	r = acting("/api/v1/ovens/galley/withdraw", `{"why":"door bent"}`)
	r.SetBasicAuth("okafor", "checked before")
	r.Header.Set("Sec-Fetch-Site", "cross-site")
	if w := send(s, r); w.Code != http.StatusForbidden {
		t.Errorf("sent by another site: %d", w.Code)
	}
}

func TestSummaryIsOfTheRecord(t *testing.T) {
	f := newFake(noon())
	changes := func(_ context.Context, from, to time.Time) iter.Seq2[acquire.Event, error] {
		return func(yield func(acquire.Event, error) bool) {
			for i, reason := range []alarm.Reason{alarm.Raised, alarm.Returned, alarm.RaisedAgain, alarm.WasShelved} {
				e := acquire.Event{Post: "ward", At: to.Add(time.Duration(i-10) * time.Minute), Alarm: &alarm.Change{Reason: reason}}
				e.Alarm.Rule = alarm.Silent
				if to.Sub(from) != 48*time.Hour || !yield(e, nil) {
					return
				}
			}
		}
	}
	w := send(New(Options{Station: f, Site: "x", Now: noon, Changes: changes}), httptest.NewRequest(http.MethodGet, "/api/v1/alarms/summary?days=2", nil))
	var got struct {
		Raised   int
		PerDay   float64       `json:"per_day"`
		Day      string        `json:"per_day_is"`
		Frequent []alarm.Tally `json:"most_frequent"`
	}
	if err := json.Unmarshal(w.Body.Bytes(), &got); err != nil || got.Raised != 2 || got.PerDay != 1 || got.Day != "acceptable" || len(got.Frequent) != 1 || got.Frequent[0].Times != 2 {
		t.Errorf("%v: %s", err, w.Body)
	}
}

// An alarm that is set aside stays on the page, with who, why and until when; and
// the page is not calm.
func TestWhatIsSetAsideStaysOnThePage(t *testing.T) {
	for _, a := range []alarm.Alarm{
		{Post: "ward", Rule: alarm.Exceeds, State: alarm.LatchedAcknowledged, Aside: alarm.Shelved},
		{Post: "ward", Rule: alarm.Battery, State: alarm.Normal, Aside: alarm.OutOfService},
		{Post: "ward", Rule: alarm.Silent, State: alarm.Normal, Aside: alarm.Shelved},
	} {
		f := newFake(noon())
		a.ID, a.By, a.Why, a.AsideSince, a.Until = "x", "R. Okafor", "spare on order", noon().Add(-time.Hour), noon().Add(time.Hour)
		f.stats[1].Alarms = []alarm.Alarm{a}
		page := ""
		for _, path := range []string{"/", "/alarms"} {
			page += send(newServer(f), httptest.NewRequest(http.MethodGet, "http://127.0.0.1:24500"+path, nil)).Body.String()
		}
		for _, want := range []string{"by R. Okafor", "spare on order", capital(string(a.Aside)), "until 13:00:00 UTC"} {
			if !strings.Contains(page, want) {
				t.Errorf("%s, %s: the page lacks %q", a.Rule, a.Aside, want)
			}
		}
		if strings.Contains(page, "No reading above a limit") {
			t.Errorf("%s, %s: the page is calm", a.Rule, a.Aside)
		}
	}
}
