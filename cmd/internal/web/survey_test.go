package web

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"net/http/httptest"
	"net/url"
	"regexp"
	"strings"
	"testing"
	"time"

	"ovenward/acquire/limit"
	"ovenward/acquire/store"
	"ovenward/acquire/survey"
)

// asks sends a request from loopback and returns status and body.
func asks(t *testing.T, h http.Handler, methodName, path, accept string, form url.Values) (int, string) {
	t.Helper()
	var r *http.Request
	if form != nil {
		r = httptest.NewRequest(methodName, path, strings.NewReader(form.Encode()))
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	} else {
		r = httptest.NewRequest(methodName, path, nil)
	}
	r.Host, r.RemoteAddr = "127.0.0.1:24500", "127.0.0.1:40000"
	r.Header.Set("Accept", accept)
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	return w.Code, w.Body.String()
}

// TestSurveyWithoutScript goes through the first places by forms alone.
func TestSurveyWithoutScript(t *testing.T) {
	f := newFakeSurveys(noon())
	h := newServer(&fakeStation{}, func(o *Options) { o.Surveys = f }).Handler()
	page := func(want ...string) {
		t.Helper()
		code, body := asks(t, h, http.MethodGet, "/surveys/one", "text/html", nil)
		for _, w := range want {
			if code != http.StatusOK || !strings.Contains(body, w) {
				t.Errorf("%d, %q is not on the page, phase %v", code, w, f.Views())
			}
		}
	}
	send := func(path string, form url.Values) (int, string) {
		t.Helper()
		form.Set("who", "A. Hand")
		return asks(t, h, http.MethodPost, path, "text/html", form)
	}
	if code, body := send("/api/v1/surveys/begin", url.Values{"oven": {"servery"}, "width": {"46"}, "height": {"31,5"}, "screen_width": {"28"},
		"screen_height": {"16"}, "panel": {"12"}, "depth": {"40"}}); code != http.StatusSeeOther {
		t.Fatalf("beginning: %d %s", code, body)
	}
	if h := f.all["one"].Result().Oven.Door.Height; h != 0.315 {
		t.Errorf("31,5 cm was read as %v", h)
	}
	if d := f.all["one"].Result().Oven.Door; len(d.Vents) != 1 || d.Vents[0].Surface != survey.Right { // as configured
		t.Errorf("the form said nothing of vents, and the door has %+v", d.Vents)
	}
	page("Check the probe", "Battery: not done")
	send("/api/v1/surveys/one/check", url.Values{"check": {"battery"}, "outcome": {"good"}, "text": {"new"}})
	page("Battery: good")
	send("/api/v1/surveys/one/next", url.Values{})
	page("The oven is off")
	send("/api/v1/surveys/one/next", url.Values{})
	f.read("one", 0.1, 6e9)
	page("275 ± 15 mL", "Never run the oven empty", "superheated")
	if code, body := send("/api/v1/surveys/one/water", url.Values{"volume": {"0"}, "celsius": {"20"}}); code != http.StatusConflict || !strings.Contains(body, "never run it empty") {
		t.Errorf("an empty oven: %d", code)
	}
	if code, _ := send("/api/v1/surveys/one/water", url.Values{"volume": {"275"}, "celsius": {"19,5"}}); code != http.StatusSeeOther {
		t.Fatalf("water: %d", code)
	}
	if _, body := asks(t, h, http.MethodGet, "/surveys/one", "text/html", nil); strings.Contains(body, "/reports/file") {
		t.Error("a report is offered of a survey under way, which has none")
	}
	page("Place 1 of", "door seam, top side", " s left of this load")
	if _, body := asks(t, h, http.MethodGet, "/surveys/one", "text/html", nil); !regexp.MustCompile(`>6\d s left of this load<`).MatchString(body) {
		t.Error("the countdown is no number")
	}
	if code, _ := send("/api/v1/surveys/one/next", url.Values{"phase": {"hold"}}); code != http.StatusConflict {
		t.Errorf("a second tap that came late: %d, want refused", code)
	}
	send("/api/v1/surveys/one/next", url.Values{"phase": {string(survey.SweepReady)}})
	f.read("one", 60, 1e9)
	page(survey.StepBack, "× limit", "6 mW/cm²")
	if code, _ := asks(t, h, http.MethodGet, "/surveys/none", "text/html", nil); code != http.StatusNotFound {
		t.Errorf("an unknown survey: %d", code)
	}
}

// What stands in the form of a survey is what is configured, not rounded: its places
// still lie on the door.
func TestSurveyFormHasTheMeasures(t *testing.T) {
	say := newServer(newFake(noon())).voiceIn(unitNamed(""))
	for _, f := range doorFields(say, survey.Oven{Power: 812.5, Door: survey.Door{Width: 0.434975, Height: 0.29}}) {
		if want := map[string]string{"power": "812.5", "width": "43.4975", "height": "29"}[f.Name]; f.Value != want {
			t.Errorf("%s is %q, want %q", f.Name, f.Value, want)
		}
	}
}

// TestSurveyFormTakesPlaces: handle and vents that are configured stand in the form,
// what is written there is what the survey walks, and what is refused is not lost.
func TestSurveyFormTakesPlaces(t *testing.T) {
	f := newFakeSurveys(noon())
	h := newServer(&fakeStation{}, func(o *Options) { o.Surveys = f }).Handler()
	code, body := asks(t, h, http.MethodGet, "/surveys/new", "text/html", nil)
	if code != http.StatusOK || !strings.Contains(body, ">handle 40 5 2 18 3.5\nvent right 25 4 8 5</textarea>") || !strings.Contains(body, "Handle, knobs and vents, one a line, sizes in cm") {
		t.Errorf("%d: what is configured does not stand in the form", code)
	}
	form := url.Values{"oven": {"servery"}, "who": {"A. Hand"}, "width": {"46"}, "height": {"30"}, "screen_width": {"28"}, "screen_height": {"16"}, "panel": {"12"}, "depth": {"40"},
		"places": {"bar 45 5 2 18 4\r\nvent side 1 1 2 2\r\n"}}
	code, body = asks(t, h, http.MethodPost, "/api/v1/surveys/begin", "text/html", form)
	if code != http.StatusUnprocessableEntity && code != http.StatusBadRequest || !strings.Contains(body, "is no surface: write front, top") || !strings.Contains(body, "vent side 1 1 2 2") || !strings.Contains(body, `name="height" value="30"`) {
		t.Errorf("%d: a place that cannot be read: %s", code, textOf(body))
	}
	form.Set("places", "bar 45 5 2 18 4\r\nvent left 1 1 9 2,5\r\nvent top 5 5 10 4\r\n")
	if code, body = asks(t, h, http.MethodPost, "/api/v1/surveys/begin", "text/html", form); code != http.StatusSeeOther {
		t.Fatalf("beginning: %d %s", code, textOf(body))
	}
	plan := f.all["one"].Result()
	if d := plan.Oven.Door; len(d.Vents) != 2 || d.Vents[0].Surface != survey.Left || d.Vents[0].Height != 0.025 || len(d.Knobs) != 1 || d.Knobs[0].Name != "bar" || d.Knobs[0].Depth != 0.04 {
		t.Errorf("the survey walks %+v and %+v", d.Vents, d.Knobs)
	}
}

// TestSurveyPagesSayTheCautions: every page that says 'exceeds' says what may not
// be done.
func TestSurveyPagesSayTheCautions(t *testing.T) {
	f := walking(t, noon())
	h := newServer(&fakeStation{}, func(o *Options) { o.Surveys = f }).Handler()
	for _, path := range []string{"/surveys/two", "/part/surveys/two", "/surveys"} {
		code, body := asks(t, h, http.MethodGet, path, "text/html", nil)
		if code != http.StatusOK || !strings.Contains(body, "exceeds") || !strings.Contains(body, survey.Lethal) || !strings.Contains(body, "hinge, latch and screen") {
			t.Errorf("%s: %d, says exceeds %v, cautions %v", path, code, strings.Contains(body, "exceeds"), strings.Contains(body, survey.Lethal))
		}
	}
	_, body := asks(t, h, http.MethodGet, "/api/v1/surveys/two", "application/json", nil)
	var got struct {
		View   *survey.View  `json:"view"`
		Result survey.Result `json:"result"`
	}
	if err := json.Unmarshal([]byte(body), &got); err != nil || got.View != nil || got.Result.State != survey.Stopped {
		t.Errorf("%v %+v", err, got.Result.State)
	}
}

// A survey that has ended is listed with when it ended, and its page says why it was given up.
func TestSurveyThatWasGivenUpSaysSo(t *testing.T) {
	f := newFakeSurveys(noon())
	id := f.begun(t)
	f.read(id, 0.3, 90*time.Second)
	f.act(t, id, survey.Act{Kind: survey.GaveUp, Text: "the shift is over"})
	s := newServer(&fakeStation{}, func(o *Options) { o.Surveys = f })
	if page := textOf(get(t, s, "/surveys").Body.String()); !strings.Contains(page, "abandoned, 12:01:36 UTC") {
		t.Errorf("begun at noon and ended 96 s later: %s", page)
	}
	if page := textOf(get(t, s, "/surveys/"+id).Body.String()); !strings.Contains(page, "It was given up: the shift is over") {
		t.Error(page)
	}
}

// tornSurveys has one survey whose row is well and whose findings are damaged.
type tornSurveys struct {
	*fakeSurveys
	outcome limit.Outcome
	err     error
}

func (f tornSurveys) Surveys(context.Context, int) ([]store.SurveyRow, error) {
	return []store.SurveyRow{{ID: "torn", Oven: "Galley oven", Who: "A. Hand", Begun: noon().Add(-time.Hour), Ended: noon(), State: survey.Complete, Outcome: string(f.outcome)}}, nil
}

func (f tornSurveys) Result(context.Context, string) (*survey.Result, error) {
	return nil, f.err
}

// A damaged survey is listed as damaged, and within no more, nor is one that cannot be read; that
// it exceeded stays.
func TestADamagedSurveyIsListedAsDamaged(t *testing.T) {
	lost := fmt.Errorf("read what survey torn found: %w: it is damaged", store.ErrLost)
	for name, c := range map[string]struct {
		err          error
		state, words string
	}{
		"damaged":        {lost, "damaged", "damaged in the record"},
		"gone":           {nil, "damaged", "damaged in the record"},
		"the disk fails": {errors.New("disk I/O error"), "unread", "cannot be read"},
	} {
		for row, want := range map[limit.Outcome]limit.Outcome{limit.Within: limit.NotDecided, limit.Exceeds: limit.Exceeds} {
			s := newServer(newFake(noon()), withPrinter(&fakePrinter{}), func(o *Options) { o.Surveys = tornSurveys{newFakeSurveys(noon()), row, c.err} })
			if page := textOf(get(t, s, "/surveys").Body.String()); !strings.Contains(page, "Galley oven "+string(want)+" "+c.words+", 12:00:00 UTC") {
				t.Errorf("%s, %s: the list says %s", name, row, page)
			}
			var got surveysJSON
			if err := json.Unmarshal(get(t, s, "/api/v1/surveys").Body.Bytes(), &got); err != nil || string(got.Surveys[0].State) != c.state || got.Surveys[0].Outcome != string(want) {
				t.Errorf("%s, %s: %v, %+v", name, row, err, got)
			}
			if page := textOf(get(t, s, "/reports").Body.String()); !strings.Contains(page, "not decided, "+c.words) {
				t.Errorf("%s, %s: the reports offer %s", name, row, page)
			}
		}
	}
}

// Who follows a link to what is gone, or sends a form to it, is told so on a page; programs are told as ever.
func TestWhatIsGoneIsToldOnAPage(t *testing.T) {
	h := newServer(newFake(noon()), func(o *Options) { o.Surveys = walking(t, noon()) }).Handler()
	for path, want := range map[string]string{"/surveys/none": "there is no survey with this id", "/posts/none": "no such post", "/nowhere": "nothing is served at this path"} {
		code, body := asks(t, h, http.MethodGet, path, "text/html,*/*", nil)
		if code != http.StatusNotFound || !strings.Contains(body, `<p class="problem" role="alert">`+want) || !strings.Contains(body, "<nav") {
			t.Errorf("%s: %d %s", path, code, body)
		}
		if code, body = asks(t, h, http.MethodGet, path, "*/*", nil); code != http.StatusNotFound || !strings.HasPrefix(body, `{"type":"about:blank"`) {
			t.Errorf("%s to a program: %d %s", path, code, body)
		}
	}
	for path, want := range map[string]string{"/api/v1/surveys/none/next": "there is no survey with this id", "/api/v1/posts/none/zero": "no such post"} { // a page's form
		code, body := asks(t, h, http.MethodPost, path, "text/html,*/*", url.Values{"who": {"A. Hand"}})
		if code != http.StatusNotFound || !strings.Contains(body, `<p class="problem" role="alert">`+want) || !strings.Contains(body, "<nav") {
			t.Errorf("%s by a form: %d %s", path, code, body)
		}
		if code, body = asks(t, h, http.MethodPost, path, "*/*", url.Values{"who": {"A. Hand"}}); code != http.StatusNotFound || !strings.HasPrefix(body, `{"type":"about:blank"`) {
			t.Errorf("%s by a program: %d %s", path, code, body)
		}
	}
	if code, body := asks(t, h, http.MethodGet, "/api/v1/surveys/none", "text/html,*/*", nil); code != http.StatusNotFound || !strings.HasPrefix(body, "{") {
		t.Errorf("the API: %d %s", code, body)
	}
}

// The tag to print is there for whoever reads, and the withdrawal for who may.
func TestTagIsThereForReaders(t *testing.T) {
	for reader, change := range map[bool]func(*Options){true: func(o *Options) { o.Operators = []string{"okafor"} }, false: func(*Options) {}} {
		s := newServer(&fakeStation{}, func(o *Options) { o.Surveys = walking(t, noon()) }, change)
		body := get(t, s, "/surveys/two").Body.String()
		if !strings.Contains(body, "/reports/file?kind=survey&amp;survey=two&amp;format=pdf") {
			t.Error("no report is offered of a survey that has ended")
		}
		if !strings.Contains(body, "DO NOT USE") || strings.Contains(body, "Withdraw the oven</button>") == reader {
			t.Errorf("reader %v: tag %v, withdrawal %v", reader, strings.Contains(body, "DO NOT USE"), strings.Contains(body, "Withdraw the oven</button>"))
		}
	}
}

// TestPlacesHeldShowTheBackground: beside every value stands that with the oven off,
// and a hold under the probe's floor, or far below zero, has no ratio to the limit.
func TestPlacesHeldShowTheBackground(t *testing.T) {
	f := newFakeSurveys(noon())
	for _, c := range []struct {
		field      float64
		want, none string
	}{{21, "(2.10 ± 0.54) mW/cm²", "under the probe"}, {0.15, "under the probe&#39;s floor, &lt; 0.02", "× limit"}, {-1.5, "(-0.150 ± ", "× limit"}} {
		id := f.begun(t)
		f.act(t, id, survey.Act{Kind: survey.WentOn})
		f.read(id, c.field, 22*time.Second)
		f.act(t, id, survey.Act{Kind: survey.WentOn})
		f.read(id, c.field, 12*time.Second)
		h := newServer(&fakeStation{}, func(o *Options) { o.Surveys = f }).Handler()
		_, body := asks(t, h, http.MethodGet, "/surveys/"+id, "text/html", nil)
		_, places, ok := strings.Cut(body, `<ol class="places">`)
		places, _, _ = strings.Cut(places, "</ol>")
		if !ok || !strings.Contains(places, "with the oven off: &lt; 0.02") || !strings.Contains(places, c.want) || strings.Contains(places, c.none) {
			t.Errorf("at %g W/m²: %s", c.field, places)
		}
	}
}

// Two places of a door can lie in one corner: the one that exceeds is drawn over the other.
func TestAPlaceThatExceedsIsDrawnOnTop(t *testing.T) {
	f := newFakeSurveys(noon())
	id := f.begun(t)
	for _, field := range []float64{60, 21} {
		f.act(t, id, survey.Act{Kind: survey.WentOn})
		f.read(id, field, 22*time.Second)
		f.act(t, id, survey.Act{Kind: survey.WentOn})
		f.read(id, field, 12*time.Second)
	}
	h := newServer(&fakeStation{}, func(o *Options) { o.Surveys = f }).Handler()
	_, body := asks(t, h, http.MethodGet, "/surveys/"+id, "text/html", nil)
	if all := regexp.MustCompile(`class="held (\w+)`).FindAllStringSubmatch(body, -1); len(all) != 2 || all[0][1] == "exceeds" || all[1][1] != "exceeds" {
		t.Errorf("from below they are drawn %q", all)
	}
}

// Any page can say 'exceeds', now or with the next update, so each says what may
// not be done then.
func TestEveryPageSaysNotToOpenTheCabinet(t *testing.T) {
	f, all := furnished(t, noon())
	h := newServer(f, all).Handler()
	for _, p := range pagesToSee() {
		if code, body := asks(t, h, http.MethodGet, p.path, "text/html", nil); code != http.StatusOK || !strings.Contains(body, survey.Lethal) {
			t.Errorf("%s: %d, and the caution is missing", p.path, code)
		}
	}
}

func TestMarkOfAWalkBack(t *testing.T) {
	h := newServer(troubled(noon()), func(o *Options) { o.Surveys = newFakeSurveys(noon()) }).Handler()
	for _, tc := range []struct {
		post, distance, turn string
		code                 int
		want                 string
	}{
		{"galley", "20 cm", "", http.StatusOK, `{"distance_m":0.2,"value_w_per_m2":3,"standard_uncertainty_w_per_m2":0.1,"floor_w_per_m2":0.1}`},
		{"galley", "off", "10 s", http.StatusOK, `{"distance_m":null,`},
		{"galley", "20", "", http.StatusUnprocessableEntity, "distance"},
		{"galley", "20 cm", "soon", http.StatusUnprocessableEntity, "turn"},
		{"other", "20 cm", "", http.StatusNotFound, "no such post"},
	} {
		code, body := asks(t, h, http.MethodPost, "/api/v1/posts/"+tc.post+"/mark", "application/json", url.Values{"who": {"A. Hand"}, "distance": {tc.distance}, "turn": {tc.turn}})
		if code != tc.code || !strings.Contains(body, tc.want) {
			t.Errorf("%s at %s: %d %s, want %d %s", tc.post, tc.distance, code, body, tc.code, tc.want)
		}
	}
}

// A stream tells of the surveys under way, without their paths, whenever they
// change.
func TestStreamTellsOfSurveys(t *testing.T) {
	f := newFakeSurveys(noon())
	now := noon()
	srv := newServer(troubled(noon()), func(o *Options) { o.Surveys = f; o.Now = func() time.Time { return now } })
	b := srv.boards[unitNamed("").name]
	tell := func(rev uint64) (string, uint64) {
		t.Helper()
		now = now.Add(time.Second)
		body, shown, _, err := srv.since(b, rev)
		if err != nil {
			t.Fatal(err)
		}
		return string(body), shown
	}
	if body, _ := tell(0); !strings.Contains(body, `"surveys":[]`) {
		t.Errorf("no survey: …%s", body[max(0, len(body)-200):])
	}
	id := f.begun(t)
	body, rev := tell(0)
	if !strings.Contains(body, `"phase":"go to the beginning of the sweep"`) || strings.Contains(body, `"path":[{`) {
		t.Errorf("a survey: %.600s", body)
	}
	if body, rev = tell(rev); strings.Contains(body, `"surveys"`) {
		t.Errorf("what did not change is told again: %.200s", body)
	}
	f.act(t, id, survey.Act{Kind: survey.WentOn})
	if body, _ = tell(rev); !strings.Contains(body, `"phase":"sweep"`) {
		t.Errorf("what changed is not told: %.200s", body)
	}
}
