package web

import (
	"encoding/json"
	"errors"
	"maps"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"testing"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/registry"
	"ovenward/acquire/survey"
)

// registered is a fake station whose ovens and probes are in a register.
func registered() (*fakeStation, *keeping, *Server) {
	f, k := newFake(noon()), newKeeping()
	f.stats[0].Post.Oven, f.stats[1].Post.Oven = "galley-oven", "ward-oven"
	for i := range f.stats {
		f.stats[i].Post.Frequency = 2.45e9
	}
	f.stats[1].Post.Probe.Certificate = &k.certs[1].Certificate
	return f, k, newServer(f, k.options)
}

func form(path string, fields map[string]string) *http.Request {
	v := url.Values{}
	for name, text := range fields {
		v.Set(name, text)
	}
	r := request(path, "", "")
	r.Body = readCloser{strings.NewReader(v.Encode())}
	r.ContentLength = int64(len(v.Encode()))
	return r
}

var goodOven = map[string]string{"who": "R. Okafor", "why": "bought", "id": "annex", "place": "annex, first floor", "frequency": "2450 MHz", "limit": "in-use", "power": "900 W", "state": "in use"}

func but(m map[string]string, more ...string) map[string]string {
	m = maps.Clone(m)
	for i := 0; i < len(more); i += 2 {
		m[more[i]] = more[i+1]
	}
	return m
}

func TestRegisterByForms(t *testing.T) {
	_, k, s := registered()
	w := send(s, form("/api/v1/ovens", goodOven))
	if w.Code != 200 || len(k.entries) != 1 {
		t.Fatalf("%d %s", w.Code, w.Body)
	}
	e := k.entries[0]
	if e.Who != "R. Okafor" || e.Why != "bought" || e.Ovens[0].ID != "annex" || e.Ovens[0].Power != 900 || e.Ovens[0].Base != registry.New {
		t.Errorf("entered %+v", e)
	}
	var o ovenJSON
	if err := json.Unmarshal(w.Body.Bytes(), &o); err != nil || o.ID != "annex" || o.Power != 900 || o.State != "in use" || len(o.Versions) != 1 || o.Versions[0].Who != "R. Okafor" {
		t.Errorf("%v %+v", err, o)
	}
	// A change from the version that is known, and one from an older.
	change := map[string]string{"who": "J. Hale", "place": "annex, cellar", "base": "9", "valid_from": "2026-06-01"}
	if w = send(s, form("/api/v1/ovens/annex", change)); w.Code != 200 || k.ovens[len(k.ovens)-1].Place != "annex, cellar" || k.ovens[len(k.ovens)-1].Power != 900 ||
		!k.ovens[len(k.ovens)-1].ValidFrom.Equal(dayAt("2026-06-01")) {
		t.Errorf("%d %s", w.Code, w.Body)
	}
	if p := asProblem(t, send(s, form("/api/v1/ovens/annex", change)), 409); !strings.Contains(p.Detail, "somebody else changed it meanwhile") {
		t.Error(p.Detail)
	}
	w = send(s, form("/api/v1/ovens/annex/tests", map[string]string{"who": "J. Hale", "on": "2026-06-02", "kind": "survey", "by": "P. Marlow", "outcome": "within", "highest": "0.3 mW/cm2", "text": "12 points"}))
	if w.Code != 200 || len(k.tests) != 1 || k.tests[0].Highest != 3 || k.tests[0].Who != "J. Hale" {
		t.Errorf("%d %s", w.Code, w.Body)
	}
	cert := map[string]string{"who": "J. Hale", "number": "LH-0500", "laboratory": "a laboratory", "date": "2026-06-01", "due": "2027-06-01", "factor": "1.1", "expanded_uncertainty": "15 %", "k": "2"}
	if w = send(s, form("/api/v1/probes/probe-galley/certificates", cert)); w.Code != 200 || k.certs[2].Certificate.Number != "LH-0500" || k.certs[2].U != 0.15 {
		t.Errorf("%d %s", w.Code, w.Body)
	}
	if w = send(s, form("/api/v1/probes/probe-galley/certificates/take-back", map[string]string{"who": "J. Hale", "why": "another probe's", "number": "LH-0500"})); w.Code != 200 || !k.certs[3].TakenBack {
		t.Errorf("%d %s", w.Code, w.Body)
	}
	if w = send(s, form("/api/v1/probes", map[string]string{"who": "J. Hale", "id": "new-one"})); w.Code != 200 || k.probes[3].ID != "new-one" {
		t.Errorf("%d %s", w.Code, w.Body)
	}
	if w = send(s, form("/api/v1/probes/new-one", map[string]string{"who": "J. Hale", "serial": "8"})); w.Code != 200 || k.probes[4].Serial != "8" {
		t.Errorf("%d %s", w.Code, w.Body)
	}
}

func TestRegisterRefuses(t *testing.T) {
	for _, c := range []struct {
		path   string
		fields map[string]string
		status int
		fault  string // field
		says   string
	}{
		{"/api/v1/ovens", but(goodOven, "who", ""), 422, "who", "write your name"},
		{"/api/v1/ovens", but(goodOven, "why", "a\x00b"), 422, "why", "printable"},
		{"/api/v1/ovens", but(goodOven, "frequency", "50 Hz"), 422, "frequency", "no frequency of microwaves"},
		{"/api/v1/ovens", but(goodOven, "limit", "nowhere"), 422, "limit", "in-use or new"},
		{"/api/v1/ovens", but(goodOven, "colour", "white"), 422, "colour", "no such field"},
		{"/api/v1/ovens", but(goodOven, "id", "ward-oven"), 409, "", "in the register already"},
		{"/api/v1/ovens", but(goodOven, "valid_from", "2026-06-04"), 422, "valid_from", "up to today"},
		{"/api/v1/ovens", but(goodOven, "base", "x"), 422, "base", "number of a version"},
		{"/api/v1/ovens/none", map[string]string{"who": "A", "place": "x"}, 404, "", "no such oven"},
		{"/api/v1/ovens/ward-oven", map[string]string{"who": "A", "id": "other"}, 422, "id", "keeps its name"},
		{"/api/v1/ovens/ward-oven", map[string]string{"who": "A", "state": "withdrawn"}, 422, "why", "for a reason"},
		{"/api/v1/ovens/ward-oven/tests", map[string]string{"who": "A", "on": "2026-06-04", "kind": "survey", "by": "B", "text": "c"}, 422, "on", "yet to come"},
		{"/api/v1/ovens/ward-oven/tests", map[string]string{"who": "A"}, 422, "on", "missing"},
		{"/api/v1/probes", map[string]string{"who": "A"}, 422, "id", "missing"},
		{"/api/v1/probes/none", map[string]string{"who": "A"}, 404, "", "no such probe"},
		{"/api/v1/probes/spare", map[string]string{"who": "A", "id": "x"}, 422, "id", "keeps its name"},
		{"/api/v1/probes/spare/certificates", map[string]string{"who": "A", "number": "1"}, 422, "laboratory", "missing"},
		{"/api/v1/probes/probe-ward/certificates/take-back", map[string]string{"who": "A", "number": "LH-0418"}, 422, "why", "for a reason"},
		{"/api/v1/probes/probe-ward/certificates/take-back", map[string]string{"who": "A", "why": "x", "number": "none"}, 422, "number", "no such certificate"},
	} {
		f, k, s := registered()
		p := asProblem(t, send(s, form(c.path, c.fields)), c.status)
		if !strings.Contains(p.Detail, c.says) && !slices.ContainsFunc(p.Faults, func(f registry.Fault) bool { return strings.Contains(f.Error(), c.says) }) {
			t.Errorf("%s %v: %q %v does not say %q", c.path, c.fields, p.Detail, p.Faults, c.says)
		}
		if c.fault != "" && !slices.ContainsFunc(p.Faults, func(f registry.Fault) bool { return f.Field == c.fault && f.Do != "" }) {
			t.Errorf("%s %v: no fault of %s: %v", c.path, c.fields, c.fault, p.Faults)
		}
		if k.called()+f.called() != "" {
			t.Errorf("%s: something was done: %s %s", c.path, k.called(), f.called())
		}
		// In a browser: the page again, with what was typed and the fault at its field.
		r := form(c.path, c.fields)
		r.Header.Set("Accept", "text/html")
		w := send(s, r)
		if c.status == 404 {
			continue // there is no page to show it on
		}
		body := w.Body.String()
		if w.Code != c.status || !strings.Contains(textOf(body), "Not done:") {
			t.Errorf("%s in a browser: %d", c.path, w.Code)
		}
		if frequency := c.fields["frequency"]; c.fault == "frequency" && (!strings.Contains(body, `value="`+frequency+`"`) || !strings.Contains(body, `aria-invalid="true" aria-describedby="new-frequency-fault"`) || !strings.Contains(body, `id="new-frequency-fault"`)) {
			t.Errorf("%s: what was typed is lost, or its fault is not told at its field", c.path)
		}
	}
	refusesUnfit(t)
}

// refusesUnfit: what does not go together with the configuration, and a disk that fails.
func refusesUnfit(t *testing.T) {
	t.Helper()
	_, k, s := registered()
	k.unfit = errors.New("probe \"shelf\" does not read beyond limit \"new\"")
	if p := asProblem(t, send(s, form("/api/v1/ovens/ward-oven", map[string]string{"who": "A", "limit": "new"})), 422); !strings.Contains(p.Detail, "does not read beyond") || k.called() != "" {
		t.Errorf("%q %s", p.Detail, k.called())
	}
	k.unfit, k.fails = nil, errors.New("disk")
	for _, path := range []string{"/ovens", "/ovens/ward-oven", "/probes", "/probes/spare", "/api/v1/ovens", "/api/v1/probes", "/api/v1/ovens.csv", "/api/v1/probes.csv", "/api/v1/ovens/x", "/api/v1/probes/x"} {
		asProblem(t, get(t, s, path), 503)
	}
	asProblem(t, send(s, form("/api/v1/ovens", goodOven)), 503)
}

// Out of use is one truth for register and station, whichever page says it.
func TestWithdrawnIsOneTruth(t *testing.T) {
	f, _, s := registered()
	if w := send(s, form("/api/v1/ovens/ward-oven", map[string]string{"who": "R. Okafor", "state": "withdrawn", "why": "door bent"})); w.Code != 200 || f.called() != `withdraw ward-oven by R. Okafor: "door bent"` {
		t.Errorf("%d %s; the station heard %q", w.Code, w.Body, f.called())
	}
	_, k, s := registered()
	if w := send(s, acting("/api/v1/ovens/galley-oven/withdraw", `{"who":"R. Okafor","why":"door bent"}`)); w.Code != 200 || len(k.entries) != 1 || !k.entries[0].Ovens[0].Withdrawn || k.entries[0].Who != "R. Okafor" {
		t.Errorf("%d: %s", w.Code, k.called())
	}
	f, k, s = registered()
	f.refuse = errors.New("no such post")
	if w := send(s, acting("/api/v1/ovens/store-oven/withdraw", `{"who":"R. Okafor","why":"sold"}`)); w.Code != 200 || len(k.entries) != 1 {
		t.Errorf("one that nobody watches: %d %s", w.Code, w.Body)
	}
	if w := send(s, acting("/api/v1/ovens/galley-oven/withdraw", `{"who":"R. Okafor","why":"door bent"}`)); w.Code != 409 || len(k.entries) != 1 {
		t.Errorf("one whose station refuses: %d %s", w.Code, w.Body)
	}
}

// The page answers a lay question: which probe is overdue, since when, and which
// is not calibrated at all; and nothing is called well that is not known.
// The lists of ovens and of probes say of a post what the overview says: who looks at
// them alone must not take an oven for well that is above its limit or not seen.
func TestRegisterSaysHowPostsStand(t *testing.T) {
	f, _, s := registered()
	f.stats[0].Uncalibrated = "certificate LH-0417 was due on 2026-02-01: have the probe calibrated"
	f.stats[1] = seeing(1, f.stats[1].Post, 60, noon())
	for path, want := range map[string][]string{
		"/ovens":             {"Above its limit: Second floor", "galley: Probe not calibrated. Seeing; the oven runs", "ward: Above its limit"},
		"/probes":            {"galley: Probe not calibrated. Seeing; the oven runs"},
		"/ovens/ward-oven":   {"ward: Above its limit"},
		"/ovens/galley-oven": {"galley: Probe not calibrated."},
	} {
		page := textOf(get(t, s, path).Body.String())
		for _, w := range want {
			if !strings.Contains(page, w) {
				t.Errorf("%s lacks %q:\n%s", path, w, page)
			}
		}
	}
	f.stats[1] = blinded(seeing(1, f.stats[1].Post, 6, noon()), acquire.SilentNow, "no answer")
	if page := textOf(get(t, s, "/ovens").Body.String()); !strings.Contains(page, "Not seen: Second floor") || strings.LastIndex(page, "Second floor (ward-oven)") > strings.LastIndex(page, "Ground floor, by the window (galley-oven)") {
		t.Errorf("the ovens do not begin with what is not seen:\n%s", page)
	}
}

func TestPagesTellWhatIsDue(t *testing.T) {
	_, k, s := registered()
	page := textOf(get(t, s, "/probes").Body.String())
	for _, want := range []string{"Calibration is overdue of 1 probe: probe-galley", "1 probe has no valid certificate: spare",
		"Calibration overdue since 2026-02-01 (122 days): certificate LH-0417", "Calibration valid, due again on 2027-02-01: certificate LH-0418",
		"No certificate: not calibrated", "It stands at no post", "it says nothing of its battery"} {
		if !strings.Contains(page, want) {
			t.Errorf("the page of probes lacks %q:\n%s", want, page)
		}
	}
	if strings.Contains(page, "all calibrations are valid") {
		t.Error("the page of probes is calm")
	}
	page = textOf(get(t, s, "/ovens").Body.String())
	for _, want := range []string{"1 oven is overdue for its test: Ground floor, by the window (galley-oven)", "1 of 3 ovens is watched by no probe", "Test overdue since 2026-05-01 (33 days)",
		"No probe watches it: its field is not known", "Larkfield Works two shelves", "1.1 kW", "in-use (1 mW/cm² at 50 mm from the oven, emission in use)"} {
		if !strings.Contains(page, want) {
			t.Errorf("the page of ovens lacks %q:\n%s", want, page)
		}
	}
	// What the running station does not go by yet is said.
	if waits := textOf(get(t, s, "/probes/probe-galley").Body.String()); !strings.Contains(waits, "Not yet in force: readings are corrected by certificate LH-0417 until the configuration is loaded again, then by certificate LH-0417 as the register has it") {
		t.Errorf("the page of a probe: %s", waits)
	}
	if w := send(s, form("/api/v1/ovens/ward-oven", map[string]string{"who": "A", "limit": "new", "frequency": "915 MHz"})); w.Code != 200 {
		t.Fatal(w.Body)
	}
	waits := textOf(get(t, s, "/ovens/ward-oven").Body.String())
	for _, want := range []string{"Not yet in force: post ward is judged by limit in-use until the configuration is loaded again, then by new", "post ward is corrected for 2450 MHz until the configuration is loaded again, then for 915 MHz",
		"Limit it is judged by: in-use → new", "Versions: who changed what, and when"} {
		if !strings.Contains(waits, want) {
			t.Errorf("the page of an oven lacks %q:\n%s", want, waits)
		}
	}
	// A post that has a limit of its own waits for nothing.
	f := s.o.Station.(*fakeStation)
	f.set(func(f *fakeStation) { f.stats[1].Post.OwnLimit = true })
	if page := textOf(get(t, s, "/ovens/ward-oven").Body.String()); strings.Contains(page, "judged by limit") || !strings.Contains(page, "corrected for 2450 MHz until") {
		t.Errorf("the page of an oven whose post has its own limit:\n%s", page)
	}
	k.certs, k.probes, k.ovens = nil, nil, nil
	if page := textOf(get(t, s, "/probes").Body.String()); !strings.Contains(page, "No probe is registered.") {
		t.Errorf("%s", page)
	}
}

// The document says of changes what the forms take.
func TestDocumentNamesTheFields(t *testing.T) {
	s := newServer(newFake(noon()))
	_, _ = contract(t, s)
	var d struct {
		Components struct {
			Schemas map[string]struct{ Properties map[string]any }
		}
	}
	if err := json.Unmarshal(get(t, s, "/api/v1/openapi.json").Body.Bytes(), &d); err != nil {
		t.Fatal(err)
	}
	for shape, names := range map[string][]string{"OvenEdit": registry.OvenForm(nil).Names(), "ProbeEdit": registry.ProbeForm().Names(),
		"TestEdit": registry.TestForm().Names(), "CertEdit": registry.CertificateForm().Names()} {
		want := append([]string{"who", "why", "valid_from", "base"}, names...)
		slices.Sort(want)
		if got := slices.Sorted(maps.Keys(d.Components.Schemas[shape].Properties)); !slices.Equal(got, want) {
			t.Errorf("%s: %v, the form takes %v", shape, got, want)
		}
	}
}

// The list is not calm of ovens that nobody set a day for, and leads to the round; the
// page of an oven tells of the surveys that the station guided.
func TestOvensWithoutADayAndTheirSurveys(t *testing.T) {
	_, k, _ := registered()
	k.ovens, k.tests = k.ovens[:1], nil
	o := &k.ovens[0].Oven
	o.NextCheck = time.Time{}
	walked := newFakeSurveys(noon())
	walked.ovens[0].ID = o.ID
	id := walked.begun(t)
	walked.act(t, id, survey.Act{Kind: survey.GaveUp, Text: "no time"})
	s := newServer(newFake(noon()), k.options, func(o *Options) { o.Surveys = walked })
	page := get(t, s, "/ovens").Body.String()
	if text := textOf(page); !strings.Contains(text, "No day is set for the next test of 1 of 1 ovens") || strings.Contains(text, "no test is overdue") || !strings.Contains(page, `href="/round"`) {
		t.Errorf("%s", text)
	}
	page = get(t, s, "/ovens/"+o.ID).Body.String()
	if text := textOf(page); !strings.Contains(page, `href="/surveys/one"`) || !strings.Contains(text, "not decided abandoned, A. Hand") {
		t.Errorf("%s", text)
	}
}

// Today is the day where the site is: of it east of UTC in the morning, and of no day
// to come west of it in the evening.
func TestTodayIsTheSites(t *testing.T) {
	for _, c := range []struct {
		zone  string
		now   time.Time
		today string
		begin time.Time
	}{
		{"Pacific/Auckland", time.Date(2026, 6, 3, 20, 0, 0, 0, time.UTC), "2026-06-04", time.Date(2026, 6, 3, 12, 0, 0, 0, time.UTC)},
		{"Pacific/Honolulu", time.Date(2026, 6, 4, 8, 0, 0, 0, time.UTC), "2026-06-03", time.Date(2026, 6, 3, 10, 0, 0, 0, time.UTC)},
	} {
		zone, err := time.LoadLocation(c.zone)
		if err != nil {
			t.Fatal(err)
		}
		f, k, _ := registered()
		s := newServer(f, k.options, func(o *Options) { o.Zone = zone; o.Now = func() time.Time { return c.now } })
		day, err := time.Parse(time.DateOnly, c.today)
		if err != nil {
			t.Fatal(err)
		}
		for shift, status := range []int{200, 422} {
			on := day.AddDate(0, 0, shift).Format(time.DateOnly)
			w := send(s, form("/api/v1/ovens/ward-oven/tests", map[string]string{"who": "R. Okafor", "on": on, "kind": "survey", "by": "R. Okafor", "text": "door and seal", "outcome": "within"}))
			if w.Code != status {
				t.Errorf("%s, a test on %s: %d %s", c.zone, on, w.Code, w.Body)
			}
			w = send(s, form("/api/v1/ovens/ward-oven", map[string]string{"who": "R. Okafor", "valid_from": on, "remark": "hinge replaced " + on}))
			if w.Code != status {
				t.Errorf("%s, valid from %s: %d %s", c.zone, on, w.Code, w.Body)
			}
		}
		if from := k.entries[len(k.entries)-1].ValidFrom; !from.Equal(c.begin) {
			t.Errorf("%s: valid from %s, want %s", c.zone, from, c.begin)
		}
	}
}

// What stands behind a JSON object was sent by mistake, and is not passed over.
func TestOneObjectIsSent(t *testing.T) {
	f, k, s := registered()
	for _, path := range []string{"/api/v1/posts/galley/zero", "/api/v1/ovens/galley-oven"} {
		r := request(path, "", "")
		r.Header.Set("Content-Type", "application/json")
		text := `{"who":"R. Okafor"} {"who":"J. Hale"}`
		r.Body, r.ContentLength = readCloser{strings.NewReader(text)}, int64(len(text))
		if w := send(s, r); w.Code != http.StatusBadRequest || !strings.Contains(w.Body.String(), "behind the JSON object") {
			t.Errorf("%s: %d %s", path, w.Code, w.Body)
		}
	}
	if len(f.called()) > 0 || len(k.entries) > 0 {
		t.Errorf("done all the same: %q, %+v", f.called(), k.entries)
	}
}
