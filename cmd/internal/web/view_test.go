package web

import (
	"encoding/json"
	"math"
	"net/http"
	"net/http/httptest"
	"regexp"
	"strings"
	"testing"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/alarm"
	"ovenward/acquire/calib"
	"ovenward/acquire/quantity"
)

// get asks the server as a browser on the station would.
func get(t *testing.T, s *Server, path string) *httptest.ResponseRecorder {
	t.Helper()
	r := httptest.NewRequest(http.MethodGet, "http://127.0.0.1:24500"+path, nil)
	r.RemoteAddr = "127.0.0.1:50000"
	w := httptest.NewRecorder()
	s.Handler().ServeHTTP(w, r)
	return w
}

// textOf is what a person reads of a page: no tags, single blanks.
func textOf(page string) string {
	page = regexp.MustCompile(`(?s)<[^>]*>`).ReplaceAllString(page, " ")
	page = strings.NewReplacer("&#39;", "'", "&#43;", "+", "&quot;", `"`, "&amp;", "&").Replace(page)
	return strings.Join(strings.Fields(page), " ")
}

// saying is a state of the station, what the page says of it and what never.
type saying struct {
	name  string
	set   func(*fakeStation)
	says  []string
	never []string
}

// only leaves the fake one post.
func only(st acquire.Stats) func(*fakeStation) {
	return func(f *fakeStation) { f.stats = f.stats[:1]; f.stats[0] = st }
}

func quiet(st acquire.Stats) acquire.Stats {
	st.Condition, st.Running = acquire.Idle, false
	return st
}

func with(st acquire.Stats, a ...alarm.Alarm) acquire.Stats {
	st.Alarms = a
	return st
}

func TestPageSaysWhatIsSeen(t *testing.T) {
	nan := quantity.PowerDensity(math.NaN())
	galley := aPost("galley", "Galley oven", "ground floor")
	hold(t, []saying{
		{"calm", func(*fakeStation) {},
			[]string{"No reading above a limit; all 3 posts seeing", "0.08 mW/cm²", "0.8 W/m²", "8 % of the limit", "sample 0.4 s ago",
				"Limit 1 mW/cm² at 50 mm (10 W/m²)", "Basis emission limit for an oven in use", "Source an invented rule of the house",
				"Seeing; the oven runs since 11:58:30 UTC", "No alarm stands.", "Within the limit", "judged on (0.080 ± 0.016) mW/cm², k = 2",
				"Verdicts now: within (3)."},
			[]string{"standing alarm", "not seeing"}},
		{"idle counts as seeing, not as within", only(quiet(seeing(0, galley, 0.3, noon()))),
			[]string{"No reading above a limit; the 1 post is seeing", "Seeing; the oven is idle or not known to run"}, nil},
		{"above", func(f *fakeStation) { f.stats[1] = seeing(1, f.stats[1].Post, 14.3, noon()) },
			[]string{"1 of 3 posts above its limit", "1.43 mW/cm²", "1.43 × the limit", "14.3 W/m²", "Exceeds the limit", "above the limit at this moment"},
			[]string{"No reading above a limit"}},
		{"two above", func(f *fakeStation) {
			f.stats[0], f.stats[1] = seeing(0, f.stats[0].Post, 14, noon()), seeing(1, f.stats[1].Post, 14, noon())
		}, []string{"2 of 3 posts above their limits"}, []string{"No reading above a limit"}},
		{"over range", only(overRanged(seeing(0, galley, 0.8, noon()))),
			[]string{"1 of 1 post above its limit", "over range", "more than 10 × the limit", "above 10 mW/cm² (100 W/m²), the top of the probe's range",
				"over the probe's range"},
			[]string{"0.08", "No reading above a limit"}},
		{"over range from the start", only(func() acquire.Stats { st := overRanged(seeing(0, galley, 0.8, noon())); st.Running = false; return st }()),
			[]string{"Seeing; no run is told yet, the field is over range since 11:58:30 UTC"}, []string{"idle", "Seeing; the oven runs", "No reading above a limit"}},
		{"silent", only(blinded(seeing(0, galley, 0.8, noon()), acquire.SilentNow, "no answer for 6 s: check the cable")),
			[]string{"1 of 1 post not seeing", "Not seeing: silent, the probe does not answer", "not seen", "the field here is unknown now",
				"last valid sample 0.4 s ago", "no answer for 6 s: check the cable", "Not decided"},
			[]string{"0.08", "% of the limit", "No reading above a limit", "Within the limit"}},
		{"stale", only(blinded(seeing(0, galley, 0.8, noon()), acquire.StaleNow, "no valid sample")),
			[]string{"Not seeing: stale, no fresh valid sample"}, []string{"0.08"}},
		{"stuck", only(blinded(seeing(0, galley, 0.8, noon()), acquire.StuckNow, "the same digits")),
			[]string{"Not seeing: stuck, the reading stands still"}, []string{"0.08"}},
		{"starting", only(acquire.Stats{Post: galley, Condition: acquire.Starting, Since: noon()}),
			[]string{"1 of 1 post not seeing", "Not seeing: starting, no answer yet", "no valid sample yet", "not seen"}, []string{"NaN", "0 mW", "ago sample"}},
		{"blind after an exceedance", only(func() acquire.Stats {
			st := blinded(seeing(0, galley, 14.3, noon()), acquire.SilentNow, "no answer")
			st.Verdict.Outcome = "exceeds"
			return st
		}()), []string{"1 of 1 post was above its limit when last seen", "1 of 1 post not seeing"}, []string{"1.43"}},
		{"not a number", only(func() acquire.Stats { st := seeing(0, galley, nan, noon()); st.Last.U = nan; return st }()),
			[]string{"not seen", "1 of 1 post not seeing"}, []string{"NaN", "no value mW"}},
	})
}

func TestPageSaysWhatIsAmiss(t *testing.T) {
	galley := aPost("galley", "Galley oven", "ground floor")
	hold(t, []saying{
		{"under the floor", only(func() acquire.Stats {
			st := quiet(seeing(0, galley, 0.03, noon()))
			st.Last.Quality = acquire.UnderFloor
			return st
		}()), []string{"under 0.01 mW/cm²", "under 0.1 W/m², the probe's noise floor", "under 1 % of the limit"}, []string{"0.003 "}},
		{"so far below zero that its zero is off", only(func() acquire.Stats {
			st := quiet(seeing(0, galley, -30, noon()))
			st.Last.Quality = acquire.UnderFloor | acquire.Uncalibrated
			return st
		}()), []string{"1 of 1 post with its probe's zero off: the field there is not known", "Not seeing: the probe's zero is off, the field is not known",
			"reads -3 mW/cm²", "-30 W/m²: the zero is off, and the field here is unknown now", "at most 1 s old"},
			[]string{"No reading above a limit", "under 0.01", "% of the limit", "idle", "× the limit"}},
		{"uncalibrated, faulty and low", only(func() acquire.Stats {
			st := seeing(0, galley, 14, noon())
			st.Newest.Quality, st.Battery = acquire.Uncalibrated|acquire.Fault|acquire.ClockUnsure, true
			return st
		}()), []string{"the newest sample is not calibrated", "declares a fault", "the instants are unsure", "calls for a new battery", "1.4 mW/cm²"}, nil},
		{"an alarm takes the calm line away", only(with(seeing(0, galley, 0.8, noon()), stood("galley", alarm.Exceeds, alarm.LatchedAcknowledged, noon()))),
			[]string{"1 standing alarm", "below the limit now; the cause is not known to be mended", "It was mended or surveyed",
				"Keep this oven out of use until licensed service has mended the cause or a survey was made; only a reset that names it ends this alarm.",
				"since 11:58:00 UTC", "1 of 1 post was above its limit; the cause is not known to be mended",
				"Was above its limit; the cause is not known to be mended. Now: Seeing; the oven runs since 11:58:30 UTC"},
			[]string{"No reading above a limit", "not to be counted as seeing"}},
		{"above again, under an alarm that outlasted a run", only(with(seeing(0, galley, 14.3, noon()), stood("galley", alarm.Exceeds, alarm.LatchedAcknowledged, noon()))),
			[]string{"Above its limit alarm since 11:58:00 UTC", "Above its limit, alarm since 11:58:00 UTC."}, []string{"Above its limit since"}},
		{"an ended alarm waits", only(with(seeing(0, galley, 0.8, noon()), stood("galley", alarm.Silent, alarm.ReturnedUnacknowledged, noon()))),
			[]string{"No reading above a limit; the 1 post is seeing", "1 ended alarm waits to be acknowledged.", "Ended by itself, not acknowledged."},
			[]string{"standing alarm"}},
		{"an ended alarm is listed", only(with(seeing(0, galley, 0.8, noon()), stood("galley", alarm.Silent, alarm.Normal, noon()))),
			[]string{"Ended lately: 1", "Probe does not answer: Ground floor (Galley oven) 11:58:00 UTC to 11:59:30 UTC", "No alarm stands."}, nil},
		{"the station's own alarm", func(f *fakeStation) { f.own = stood("", alarm.Record, alarm.Unacknowledged, noon()) },
			[]string{"1 standing alarm", "Record cannot be written", "the station itself"}, []string{"No reading above a limit"}},
		{"nothing watched", func(f *fakeStation) { f.stats = nil },
			[]string{"No post is configured: nothing is watched"}, []string{"No reading above", "all 0"}},
	})
}

func hold(t *testing.T, sayings []saying) {
	t.Helper()
	for _, c := range sayings {
		t.Run(c.name, func(t *testing.T) {
			f := newFake(noon())
			f.traces = map[int]acquire.Trace{}
			c.set(f)
			text := ""
			paths := []string{"/", "/alarms"}
			for _, st := range f.stats {
				paths = append(paths, "/posts/"+st.Post.ID)
			}
			for _, path := range paths {
				w := get(t, newServer(f), path)
				if w.Code != http.StatusOK {
					t.Fatalf("%s: status %d: %s", path, w.Code, w.Body)
				}
				text += textOf(w.Body.String()) + "\n"
				neverReassures(t, w.Body.String())
			}
			for _, s := range c.says {
				if !strings.Contains(text, s) {
					t.Errorf("the page does not say %q; it says %s", s, text)
				}
			}
			for _, s := range c.never {
				if strings.Contains(text, s) {
					t.Errorf("the page says %q: %s", s, text)
				}
			}
			if api := get(t, newServer(f), "/api/v1/posts"); !json.Valid(api.Body.Bytes()) || api.Code != http.StatusOK {
				t.Errorf("posts: %d %s", api.Code, api.Body)
			}
		})
	}
}

// neverReassures holds that nothing served calls anything safe or well.
func neverReassures(t *testing.T, served string) {
	t.Helper()
	const caution = "Ovenward advises. It is no safety interlock and no substitute for a qualified person or local codes."
	if !strings.Contains(served, caution) {
		t.Error("the caution is missing")
	}
	rest := strings.ToLower(strings.ReplaceAll(served, caution, ""))
	for _, word := range []string{"safe", "all is well"} {
		if strings.Contains(rest, word) {
			t.Errorf("the page says %q", word)
		}
	}
}

func TestSimulatedIsSaid(t *testing.T) {
	const banner = "Simulated: model kitchen, not a measurement."
	for _, simulated := range []bool{true, false} {
		s := newServer(newFake(noon()), func(o *Options) { o.Simulated = simulated })
		if got := strings.Contains(textOf(get(t, s, "/").Body.String()), banner); got != simulated {
			t.Errorf("simulated %v: banner shown %v", simulated, got)
		}
	}
}

func TestWorstFirst(t *testing.T) {
	f := newFake(noon())
	f.stats[0].Condition = acquire.Idle
	f.stats[1] = blinded(f.stats[1], acquire.SilentNow, "no answer")
	f.stats = append(f.stats, seeing(3, aPost("bakery", "Bakery oven", ""), 20, noon()),
		seeing(4, aPost("annex", "Annex oven", ""), 1, noon()))
	f.stats[4].Alarms = []alarm.Alarm{stood("annex", alarm.Exceeds, alarm.LatchedUnacknowledged, noon())}
	var got []string
	for _, m := range regexp.MustCompile(`<a href=/posts/([^>]+)>`).FindAllStringSubmatch(get(t, newServer(f), "/").Body.String(), -1) {
		got = append(got, m[1])
	}
	if want := "bakery annex ward canteen galley"; strings.Join(got, " ") != want {
		t.Errorf("order is %q, want %q", strings.Join(got, " "), want)
	}
	// So do the lists of ovens and probes: of those that do not see, the one that had been above.
	lost := blinded(f.stats[4], acquire.SilentNow, "no answer")
	rows := []rowView{{ID: "ward"}, {ID: "annex"}, {ID: "lost"}}
	for i, st := range []acquire.Stats{f.stats[1], f.stats[4], lost} {
		rows[i].Posts = []postLink{plainVoice().postLink(st, noon())}
	}
	if worstStanding(rows); rows[0].ID != "lost" || rows[1].ID != "annex" {
		t.Errorf("the list begins with %s, %s; want lost, annex", rows[0].ID, rows[1].ID)
	}
	for i := range rows {
		rows[i].Title = rows[i].ID
	}
	var lines []string
	for _, l := range plainVoice().ovenLines(rows, nil) {
		lines = append(lines, l.Text)
	}
	if said, want := strings.Join(lines, "\n"), "is not known to be mended: lost, annex\nNot seen: lost, ward\n"; !strings.Contains(said, want) {
		t.Errorf("above the list stands %q, want %q in it", said, want)
	}
}

// Two posts at one oven bear their own names wherever they are named by the oven.
func TestPostsAtOneOvenAreToldApart(t *testing.T) {
	f := newFake(noon())
	f.stats[0].Post = aPost("left", "Bakery oven", "bakery")
	f.stats[1] = seeing(1, aPost("right", "Bakery oven", "bakery"), 14, noon())
	f.stats[1].Alarms = []alarm.Alarm{stood("right", alarm.Exceeds, alarm.Unacknowledged, noon())}
	s := newServer(f)
	const left, right = "Bakery (Bakery oven, post left)", "Bakery (Bakery oven, post right)"
	for path, want := range map[string][]string{
		"/":            {"1 of 3 posts above its limit: " + right, "Field above the limit: " + right, ">" + left + "</a>", ">" + right + "</a>", "Staff canteen (Canteen oven)</a>"},
		"/alarms":      {right},
		"/posts/right": {"<title>" + right + " · Larkfield House</title>"},
		"/posts/left":  {"<title>" + left + " · Larkfield House</title>"},
	} {
		page := get(t, s, path).Body.String()
		for _, w := range want {
			if !strings.Contains(page, w) && !strings.Contains(textOf(page), w) {
				t.Errorf("%s lacks %q", path, w)
			}
		}
	}
	if page := textOf(get(t, s, "/posts/left").Body.String()); !strings.Contains(page, "Bakery (Bakery oven, post left) Seeing") {
		t.Error("the page of a post does not name it: " + page)
	}
	f.stats[0].Post.OvenPlace, f.stats[1].Post.OvenPlace = "", ""
	if page := textOf(get(t, s, "/posts/left").Body.String()); !strings.Contains(page, "Bakery oven (post left)") {
		t.Error("where the place is not known, neither is the post")
	}
}

// Of those that stand alike the worse comes first: above the limit by the highest value
// of the run, over range before all; those that see by their last hour.
func TestWorstFirstAmongEquals(t *testing.T) {
	f := newFake(noon())
	f.stats = nil
	for i, p := range []struct {
		id        string
		now, peak quantity.PowerDensity
	}{{"low", 11, 12}, {"high", 11, 90}, {"beyond", 80, 80}, {"calm", 1, 1}, {"busy", 1, 1}} {
		st := seeing(i, aPost(p.id, p.id, ""), p.now, noon())
		st.RunPeak = p.peak
		if p.id == "beyond" {
			st = overRanged(st)
		}
		f.stats = append(f.stats, st)
	}
	s := newServer(f)
	s.sparks.all["calm"] = spark{Read: true, hi: 2, limit: 10}
	s.sparks.all["busy"] = spark{Read: true, hi: 8, limit: 10}
	var got []string
	for _, m := range regexp.MustCompile(`<a href=/posts/([^>]+)>`).FindAllStringSubmatch(get(t, s, "/").Body.String(), -1) {
		got = append(got, m[1])
	}
	if want := "beyond high low busy calm"; strings.Join(got, " ") != want {
		t.Errorf("order is %q, want %q", strings.Join(got, " "), want)
	}
}

// A post that was above its limit stands before one that only calls for a certificate,
// however calm its newest run was and however high the other's last hour.
func TestAnExceedanceThatIsKeptStandsBeforeLesserMatters(t *testing.T) {
	f := newFake(noon())
	f.stats[0].Alarms = []alarm.Alarm{stood("galley", alarm.CertificateDue, alarm.Acknowledged, noon())}
	f.stats[2].Alarms = []alarm.Alarm{stood("canteen", alarm.Exceeds, alarm.LatchedAcknowledged, noon())}
	f.stats[2].RunPeak = 1
	s := newServer(f)
	s.sparks.all["galley"] = spark{Read: true, hi: 8, limit: 10}
	page := get(t, s, "/").Body.String()
	if kept, lesser := strings.Index(page, "<a href=/posts/canteen>"), strings.Index(page, "<a href=/posts/galley>"); kept < 0 || kept > lesser {
		t.Errorf("the post that was above its limit stands at %d, the one whose certificate is due at %d", kept, lesser)
	}
	for _, i := range []int{0, 2} { // nor once nobody sees either
		f.stats[i] = blinded(f.stats[i], acquire.SilentNow, "no answer")
	}
	page = get(t, s, "/").Body.String()
	if kept, lesser := strings.Index(page, "<a href=/posts/canteen>"), strings.Index(page, "<a href=/posts/galley>"); kept < 0 || kept > lesser {
		t.Errorf("of two that do not see, the post that was above its limit stands at %d, the other at %d", kept, lesser)
	}
	for _, r := range []alarm.Rule{alarm.OpenDoor, alarm.Emission} { // nor one that emitted where it should not
		f.stats[2].Alarms = []alarm.Alarm{stood("canteen", r, alarm.LatchedAcknowledged, noon())}
		page = get(t, s, "/").Body.String()
		if kept, lesser := strings.Index(page, "<a href=/posts/canteen>"), strings.Index(page, "<a href=/posts/galley>"); kept < 0 || kept > lesser {
			t.Errorf("%s: of two that do not see, the post that emitted stands at %d, the other at %d", r, kept, lesser)
		}
	}
}

func TestRatioNeverCrossesTheLimitByRounding(t *testing.T) {
	for _, c := range []struct {
		ratio float64
		want  string
	}{
		{-0.2, "under 1 % of the limit"}, {0, "under 1 % of the limit"}, {0.0099, "under 1 % of the limit"}, {0.12, "12 % of the limit"},
		{0.994, "99 % of the limit"}, {0.9999, "just below the limit"}, {1, "at the limit"}, {1.0001, "just above the limit"},
		{1.0049, "just above the limit"}, {1.43, "1.43 × the limit"}, {12.3, "12 × the limit"},
		{math.Inf(1), "over range"}, {math.NaN(), ""},
	} {
		if got := plainVoice().ratio(c.ratio); got != c.want {
			t.Errorf("%v reads %q, want %q", c.ratio, got, c.want)
		}
	}
}

func TestAge(t *testing.T) {
	for d, want := range map[time.Duration]string{
		-time.Second: "just now", 400 * time.Millisecond: "0.4 s ago", 42 * time.Second: "42 s ago",
		3*time.Minute + 59*time.Second: "3 min ago", 5 * time.Hour: "5 h ago",
	} {
		if got := plainVoice().age(d); got != want {
			t.Errorf("%v reads %q, want %q", d, got, want)
		}
	}
	if got := plainVoice().clock(noon().AddDate(0, 0, -1), noon()); got != "2026-06-02 12:00:00 UTC" {
		t.Errorf("another day reads %q", got)
	}
}

// The page names the certificate that counts at the moment, and not one whose day
// has not come.
func TestCertificateInForceIsShown(t *testing.T) {
	day := func(y int) time.Time { return time.Date(y, 1, 1, 0, 0, 0, 0, time.UTC) }
	now := noon()
	was := &calib.Certificate{Number: "K-1", Date: day(now.Year() - 1), Due: day(now.Year() + 1)}
	next := &calib.Certificate{Number: "K-2", Date: day(now.Year() + 1), Due: day(now.Year() + 2)}
	for _, tc := range []struct {
		newest  *calib.Certificate
		earlier []*calib.Certificate
		want    string
	}{
		{nil, nil, "none"},
		{was, nil, "K-1, due " + was.Due.Format(time.DateOnly)},
		{next, []*calib.Certificate{was}, "K-1, due " + was.Due.Format(time.DateOnly)},
		{next, nil, "K-2, not valid before " + next.Date.Format(time.DateOnly)},
	} {
		p := aPost("galley", "Galley oven", "")
		p.Probe.Certificate, p.Probe.Earlier = tc.newest, tc.earlier
		if got := plainVoice().certificate(p, now); got != tc.want {
			t.Errorf("%q, want %q", got, tc.want)
		}
	}
}
