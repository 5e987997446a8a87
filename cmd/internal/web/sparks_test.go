package web

import (
	"errors"
	"fmt"
	"math"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"
	"time"

	"context"

	"github.com/chromedp/chromedp"

	"ovenward/acquire"
	"ovenward/acquire/store"
)

// A spark draws what was not seen as that, and over range at its top; it is never
// drawn from nothing.
func TestSparks(t *testing.T) {
	asked := 0
	twos := kept(func(at time.Time, p *store.Point) {
		switch ago := noon().Sub(at); {
		case ago > 40*time.Minute && ago <= 50*time.Minute:
			p.Sums = store.Sums{}
		case ago > 20*time.Minute && ago <= 22*time.Minute:
			p.OverRange, p.Classes[overClass], p.Values, p.Max = time.Minute, 1, 0, math.NaN()
		}
	})
	series := func(ctx context.Context, post string, from, to time.Time, n int) ([]store.Point, error) { // two minutes wide, as the record's are
		asked = n
		return twos(ctx, post, from, to, sparkPoints)
	}
	s := newServer(newFake(noon()), func(o *Options) { o.Series = series })
	if sp := s.sparks.of("galley"); sp.coded(plainVoice()) != "" || sp.words(plainVoice()) != "Last hour: not read yet" {
		t.Errorf("before it was read: %q, %q", sp.coded(plainVoice()), sp.words(plainVoice()))
	}
	s.readSparks(t.Context())
	if asked <= sparkPoints {
		t.Errorf("%d points are asked for: the record's would be three minutes wide", asked)
	}
	sp := s.sparks.of("galley")
	// The axis ends at 12.5 W/m²; 3 of them are 6 of 24 px, the limit of 10 is 19.
	if want := "M5 12h5"; sp.Gaps != want {
		t.Errorf("gaps %q, want %q", sp.Gaps, want)
	}
	if want := "M0 18h1h1h1h1h1M10 18h1h1h1h1h1h1h1h1h1v-18h1v18h1h1h1h1h1h1h1h1h1h1"; strings.ReplaceAll(sp.Line, "v0h1", "h1") != want || sp.LimitY != 5 {
		t.Errorf("line %q with the limit at %d, want %q", sp.Line, sp.LimitY, want)
	}
	if got, want := sp.words(plainVoice()), "Last hour: 0.2 to 0.3 mW/cm², over range at times, not seen for 10 min"; got != want {
		t.Errorf("words %q, want %q", got, want)
	}
	if none := sparkOf(nil, 10, &acquire.Probe{Floor: 0.1}, noon()); none.Gaps != "M0 12h30" || none.Line != "" {
		t.Errorf("where nothing was seen: gaps %q, line %q", none.Gaps, none.Line)
	}
	if page := get(t, s, "/").Body.String(); strings.Count(page, sp.Line) != 3 {
		t.Error("the overview does not draw them")
	}
	low := []store.Point{{From: noon().Add(-10 * time.Minute), To: noon(), Sums: store.Sums{Samples: 10, Values: 10, Min: -31, Max: -30}}}
	if off := sparkOf(low, 10, &acquire.Probe{Floor: 0.1}, noon()); off.Line != "" || off.Gaps != "M0 12h30" {
		t.Errorf("far below zero: gaps %q, line %q", off.Gaps, off.Line)
	}
	// A record that cannot be read leaves the last one, and says so nowhere as new.
	s.o.Series = func(context.Context, string, time.Time, time.Time, int) ([]store.Point, error) {
		return nil, errors.New("disk")
	}
	s.readSparks(t.Context())
	if s.sparks.of("galley").Line != sp.Line {
		t.Error("what was read before is gone")
	}
}

// Each viewer reads in the unit that they picked; the page leads back to where it
// was picked, and nowhere else.
func TestUnitsOfTheViewer(t *testing.T) {
	s := newServer(newFake(noon()))
	pick := func(unit, back string) (*http.Response, string) {
		r := httptest.NewRequest(http.MethodPost, "http://127.0.0.1:24500/unit", strings.NewReader(url.Values{"unit": {unit}, "back": {back}}.Encode()))
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		r.Header.Set("Sec-Fetch-Site", "same-origin")
		answer := send(s, r).Result()
		if len(answer.Cookies()) != 1 {
			return answer, ""
		}
		r = httptest.NewRequest(http.MethodGet, "http://127.0.0.1:24500/posts/canteen", nil)
		r.AddCookie(answer.Cookies()[0])
		return answer, textOf(send(s, r).Body.String())
	}
	for _, c := range []struct{ unit, value, limit string }{
		{"mw-cm2", "0.24 mW/cm²", "limit 1 mW/cm²"},
		{"w-m2", "2.4 W/m²", "limit 10 W/m²"},
		{"v-m", "30.1 V/m", "limit 61.4 V/m"}, // √(2.4 · 377) and √(10 · 377)
		{"furlong", "0.24 mW/cm²", "limit 1 mW/cm²"},
	} {
		answer, page := pick(c.unit, "/posts/canteen?span=60")
		if answer.StatusCode != http.StatusSeeOther || answer.Header.Get("Location") != "/posts/canteen?span=60" {
			t.Errorf("%s: %d to %s", c.unit, answer.StatusCode, answer.Header.Get("Location"))
		}
		if !strings.Contains(page, c.value) || !strings.Contains(page, c.limit) || !strings.Contains(page, "24 % of the limit") {
			t.Errorf("%s: the page lacks %q or %q: %s", c.unit, c.value, c.limit, page)
		}
	}
	for _, back := range []string{"https://elsewhere.example/", "//elsewhere.example/", `/\elsewhere.example`, "javascript:alert(1)", "posts", ""} {
		if answer, _ := pick("v-m", back); answer.Header.Get("Location") != "/" {
			t.Errorf("back to %q leads to %q", back, answer.Header.Get("Location"))
		}
	}
	r := httptest.NewRequest(http.MethodPost, "http://127.0.0.1:24500/unit", strings.NewReader("unit=v-m"))
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	r.Header.Set("Sec-Fetch-Site", "cross-site")
	asProblem(t, send(s, r), http.StatusForbidden)
	// Noise below zero keeps its sign.
	if got := unitNamed("v-m").print(-0.1, 3); got != "-6.14 V/m" && got != "−6.14 V/m" {
		t.Errorf("below zero is printed as %q", got)
	}
}

// Times are those of the site's zone, and say so; the API keeps UTC.
func TestTimesAreTheSites(t *testing.T) {
	zone, err := time.LoadLocation("Europe/London")
	if err != nil {
		t.Fatal(err)
	}
	s := newServer(newFake(noon()), func(o *Options) { o.Zone = zone })
	page := textOf(get(t, s, "/").Body.String())
	for _, want := range []string{"13:00:00 BST (Europe/London)", "since 12:58:30 BST", "Times are those of the site (Europe/London)"} {
		if !strings.Contains(page, want) {
			t.Errorf("the page lacks %q: %s", want, page)
		}
	}
	if api := get(t, s, "/api/v1/posts").Body.String(); !strings.Contains(api, `"condition_since":"2026-06-03T11:58:30.000Z"`) {
		t.Errorf("the API does not keep UTC: %s", api)
	}
}

// The clock of a page that stays open reads like the station's own, before and after
// clocks change.
func TestBrowserClockIsTheSites(t *testing.T) {
	zone, err := time.LoadLocation("America/New_York")
	if err != nil {
		t.Fatal(err)
	}
	b := open(t, newFake(time.Now()), func(o *Options) { o.Zone = zone })
	b.visit(1280, 900)
	b.until(`/^\d\d:\d\d:\d\d E[SD]T$/.test(document.querySelector('[data-f="clock"]').textContent)`)
	at := time.Now().In(zone)
	for range 3 {
		_, change := at.ZoneBounds()
		for _, x := range []time.Time{at, change.Add(-time.Second), change} {
			b.do(chromedp.Evaluate[chromedp.Void](fmt.Sprintf(`void import("/static/shell.js").then((m) => { window.said = m.clock(%d); })`, x.UnixMilli())))
			b.until(fmt.Sprintf(`window.said === %q`, x.In(zone).Format("15:04:05 MST")))
		}
		at = change
	}
}

func TestZoneNames(t *testing.T) {
	for zone, want := range map[string]string{"UTC": "0 UTC", "Asia/Tokyo": "0 JST",
		"Europe/London": "0 BST,1792890000000 GMT,1806195600000 BST,1824944400000 GMT,1837645200000 BST"} {
		at, err := time.LoadLocation(zone)
		if err != nil {
			t.Fatal(err)
		}
		if got := zoneNames(noon().In(at)); got != want {
			t.Errorf("%s: %q, want %q", zone, got, want)
		}
	}
}

// The top line says what it rests on, and what of that is not so.
func TestGroundsOfTheTopLine(t *testing.T) {
	f := newFake(noon())
	page := textOf(get(t, newServer(f), "/").Body.String())
	for _, want := range []string{"No reading above a limit; all 3 posts seeing", "Samples: the newest of each post is at most 1 s old.",
		"Certificates: all 3 probes have one that is valid; the next is due 2027-02-01.", "Clock: no newest instant is unsure.", "Record: every reading is being kept."} {
		if !strings.Contains(page, want) {
			t.Errorf("the page lacks %q: %s", want, page)
		}
	}
	f.stats[0].Post.Probe.Certificate.Due = noon().Add(-time.Hour)
	f.stats[1].Newest.Quality = 1 << 4
	f.stats[2] = blinded(f.stats[2], "silent", "no answer")
	page = textOf(get(t, newServer(f, func(o *Options) { o.Healthy = func() error { return errors.New("disk full") } }), "/").Body.String())
	for _, want := range []string{"Samples: 1 of 3 posts without a fresh one", "Certificates: 1 of 3 probes has none that is valid: probe-galley.",
		"Clock: the instants are unsure.", "Record: readings are not kept: disk full."} {
		if !strings.Contains(page, want) {
			t.Errorf("the page lacks %q: %s", want, page)
		}
	}
}

// What the chain says in words is in the viewer's unit too: verdicts, alarms, surveys,
// limits of the register.
func TestSentencesInTheViewersUnit(t *testing.T) {
	in := func(unit string) voice { return newServer(newFake(noon())).voiceIn(unitNamed(unit)) }
	for _, c := range []struct{ unit, said, want string }{
		{"w-m2", "6.221 mW/cm², 1.24 × the limit of 5 mW/cm² (in-use)", "62.21 W/m², 1.24 × the limit of 50 W/m² (in-use)"},
		{"w-m2", "< 0.02 mW/cm²", "< 0.2 W/m²"},
		{"w-m2", "the field is 5e-05 mW/cm²; (0.300 mW/cm²)", "the field is 0.0005 W/m²; (3 W/m²)"},
		{"v-m", "5 mW/cm² at 50 mm", "137 V/m at 50 mm"}, // √(50 · 377)
		{"w-m2", "21 CFR 1030.10(c)(1): 5 mW/cm2", "21 CFR 1030.10(c)(1): 5 mW/cm2"},
		{"w-m2", "(7.5 ± 1.9) mW/cm²", "(7.5 ± 1.9) mW/cm²"},
		{"mw-cm2", "6.221 mW/cm²", "6.221 mW/cm²"},
	} {
		v := in(c.unit)
		if got := v.said(c.said); got != c.want || v.said(got) != got {
			t.Errorf("%s: %q, want %q; said again %q", c.unit, got, c.want, v.said(got))
		}
	}
	k := newKeeping()
	s := newServer(newFake(noon()), k.options, func(o *Options) { o.Surveys = walking(t, noon()) })
	for _, unit := range []string{"w-m2", "v-m"} {
		for _, path := range []string{"/surveys/one", "/surveys/two", "/ovens", "/ovens/galley-oven"} {
			r := httptest.NewRequest(http.MethodGet, "http://127.0.0.1:24500"+path, nil)
			r.AddCookie(&http.Cookie{Name: unitCookie, Value: unit})
			text := textOf(send(s, r).Body.String())
			if n := strings.Count(text, "mW/cm²"); n != 1 { // the choice of units
				t.Errorf("%s in %s: mW/cm² stands there %d times: %s", path, unit, n, text)
			}
		}
	}
}

// Of two instants none lacks its date where the other has one.
func TestSpansSayTheirDays(t *testing.T) {
	v := newServer(newFake(noon())).voiceIn(unitNamed(""))
	for _, c := range []struct {
		ago  time.Duration
		want string
	}{{time.Hour, "11:00:00 UTC to 12:00:00 UTC"}, {30 * time.Hour, "2026-06-02 06:00:00 UTC to 2026-06-03 12:00:00 UTC"}} {
		if got := v.between(noon().Add(-c.ago), noon(), noon()); got != c.want {
			t.Errorf("%q, want %q", got, c.want)
		}
	}
}

// The points of a record begin at whole minutes and may be wider than a column: what
// was seen is no gap for that.
func TestSparksOfTheRecordsPoints(t *testing.T) {
	to := noon().Add(77 * time.Second)
	for _, wide := range []time.Duration{time.Minute, 2 * time.Minute, 3 * time.Minute, 4 * time.Minute} {
		var points []store.Point
		for at := to.Add(-sparkSpan).Truncate(wide); at.Before(to); at = at.Add(wide) {
			points = append(points, store.Point{From: at, To: at.Add(wide), Sums: store.Sums{Samples: 10, Values: 10, Min: 1, Max: 2, Seen: wide}})
		}
		if sp := sparkOf(points, 10, &acquire.Probe{Floor: 0.1}, to); sp.Gaps != "" || sp.unseen != 0 {
			t.Errorf("points of %v: gaps %q, %v not seen", wide, sp.Gaps, sp.unseen)
		}
		half := points[:len(points)/2]
		if sp := sparkOf(half, 10, &acquire.Probe{Floor: 0.1}, to); sp.unseen < 26*time.Minute || sp.unseen > 34*time.Minute {
			t.Errorf("half of the points of %v: %v not seen", wide, sp.unseen)
		}
	}
}
