package web

import (
	"context"
	"encoding/json"
	"errors"
	"iter"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"testing"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/alarm"
	"ovenward/acquire/store"
)

// life is what happened to alarms: an exceedance at the galley that was
// acknowledged and reset, one at the ward that waits, a battery that is shelved.
func life() (events []acquire.Event, now []alarm.Alarm) {
	at := func(h int) time.Time { return noon().Add(time.Duration(h-72) * time.Hour) }
	id := int64(0)
	step := func(a alarm.Alarm, act alarm.Act, text string) alarm.Alarm {
		next, reason := a.Do(act)
		id++
		events = append(events, acquire.Event{ID: id, At: act.At, Post: a.Post, Kind: acquire.KindAlarm, Who: act.Who, Text: text,
			Alarm: &alarm.Change{Alarm: next, From: a.State, Reason: reason, Remark: act.Why, Verdict: &alarm.Grounds{Outcome: "exceeds", Reasons: []string{"above the limit for 3 s"}}}})
		return next
	}
	a := step(alarm.Alarm{Post: "galley", Rule: alarm.Exceeds}, alarm.Act{What: alarm.Appears, At: at(0)}, "raised: above the limit")
	a = step(a, alarm.Act{What: alarm.Acknowledge, At: at(1), Who: "R. Okafor"}, "acknowledged by R. Okafor")
	a = step(a, alarm.Act{What: alarm.Disappears, At: at(2)}, "below the limit")
	a = step(a, alarm.Act{What: alarm.Reset, At: at(3), Who: "R. Okafor", Why: "door seal replaced, order 118"}, "reset by R. Okafor: door seal replaced, order 118")
	b := step(alarm.Alarm{Post: "ward", Rule: alarm.Exceeds}, alarm.Act{What: alarm.Appears, At: at(70)}, "raised: above the limit")
	c := step(alarm.Alarm{Post: "ward", Rule: alarm.Battery}, alarm.Act{What: alarm.Appears, At: at(71)}, "raised: low")
	c = step(c, alarm.Act{What: alarm.Shelve, At: at(71), Who: "J. Hale", Why: "spare on order", Until: noon().Add(time.Hour)}, "shelved by J. Hale until 2026-06-03 13:00:00 UTC: spare on order")
	return events, []alarm.Alarm{a, b, c}
}

// lived is a server over them.
func lived(change ...func(*Options)) (*Server, []alarm.Alarm) {
	events, now := life()
	f := newFake(noon())
	f.stats[0].Alarms, f.stats[1].Alarms = now[:1], now[1:]
	return newServer(f, append([]func(*Options){func(o *Options) {
		o.Changes = func(_ context.Context, from, to time.Time) iter.Seq2[acquire.Event, error] {
			return func(yield func(acquire.Event, error) bool) {
				for _, e := range events {
					if !e.At.Before(from) && e.At.Before(to) && !yield(e, nil) {
						return
					}
				}
			}
		}
		o.Occurrence = func(_ context.Context, id string) (all []acquire.Event, err error) {
			for _, e := range events {
				if e.Alarm.ID == id {
					all = append(all, e)
				}
			}
			return all, nil
		}
		o.Told = func(_ context.Context, q store.ToldQuery, _ int) ([]store.Told, error) {
			if q.Event != 0 && q.Event != 5 {
				return nil, nil
			}
			return []store.Told{{ID: 1, Courier: "office", To: "desk@larkfield.example", Event: 5, Post: "ward", Rule: "exceeds", At: noon().Add(-time.Hour), Outcome: store.ToldAccepted, Answer: "250 queued", Subject: "Ward: above the limit"}}, nil
		}
		o.Couriers = []string{"office"}
	}}, change...)...), now
}

func TestPastIsFiltered(t *testing.T) {
	s, now := lived()
	for query, want := range map[string][]int{
		"":                                   {2, 1, 0}, // the newest first
		"?post=ward":                         {2, 1},
		"?rule=exceeds":                      {1, 0},
		"?state=ended":                       {0},
		"?state=waiting":                     {1},
		"?state=aside":                       {2},
		"?state=standing":                    {},
		"?post=galley&state=waiting":         {},
		"?to=2026-05-31":                     {0},
		"?from=2026-06-01":                   {2, 1},
		"?from=2026-06-03&to=2026-06-03":     {2, 1},
		"?post=gone":                         {},
		"?from=2026-05-31&to=2026-05-31":     {0},
		"?rule=battery&from=2026-06-03&to=+": {2},
	} {
		var got struct{ Alarms []occurrenceJSON }
		w := get(t, s, "/api/v1/alarms/past"+query)
		if err := json.Unmarshal(w.Body.Bytes(), &got); err != nil {
			t.Fatalf("%s: %v: %s", query, err, w.Body)
		}
		var ids, wanted []string
		for _, a := range got.Alarms {
			ids = append(ids, a.ID)
		}
		for _, i := range want {
			wanted = append(wanted, now[i].ID)
		}
		if !slices.Equal(ids, wanted) {
			t.Errorf("%s: %v, want %v", query, ids, wanted)
		}
		if page := textOf(get(t, s, "/alarms"+query).Body.String()); strings.Contains(page, "No alarm in these days.") != (len(want) == 0) {
			t.Errorf("%s: the page says otherwise than the API", query)
		}
	}
	for _, query := range []string{"?from=3.6.2026", "?from=2026-06-02&to=2026-06-01", "?state=perhaps"} {
		asProblem(t, get(t, s, "/api/v1/alarms/past"+query), 400)
	}
	var got struct{ Alarms []occurrenceJSON }
	_ = json.Unmarshal(get(t, s, "/api/v1/alarms/past?state=ended").Body.Bytes(), &got)
	if a := got.Alarms[0]; a.Acked != "R. Okafor" || a.Reset != "R. Okafor" || a.Remedy != "door seal replaced, order 118" || a.Changes != 4 || a.Ended != "2026-05-31T15:00:00.000Z" {
		t.Errorf("%+v", a)
	}
	broken, _ := lived(func(o *Options) {
		o.Changes = func(context.Context, time.Time, time.Time) iter.Seq2[acquire.Event, error] {
			return func(yield func(acquire.Event, error) bool) { yield(acquire.Event{}, errors.New("disk")) }
		}
	})
	asProblem(t, get(t, broken, "/api/v1/alarms/past"), 503)
	if page := textOf(get(t, broken, "/alarms").Body.String()); !strings.Contains(page, "the alarms of these days cannot be read: disk") || strings.Contains(page, "No alarm in these days.") {
		t.Errorf("a record that cannot be read passes for one without alarms: %s", page)
	}
}

// The page of alarms answers who was told, and what came back; so does that of one
// alarm, which tells all that happened to it.
func TestPagesTellWhoWasTold(t *testing.T) {
	s, now := lived()
	page := textOf(get(t, s, "/alarms").Body.String())
	for _, want := range []string{"Told: office (desk@larkfield.example), 11:00:00 UTC: accepted: 250 queued", "Nobody was told by message yet.",
		"reset by R. Okafor: door seal replaced, order 118", "Shelved by J. Hale", "3 alarms raised", "Most frequent"} {
		if !strings.Contains(page, want) {
			t.Errorf("the page of alarms lacks %q:\n%s", want, page)
		}
	}
	page = textOf(get(t, s, "/alarms/"+now[0].ID).Body.String())
	for _, want := range []string{"Field above the limit", "Raised", "above the limit for 3 s", "Acknowledged by R. Okafor",
		"Reset by R. Okafor : door seal replaced, order 118", "Nobody was told by message yet."} {
		if !strings.Contains(page, want) {
			t.Errorf("the page of an alarm lacks %q:\n%s", want, page)
		}
	}
	_, history, _ := strings.Cut(page, "History: ")
	if strings.Count(history, "R. Okafor") != 2 || strings.Count(history, "order 118") != 1 || strings.Count(history, "above the limit for 3 s") != 3 {
		t.Errorf("the history of an alarm says twice who did what, or why a reset was needed:\n%s", history)
	}
	_, history, _ = strings.Cut(textOf(get(t, s, "/alarms/"+now[2].ID).Body.String()), "History: ")
	if strings.Count(history, "J. Hale") != 1 || strings.Count(history, "until") != 1 || !strings.Contains(history, "Shelved by J. Hale until 13:00:00 UTC: spare on order") || strings.Count(history, "spare on order") != 1 {
		t.Errorf("the history of a shelved alarm says\n%s", history)
	}
	page = textOf(get(t, s, "/alarms/"+now[1].ID).Body.String())
	if !strings.Contains(page, "office (desk@larkfield.example): Ward: above the limit. accepted: 250 queued") || !strings.Contains(page, "Stop using this oven.") {
		t.Errorf("the page of an alarm that stands: %s", page)
	}
	var got historyJSON
	if err := json.Unmarshal(get(t, s, "/api/v1/alarms/ward.exceeds").Body.Bytes(), &got); err != nil || got.Alarm.ID != now[1].ID || !got.Current || len(got.Changes) != 1 || len(got.Told) != 1 {
		t.Errorf("%v %+v", err, got)
	}
	asProblem(t, get(t, s, "/alarms/none"), 404)
	asProblem(t, get(t, s, "/api/v1/alarms/none"), 404)
	silent, _ := lived(func(o *Options) {
		o.Couriers = []string{}
		o.Told = func(context.Context, store.ToldQuery, int) ([]store.Told, error) { return nil, nil }
	})
	if page := textOf(get(t, silent, "/alarms").Body.String()); !strings.Contains(page, "No courier is configured: nobody is told by message.") {
		t.Errorf("without couriers: %s", page)
	}
	// What ended can no longer be acted on; a viewer who may not change sees no form.
	if body := get(t, s, "/alarms/"+now[0].ID).Body.String(); strings.Contains(body, "/acknowledge") {
		t.Error("an alarm that ended can be acknowledged")
	}
	r := httptest.NewRequest(http.MethodGet, "http://192.0.2.1:24500/alarms/"+now[1].ID, nil)
	r.RemoteAddr = "192.0.2.7:50000"
	if body := send(s, r).Body.String(); strings.Contains(body, "/acknowledge") {
		t.Error("a form is shown that cannot be used")
	}
}

// What nothing judges any more was not seen to end, and the list of the past and the alarm's
// own page do not say that it did, nor that a field is below its limit.
func TestWhatIsWatchedNoMoreDidNotEnd(t *testing.T) {
	for name, c := range map[string]struct {
		rule alarm.Rule
		acts []alarm.Happening
		want string
	}{
		"of a probe":            {alarm.Stuck, []alarm.Happening{alarm.Appears, alarm.Drop}, "Watched no more; it was not seen to end."},
		"of a limit":            {alarm.Exceeds, []alarm.Happening{alarm.Appears, alarm.Drop}, "Not acknowledged: not seen now; the cause is not known to be mended."},
		"and reset":             {alarm.Exceeds, []alarm.Happening{alarm.Appears, alarm.Acknowledge, alarm.Drop, alarm.Reset}, "Ended."},
		"come again, and ended": {alarm.Stuck, []alarm.Happening{alarm.Appears, alarm.Drop, alarm.Appears, alarm.Disappears}, "Ended by itself, not acknowledged."},
	} {
		a, events := alarm.Alarm{Post: "galley", Rule: c.rule}, []acquire.Event(nil)
		for i, what := range c.acts {
			act := alarm.Act{What: what, At: noon().Add(time.Duration(i-9) * time.Hour), Who: "R. Okafor", Why: "order 118"}
			next, reason := a.Do(act)
			events = append(events, acquire.Event{ID: int64(i + 1), At: act.At, Post: a.Post, Kind: acquire.KindAlarm, Alarm: &alarm.Change{Alarm: next, From: a.State, Reason: reason}})
			a = next
		}
		s := newServer(newFake(noon()), func(o *Options) {
			o.Changes = func(context.Context, time.Time, time.Time) iter.Seq2[acquire.Event, error] {
				return func(yield func(acquire.Event, error) bool) {
					for _, e := range events {
						if !yield(e, nil) {
							return
						}
					}
				}
			}
			o.Occurrence = func(context.Context, string) ([]acquire.Event, error) { return events, nil }
		})
		for _, path := range []string{"/alarms", "/alarms/" + a.ID} {
			page := textOf(get(t, s, path).Body.String())
			if !strings.Contains(page, c.want) || c.want != "Ended." && (strings.Contains(page, "Ended.") || strings.Contains(page, "below the limit now")) {
				t.Errorf("%s: %s lacks %q, or says that it ended:\n%s", name, path, c.want, page)
			}
		}
	}
}

// What was reset after the days that are asked for is not said to be watched no more.
func TestPastKnowsOfAResetAfterIt(t *testing.T) {
	a, last, f := alarm.Alarm{Post: "galley", Rule: alarm.Exceeds}, acquire.Event{}, newFake(noon())
	for i, what := range []alarm.Happening{alarm.Appears, alarm.Drop, alarm.Reset} {
		act := alarm.Act{What: what, At: noon().Add(time.Duration(i-9) * time.Hour), Who: "R. Okafor", Why: "order 118"}
		next, reason := a.Do(act)
		if what == alarm.Drop {
			last = acquire.Event{ID: 2, At: act.At, Post: a.Post, Kind: acquire.KindAlarm, Alarm: &alarm.Change{Alarm: next, From: a.State, Reason: reason}}
		}
		a = next
	}
	f.own = a
	s := newServer(f, func(o *Options) {
		o.Changes = func(context.Context, time.Time, time.Time) iter.Seq2[acquire.Event, error] {
			return func(yield func(acquire.Event, error) bool) { yield(last, nil) }
		}
	})
	if page := textOf(get(t, s, "/alarms").Body.String()); strings.Contains(page, "not seen to end") || !strings.Contains(page, "Ended.") {
		t.Errorf("it was reset, and the page says\n%s", page)
	}
}

// The days that are asked for are whole where clocks spring over midnight.
func TestPastDaysWithoutMidnight(t *testing.T) {
	zone, err := time.LoadLocation("America/Santiago")
	if err != nil {
		t.Fatal(err)
	}
	s := &Server{zone: zone}
	for day, want := range map[string][2]string{
		"2026-09-05": {"2026-09-05T00:00:00-04:00", "2026-09-06T01:00:00-03:00"},
		"2026-09-06": {"2026-09-06T01:00:00-03:00", "2026-09-07T00:00:00-03:00"},
	} {
		from, to, why := s.span(wanted{From: day, To: day}, noon())
		if got := [2]string{from.Format(time.RFC3339), to.Format(time.RFC3339)}; why != "" || got != want {
			t.Errorf("%s: %v %s, want %v", day, got, why, want)
		}
	}
}
