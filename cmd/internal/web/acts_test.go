package web

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"iter"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/alarm"
	"ovenward/acquire/store"
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
	s := New(Options{Station: f, Site: "x", Users: users("okafor", "hale"), Operators: []string{"okafor"}, Now: noon})
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
	begins := noon().Add(-90 * 24 * time.Hour)
	events := func(_ context.Context, after int64, limit int) ([]acquire.Event, error) {
		if after != 0 || limit != 1 {
			t.Errorf("asked for %d events after %d", limit, after)
		}
		return []acquire.Event{{At: begins}}, nil
	}
	server := New(Options{Station: f, Site: "x", Now: noon, Changes: changes, Events: events})
	w := send(server, httptest.NewRequest(http.MethodGet, "/api/v1/alarms/summary?days=2", nil))
	var got struct {
		Raised   int
		PerDay   float64       `json:"per_day"`
		Day      string        `json:"per_day_is"`
		Frequent []alarm.Tally `json:"most_frequent"`
	}
	if err := json.Unmarshal(w.Body.Bytes(), &got); err != nil || got.Raised != 2 || got.PerDay != 1 || got.Day != "acceptable" || len(got.Frequent) != 1 || got.Frequent[0].Times != 2 {
		t.Errorf("%v: %s", err, w.Body)
	}
	begins = noon().Add(-time.Hour) // what was before the record makes no rate smaller
	w = send(server, httptest.NewRequest(http.MethodGet, "/api/v1/alarms/summary?days=2", nil))
	var short alarm.Summary
	if err := json.Unmarshal(w.Body.Bytes(), &short); err != nil || !short.From.Equal(begins) || short.Raised != 2 || short.PerDay != 2 || short.PerTen < 0.33 || short.PerTen > 0.34 {
		t.Errorf("of a record of an hour: %v: %s", err, w.Body)
	}
}

// The page sums the last days up, and says so where it cannot.
func TestSummaryOnThePage(t *testing.T) {
	f := newFake(noon())
	old := alarm.Alarm{Post: "ward", Rule: alarm.Position, State: alarm.Unacknowledged, ID: "x", Since: noon().Add(-50 * time.Hour), Changed: noon().Add(-50 * time.Hour)}
	f.stats[1].Alarms = []alarm.Alarm{old}
	var fails error
	s := newServer(f, func(o *Options) {
		o.Changes = func(_ context.Context, from, to time.Time) iter.Seq2[acquire.Event, error] {
			return func(yield func(acquire.Event, error) bool) {
				for i := range 12 {
					e := acquire.Event{Post: "ward", At: to.Add(time.Duration(i-300) * 10 * time.Second), Alarm: &alarm.Change{Reason: alarm.Raised}}
					e.Alarm.Rule = alarm.Silent
					if !yield(e, fails) || fails != nil {
						return
					}
				}
			}
		}
	})
	text := strings.Join(strings.Fields(get(t, s, "/alarms").Body.String()), " ")
	for _, want := range []string{"Alarms of the last 7 days", "<li>12 alarms raised</li>", "<li>1.71 a day: acceptable</li>", "<li>at most 12 in ten minutes, and 1 time above 10</li>",
		"<h3>Most frequent</h3> <ul> <li>Probe does not answer, ", ": 12 times</li>",
		"<h3>Longest standing</h3> <ul> <li>Position not checked, ", "<h3>Chattering</h3> <ul> <li>Probe does not answer, ", ": 6 times in its worst minute</li>",
		"<h3>Standing for more than a day</h3> <ul> <li>Position not checked, ", "<h3>Set aside</h3> <ul> <li class=\"quiet\">none</li>", "EEMUA 191"} {
		if !strings.Contains(text, want) {
			t.Errorf("the page lacks %q", want)
		}
	}
	fails = errors.New("disk I/O error")
	if page := get(t, s, "/alarms").Body.String(); !strings.Contains(page, "the alarms of the last days cannot be summed up: disk I/O error") || strings.Contains(page, "alarms raised") {
		t.Error("the page says nothing of a record that cannot be read")
	}
}

// An acknowledgement may carry a remark, and most carry none.
func TestAnAcknowledgementCarriesARemark(t *testing.T) {
	f := newFake(noon())
	f.stats[0].Alarms = []alarm.Alarm{{Post: "galley", Rule: alarm.Silent, State: alarm.Unacknowledged, ID: "x", Since: noon()}}
	s := New(Options{Station: f, Site: "x", Now: noon})
	for body, want := range map[string]string{
		`{"who":"M. Ito"}`: "acknowledge x M. Ito",
		`{"who":"M. Ito","why":"switched off at the wall"}`: "switched off at the wall",
	} {
		if w := send(s, acting("/api/v1/alarms/x/acknowledge", body)); w.Code != http.StatusOK || !strings.Contains(f.called(), want) {
			t.Errorf("%s: %d, %q", body, w.Code, f.called())
		}
	}
	if w := send(s, acting("/api/v1/alarms/x/acknowledge", `{"who":"M. Ito","why":"`+strings.Repeat("x", 400)+`"}`)); w.Code != http.StatusUnprocessableEntity {
		t.Errorf("a remark too long: %d", w.Code)
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

// Where no courier is configured, the overview does not sound as if one were late.
func TestOverviewSaysThatNobodyCanBeTold(t *testing.T) {
	for _, tc := range []struct {
		couriers []string
		want     string
	}{{[]string{}, "No courier is configured"}, {[]string{"desk"}, "Nobody was told by message yet"}} {
		f := newFake(noon())
		f.stats[1].Alarms = []alarm.Alarm{{Post: "ward", Rule: alarm.Exceeds, State: alarm.Unacknowledged, ID: "x", Since: noon()}}
		s := newServer(f, func(o *Options) {
			o.Couriers = tc.couriers
			o.Told = func(context.Context, store.ToldQuery, int) ([]store.Told, error) { return nil, nil }
		})
		if page := get(t, s, "/").Body.String(); !strings.Contains(page, tc.want) {
			t.Errorf("couriers %v: the overview lacks %q", tc.couriers, tc.want)
		}
	}
}

// A post beside whose open door there was a field, or whose withdrawn oven emits, has
// no mark, place or line of one that is well.
func TestAnOvenThatShouldNotEmitLooksSo(t *testing.T) {
	for _, r := range []alarm.Rule{alarm.OpenDoor, alarm.Emission} {
		f := newFake(noon())
		before := get(t, newServer(f), "/").Body.String()
		var at int
		for i := range f.stats {
			if f.stats[i].Condition == acquire.Seeing && len(f.stats[i].Alarms) == 0 {
				at = i
			}
		}
		f.stats[at].Alarms = []alarm.Alarm{{Post: f.stats[at].Post.ID, Rule: r, State: alarm.Acknowledged, ID: "x", Since: noon().Add(-time.Hour)}}
		mark := fmt.Sprintf(`<li id=r%d data-state=`, f.stats[at].Index)
		page := get(t, newServer(f), "/").Body.String()
		if row, _, _ := strings.Cut(page[strings.Index(page, mark):], "</svg>\n"); !strings.Contains(row, "since 11:00:00") {
			t.Errorf("%s: the row does not say since when: %s", r, row)
		}
		if !strings.Contains(before, mark+"seeing") || !strings.Contains(page, mark+"was") || strings.Contains(page, "No reading above a limit") {
			t.Errorf("%s: before it counted as seeing: %v, now it has its mark: %v", r, strings.Contains(before, mark+"seeing"), strings.Contains(page, mark+"was"))
		}
	}
}
