package web

import (
	"errors"
	"io/fs"
	"net/http"
	"net/http/httptest"
	"net/url"
	"path"
	"regexp"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/fstest"
	"time"
	"unicode"

	"golang.org/x/net/html"

	"ovenward/acquire"
	"ovenward/acquire/alarm"
	"ovenward/acquire/calib"
	"ovenward/acquire/survey"
)

// trial is a language for tests: every text and every phrase of English in
// brackets, so that what stands outside of them was never put into a language.
const trial = "trial"

// bracketed makes the files of the trial language from the English ones.
func bracketed(t testing.TB) fs.FS {
	t.Helper()
	files := fstest.MapFS{}
	for _, pattern := range []string{"texts/en/*.txt", "texts/en/said/*.txt"} {
		names, err := fs.Glob(textFiles, pattern)
		if err != nil || len(names) == 0 {
			t.Fatalf("no texts %s: %v", pattern, err)
		}
		for _, name := range names {
			body, err := fs.ReadFile(textFiles, name)
			if err != nil {
				t.Fatal(err)
			}
			var out strings.Builder
			for line := range strings.Lines(string(body)) {
				line = strings.TrimSpace(line)
				key, text, ok := strings.Cut(line, "=")
				switch {
				case line == "" || line[0] == '#':
				case path.Base(path.Dir(name)) == "said":
					out.WriteString(line + "\n= ⟦" + line + "⟧\n")
				case ok:
					out.WriteString(key + "= ⟦" + strings.TrimSpace(text) + "⟧\n")
				}
			}
			files[strings.Replace(name, "/en/", "/"+trial+"/", 1)] = &fstest.MapFile{Data: []byte(out.String())}
		}
	}
	return files
}

// trialServer speaks the trial language.
func trialServer(t *testing.T, f *fakeStation, change ...func(*Options)) *Server {
	t.Helper()
	return newIn(bracketed(t), trial, optionsOf(f, change...))
}

// outside is what of a text stands outside all brackets; ok is false where they are
// not in pairs.
func outside(text string) (rest string, ok bool) {
	depth := 0
	var b strings.Builder
	for _, c := range text {
		switch {
		case c == '⟦':
			depth++
		case c == '⟧':
			depth--
		case depth == 0:
			b.WriteRune(c)
		}
		if depth < 0 {
			return text, false
		}
	}
	return b.String(), depth == 0
}

// shown lists the texts that a page shows or that its script puts on it.
func shown(page string) []string {
	page = strings.ReplaceAll(page, "noscript", "div")
	var out []string
	z := html.NewTokenizer(strings.NewReader(page))
	for {
		switch z.Next() {
		case html.ErrorToken:
			return out
		case html.TextToken:
			if text := strings.TrimSpace(html.UnescapeString(string(z.Raw()))); text != "" {
				out = append(out, text)
			}
		case html.StartTagToken, html.SelfClosingTagToken:
			for _, a := range z.Token().Attr {
				switch a.Key {
				case "aria-label", "aria-description", "title", "alt", "placeholder", "label", "data-text", "data-live", "data-heard",
					"data-gap", "data-now", "data-s", "data-min", "data-h":
					if a.Key != "data-live" && a.Key != "data-gap" || strings.Contains(a.Val, " ") {
						out = append(out, a.Val)
					}
				}
			}
		}
	}
}

// facts are what pages show that is of no language, or of the people and documents
// it is quoted from. Longer ones come first.
var facts = sync.OnceValue(func() *regexp.Regexp {
	var quoted []string
	for _, group := range [][]string{
		// Names and places, as the fakes have them.
		{"Larkfield House", "Galley oven", "Ward kitchen oven", "Canteen oven", "Bakery oven", "Annex, behind the cold store", "Annex oven", "<Ward> oven", "galley-oven", "ward-oven", "store-oven", "annex", "servery, left", "Servery, left", "servery",
			"ground floor, by the window", "Ground floor, by the window", "second floor", "Second floor", "staff canteen", "Staff canteen", "Store room", "store room",
			"probe-galley", "probe-ward", "probe-canteen", "spare", "galley", "ward", "canteen", "in-use", "in_use", "new", "hatch", "door-7", "hinge-2", "b", "c", "d", "Larkfield Works two shelves", "Larkfield Works", "two shelves", "office", "desk",
			"R. Okafor", "J. Hale", "P. Marlow", "A. Hand", "operator-1", "configuration file"},
		// What people and others wrote.
		{"spare on order", "door bent", "door seal replaced, order 118", "seal of the new type", "the bench is cleaned", "Ward: above the limit", "Galley: above the limit", "250 queued", "410 Gone", "look at it", "bought", "order 4711",
			"door cycling", "our own, edition 2", "12 points", "handle 40 5 2 18 3.5\nvent right 25 4 8 5"},
		// Sentences of an earlier time, which fit no phrase and are shown as they were kept.
		{"above the limit for 3 s", "below the limit", "low"},
		// Documents, quoted.
		{"an invented rule of the house", "an invented rule", "the same", "a laboratory"},
		// Addresses of the API and others.
		{"https://desk.example", "https://desk.larkfield.example/hook", "facilities@larkfield.example", "desk@larkfield.example", "/api/v1/ovens", "--web.config.file"},
		// Fields as the API calls them.
		{"lasting:"},
		// Units, time zone, forms of files and paper.
		{"mW/cm²", "W/m²", "V/m", "mL", "°C", "UTC", "GHz", "MHz", "min", "ms", "pdf", "html", "csv", "json", "A4", "Letter", "CSV", "PDF", "0.1.0-test"},
	} {
		for _, q := range group {
			quoted = append(quoted, whole(q))
		}
	}
	for _, p := range survey.Procedures() {
		quoted = append(quoted, whole(p.Source))
	}
	slices.SortFunc(quoted, func(a, b string) int { return len(b) - len(a) })
	number := `LH-\d{4}|C-\d|[\d.]+ ?W/m²|[\d.]+ ?(s|h|d|m|mm|cm|W|kW|K|Ω)\b|\(k =|[\d-]+ [\d:]+Z`
	return regexp.MustCompile(strings.Join(quoted, `|`) + `|` + number)
})

// whole matches a text that is no part of a word.
func whole(text string) string {
	pattern := regexp.QuoteMeta(text)
	if regexp.MustCompile(`^\w`).MatchString(text) {
		pattern = `\b` + pattern
	}
	if regexp.MustCompile(`\w$`).MatchString(text) {
		pattern += `\b`
	}
	return pattern
}

// bare lists the texts of a page that are in no language of the catalogue.
func bare(page string) []string {
	var out []string
	for _, text := range shown(page) {
		if !inLanguage(text) {
			out = append(out, text)
		}
	}
	return out
}

// inLanguage says whether all of a text stands in brackets but what is data.
func inLanguage(text string) bool {
	rest, ok := outside(text)
	letters := func(s string) bool { return strings.ContainsFunc(s, unicode.IsLetter) }
	return ok && (!letters(rest) || !letters(facts().ReplaceAllString(rest, "")))
}

// pagesOf lists the paths of all pages.
func pagesOf(s *Server) []string {
	var out []string
	for _, r := range s.routes() {
		if p := filled(r.pattern); r.method == http.MethodGet && !strings.HasPrefix(p, "/api/") && !strings.HasPrefix(p, "/static/") && !strings.HasPrefix(p, "/-/") &&
			p != "/metrics" && p != "/reports/file" && !strings.HasSuffix(p, ".csv") {
			out = append(out, p)
		}
	}
	return out
}

// look holds one page against its language.
func look(t *testing.T, s *Server, paths ...string) {
	t.Helper()
	for _, p := range paths {
		w := get(t, s, p)
		if w.Code != http.StatusOK {
			t.Errorf("%s: %d %s", p, w.Code, w.Body)
		}
		if !strings.Contains(w.Body.String(), "⟦") {
			t.Errorf("%s says nothing in the trial language", p)
		}
		for _, text := range bare(w.Body.String()) {
			t.Errorf("%s says %q outside the language", p, text)
		}
	}
}

// Everything that the pages show can be put into another language: with a station
// that is busy, one that is calm, and a record with a past.
func TestEveryPageSpeaksTheLanguage(t *testing.T) {
	everything := []func(*Options){richly, newKeeping().options, summing, withPrinter(&fakePrinter{}), func(o *Options) {
		o.Surveys = walking(t, noon())
		o.Simulated, o.Beyond = true, true
		o.OvenOf = func(post string) (oven, why string) { return "", "the post is not watched" }
		o.Healthy = func() error { return errors.New("the record could not be read: it is not in the register") }
	}}
	s := trialServer(t, ailing(busy(t)), everything...)
	look(t, s, append(pagesOf(s), "/surveys/two", "/soaks/hinge-2", "/posts/ward", "/posts/canteen", "/alarms?from=tomorrow", "/round?day=2031-05-20")...)
	look(t, trialServer(t, newFake(noon())), "/", "/posts/galley", "/alarms", "/ovens", "/probes", "/surveys", "/surveys/new", "/runs", "/reports", "/round")
	past, alarms := lived()
	s = newIn(bracketed(t), trial, past.o)
	look(t, s, "/alarms", "/alarms/"+alarms[0].ID, "/alarms/"+alarms[2].ID)
}

// ailing gives the posts of a busy station what a verdict, a budget and a detail can
// say beside.
func ailing(f *fakeStation) *fakeStation {
	cert := &calib.Certificate{Number: "LH-0417", Date: noon().AddDate(-2, 0, 0), Due: noon().AddDate(-1, 0, 0), Factor: 1, U: 0.2, K: 2, AsFound: 1.4}
	f.stats[0].Post.Probe.Certificate, f.stats[0].Uncalibrated = cert, "certificate LH-0417 was due on 2025-06-03: have the probe calibrated"
	f.stats[0].Last.Quality |= acquire.Uncalibrated
	f.stats[0].Newest.Quality |= acquire.Uncalibrated | acquire.ClockUnsure
	withdrawn := f.stats[2].Withdrawn
	f.stats[2] = blinded(f.stats[2], acquire.SilentNow, "probe probe-canteen on /dev/ttyUSB3 has not answered for 6 s: look at its power, cable and settings")
	f.stats[2].Withdrawn = withdrawn
	away := stood("canteen", alarm.Away, alarm.Unacknowledged, noon())
	away.By, away.Until, away.Why = "J. Hale", noon().Add(time.Hour), "order 4711"
	f.stats[2].Alarms = []alarm.Alarm{away, stood("canteen", alarm.OpenDoor, alarm.LatchedAcknowledged, noon())}
	f.own = stood("", alarm.Disk, alarm.Unacknowledged, noon())
	return f
}

// Each step of a survey speaks the language, on the page and in the stream.
func TestEveryStepOfASurveySpeaksTheLanguage(t *testing.T) {
	f := newFakeSurveys(noon())
	s := trialServer(t, newFake(noon()), func(o *Options) { o.Surveys = f })
	steps := 0
	seen := func() {
		t.Helper()
		steps++
		look(t, s, "/surveys/one")
		for _, v := range s.liveSurveys(s.voiceIn(unitNamed(""))) {
			for _, text := range append(slices.Concat(v.Do, v.Warn), v.Title, v.Said, v.Ratio, v.Settled, v.Best, v.Off, v.Rated) {
				if !inLanguage(text) {
					t.Errorf("the stream says %q outside the language", text)
				}
			}
		}
	}
	one := f.begun(t)
	seen()
	f.act(t, one, survey.Act{Kind: survey.WentOn})
	f.read(one, 20, 10*time.Second)
	seen()
	f.read(one, 20, 12*time.Second)
	seen()
	f.act(t, one, survey.Act{Kind: survey.WentOn})
	f.read(one, 21, 2*time.Second)
	seen()
	f.read(one, 0.1, 20*time.Second)
	seen()
	celsius := 40.0
	f.act(t, one, survey.Act{Kind: survey.StageEnded})
	seen()
	f.act(t, one, survey.Act{Kind: survey.TookTemperature, Celsius: &celsius})
	seen()
	f.act(t, one, survey.Act{Kind: survey.GaveUp, Text: "order 4711"})
	seen()
	if steps != 8 {
		t.Error(steps)
	}
}

// What is refused is told on the page in its language, and to a program in English.
func TestRefusalsSpeakTheLanguage(t *testing.T) {
	k := newKeeping()
	f := busy(t)
	f.stats[0].Post.Oven = "galley-oven"
	s := trialServer(t, f, richly, k.options, func(o *Options) { o.Surveys = walking(t, noon()) })
	f.refuse = errors.New("refused: that is longer than this alarm may be shelved: 8 h for a field above its limit, a withdrawn oven or a post that does not see, 7 days for all else")
	for _, c := range []struct{ path, fields string }{
		{"/api/v1/alarms/galley.exceeds/acknowledge", "who=R. Okafor"},
		{"/api/v1/alarms/galley.exceeds/shelve", "who=R. Okafor&why=order 4711&for=9 h"},
		{"/api/v1/alarms/galley.exceeds/shelve", "who=R. Okafor&why=order 4711&for=never"},
		{"/api/v1/alarms/galley.exceeds/reset", "who="},
		{"/api/v1/posts/galley/zero", "who=R. Okafor"},
		{"/api/v1/posts/galley/away", "who=R. Okafor"},
		{"/api/v1/ovens", "who=&id=Annex!&frequency=fast&limit=none&power=much"},
		{"/api/v1/ovens/galley-oven", "who=R. Okafor&base=7&place=annex"},
		{"/api/v1/ovens/galley-oven/tests", "who=R. Okafor&on=2031-01-01&kind=survey"},
		{"/api/v1/probes/probe-galley/certificates", "who=R. Okafor&number=LH-0500&factor=0"},
		{"/api/v1/soaks", "who=R. Okafor&id=a b&operations=many&lasting=long&post=galley"},
		{"/api/v1/soaks/door-7/pause", "who=R. Okafor"},
		{"/api/v1/surveys/begin", "who=R. Okafor&oven=servery&width=wide"},
		{"/api/v1/surveys/one/check", "who=R. Okafor&check=luck"},
	} {
		values := url.Values{}
		for _, pair := range strings.Split(c.fields, "&") {
			name, value, _ := strings.Cut(pair, "=")
			values.Set(name, value)
		}
		ask := func(accept string) *httptest.ResponseRecorder {
			r := httptest.NewRequest(http.MethodPost, "http://127.0.0.1:24500"+c.path, strings.NewReader(values.Encode()))
			r.RemoteAddr = "127.0.0.1:50000"
			r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
			r.Header.Set("Accept", accept)
			return send(s, r)
		}
		page := ask("text/html")
		if page.Code < 400 || !strings.Contains(page.Body.String(), `class="problem" role="alert"`) {
			t.Errorf("%s %s: %d without a problem: %s", c.path, c.fields, page.Code, page.Body)
		}
		for _, text := range bare(page.Body.String()) {
			if !slices.Contains(strings.Split(c.fields, "&"), text) {
				t.Errorf("%s %s: the page says %q outside the language", c.path, c.fields, text)
			}
		}
		if p := asProblem(t, ask("application/json"), page.Code); p.Detail == "" || strings.Contains(p.Detail, "⟦") {
			t.Errorf("%s %s: a program is told %q", c.path, c.fields, p.Detail)
		}
	}
}
