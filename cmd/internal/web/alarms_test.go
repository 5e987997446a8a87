package web

import (
	"context"
	"iter"
	"math"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/alarm"
	"ovenward/acquire/calib"
	"ovenward/acquire/limit"
	"ovenward/acquire/quantity"
)

// How far the field was above its limit stands beside the alarm, where the run in
// which it was is the newest, and nowhere else.
func TestAlarmSaysByHowMuch(t *testing.T) {
	raised := noon().Add(-10 * time.Minute)
	for _, tc := range []struct {
		name   string
		change func(*acquire.Stats)
		want   string
	}{
		{"the run in which it was raised", func(*acquire.Stats) {}, "Highest in its newest run: 7.9 mW/cm², 1.58 × the limit (5 mW/cm²)."},
		{"over range", func(st *acquire.Stats) { st.RunPeak = quantity.PowerDensity(math.Inf(1)) }, "Highest in its newest run: over the probe's range (limit 5 mW/cm²)."},
		{"no run since", func(st *acquire.Stats) { st.RanTo = raised.Add(-time.Second) }, ""},
		{"a later run below the limit", func(st *acquire.Stats) { st.RunPeak = 49 }, ""},
		{"a limit on a mean", func(st *acquire.Stats) { st.Post.Limit.Averaging = 6 * time.Minute }, ""},
		{"another alarm", func(st *acquire.Stats) { st.Alarms[0].Rule = alarm.Stale }, ""},
	} {
		f := newFake(noon())
		st := &f.stats[1]
		st.Alarms = []alarm.Alarm{{Post: "ward", Rule: alarm.Exceeds, State: alarm.Unacknowledged, ID: "x", Since: raised}}
		st.Post.Limit.Value = 50
		st.RanFrom, st.RanTo, st.RunPeak, st.Running = raised.Add(-3*time.Second), noon(), 79, true
		tc.change(st)
		for _, path := range []string{"/", "/posts/ward", "/alarms", "/alarms/x"} {
			page := get(t, newServer(f), path).Body.String()
			if is := strings.Contains(page, "Highest in its newest run"); is != (tc.want != "") || !strings.Contains(textOf(page), tc.want) {
				t.Errorf("%s, %s: the page lacks %q or says more", tc.name, path, tc.want)
			}
		}
	}
}

// Since when a calibration is overdue is not since when its alarm stands.
func TestAlarmSaysWhenTheCalibrationWasDue(t *testing.T) {
	f := newFake(noon())
	st := &f.stats[1]
	st.Post.Probe.Certificate = &calib.Certificate{Number: "LH-0417", Laboratory: "bench 3", Date: noon().AddDate(-1, 0, 0), Due: noon().AddDate(0, -2, 0), Factor: 1, U: 0.1, K: 2}
	st.Alarms = []alarm.Alarm{{Post: "ward", Rule: alarm.CertificateOverdue, State: alarm.Unacknowledged, ID: "x", Since: noon().Add(-time.Minute)}}
	for _, path := range []string{"/", "/posts/ward", "/alarms", "/alarms/x"} {
		want := "Calibration of " + st.Post.Probe.ID + ": due " + noon().AddDate(0, -2, 0).Format(time.DateOnly)
		if page := textOf(get(t, newServer(f), path).Body.String()); !strings.Contains(page, want) {
			t.Errorf("%s lacks %q:\n%s", path, want, page)
		}
	}
}

// A probe that does not answer comes before certificates that are due, however long those are.
func TestAlarmsStandInTheOrderOfTheirUrgency(t *testing.T) {
	now := noon()
	old := func(a alarm.Alarm, days int) alarm.Alarm {
		a.Since = a.Since.AddDate(0, 0, -days)
		return a
	}
	raised := stood("ward", alarm.CertificateDue, alarm.Unacknowledged, now)
	raised.Priority = alarm.High
	all := []alarm.Alarm{
		old(stood("galley", alarm.CertificateDue, alarm.Unacknowledged, now), 9),
		old(stood("canteen", alarm.CertificateDue, alarm.Acknowledged, now), 8),
		stood("galley", alarm.Silent, alarm.Unacknowledged, now),
		stood("canteen", alarm.Exceeds, alarm.LatchedAcknowledged, now),
		raised,
		stood("ward", alarm.Exceeds, alarm.ReturnedUnacknowledged, now),
	}
	open, _ := plainVoice().alarmViews(all, newFake(now).stats, now)
	var got []string
	for _, a := range open {
		got = append(got, a.Key)
	}
	const want = "ward-certificate-due canteen-exceeds galley-silent galley-certificate-due canteen-certificate-due ward-exceeds"
	if strings.Join(got, " ") != want {
		t.Errorf("%q, want %q", got, want)
	}
}

// What ended since its post was taken out of the configuration does not look
// mended, nor what stands there watched.
func TestAlarmsOfAPostThatIsGoneSaySo(t *testing.T) {
	f := newFake(noon())
	f.own = alarm.Alarm{Post: "cellar", Rule: alarm.Silent, State: alarm.Normal, ID: "cellar.silent.1", Since: noon().Add(-time.Hour), Changed: noon()}
	const want = "post cellar, which was removed from the configuration: nobody watches it any more"
	if page := get(t, newServer(f), "/alarms").Body.String(); !strings.Contains(page, "Probe does not answer: "+want) {
		t.Error("the page does not say why it ended")
	}
	f.own.Rule, f.own.State = alarm.Exceeds, alarm.LatchedUnacknowledged
	if page := get(t, newServer(f), "/").Body.String() + get(t, newServer(f), "/alarms").Body.String(); !strings.Contains(page, want) || strings.Contains(page, "No reading above a limit") {
		t.Error("the page does not say who watches")
	} else if strings.Contains(page, "elow the limit now") || !strings.Contains(page, "Not acknowledged: not seen now; the cause is not known to be mended") {
		t.Error("the page knows that what nobody watches is below its limit")
	}
	f = newFake(noon())
	f.stats[0].Alarms = []alarm.Alarm{{Post: f.stats[0].Post.ID, Rule: alarm.OpenDoor, State: alarm.LatchedAcknowledged, ID: "x", Since: noon().Add(-time.Hour), Changed: noon()}}
	if page := get(t, newServer(f), "/alarms").Body.String(); strings.Contains(page, "elow the limit") || !strings.Contains(page, "Acknowledged: not seen now") {
		t.Error("a field beside an open door is told of a limit")
	}
}

// Nobody sees that the field is below a limit that the post has no longer, nor below any
// where the post does not see: all lists say so, and the alarm's own page.
func TestWhatIsJudgedNoMoreIsNotBelowItsLimit(t *testing.T) {
	more := aPost("galley", "Galley oven", "galley")
	more.More = []limit.Limit{{ID: "other", Value: 20}}
	more.Rules = []acquire.Rule{{Rule: alarm.ExceedsBy("level"), Level: 5}}
	for name, c := range map[string]struct {
		rule  alarm.Rule
		post  *acquire.Post
		blind bool
		below bool
	}{
		"its limit":               {alarm.Exceeds, more, false, true},
		"another limit":           {alarm.ExceedsOf("other"), more, false, true},
		"a level":                 {alarm.ExceedsBy("level"), more, false, true},
		"another limit, gone":     {alarm.ExceedsOf("other"), aPost("galley", "Galley oven", "galley"), false, false},
		"a level, gone":           {alarm.ExceedsBy("level"), aPost("galley", "Galley oven", "galley"), false, false},
		"its limit, and is blind": {alarm.Exceeds, more, true, false},
	} {
		f := newFake(noon())
		st := seeing(0, c.post, 1, noon())
		if c.blind {
			st = blinded(st, acquire.SilentNow, "it does not answer")
		}
		a, events := alarm.Alarm{Post: "galley", Rule: c.rule}, []acquire.Event(nil)
		for i, what := range []alarm.Happening{alarm.Appears, alarm.Disappears} {
			act := alarm.Act{What: what, At: noon().Add(time.Duration(i-9) * time.Minute)}
			next, reason := a.Do(act)
			events = append(events, acquire.Event{ID: int64(i + 1), At: act.At, Post: a.Post, Kind: acquire.KindAlarm, Alarm: &alarm.Change{Alarm: next, From: a.State, Reason: reason}})
			a = next
		}
		st.Alarms = []alarm.Alarm{a}
		f.stats = []acquire.Stats{st}
		s := newServer(f, func(o *Options) {
			o.Changes = func(context.Context, time.Time, time.Time) iter.Seq2[acquire.Event, error] {
				return func(yield func(acquire.Event, error) bool) {
					_ = yield(events[0], nil) && yield(events[1], nil)
				}
			}
			o.Occurrence = func(context.Context, string) ([]acquire.Event, error) { return events, nil }
		})
		for path, times := range map[string]int{"/": 1, "/alarms": 2, "/posts/galley": 1, "/alarms/" + a.ID: 1} {
			page := textOf(get(t, s, path).Body.String())
			want, not := "Not acknowledged: not seen now; the cause is not known to be mended", "Not acknowledged: below the limit now"
			if c.below {
				want, not = not, want
			}
			if strings.Count(page, want) < times || strings.Contains(page, not) {
				t.Errorf("%s: %s lacks %q, or says %q:\n%s", name, path, want, not, page)
			}
		}
	}
}

// Each rule has a name of its own on the page, that tells what its own name is.
func TestEveryRuleHasItsName(t *testing.T) {
	v := newServer(newFake(noon())).voiceOf(httptest.NewRequest(http.MethodGet, "/", nil))
	named := map[string]alarm.Rule{}
	for _, r := range alarm.Rules() {
		words := v.rule(r)
		if words == string(r) || strings.Contains(words, "by:") || strings.Contains(words, r.Kind()+":") || !strings.Contains(words, strings.TrimPrefix(r.Name(), "by:")) {
			t.Errorf("%s is called %q", r, words)
		}
		if other, taken := named[words]; taken {
			t.Errorf("%s and %s are both called %q", r, other, words)
		}
		named[words] = r
	}
}
