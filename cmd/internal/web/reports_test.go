package web

import (
	"context"
	"errors"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"ovenward/acquire/limit"
	"ovenward/acquire/store"
	"ovenward/cmd/internal/report"
	"ovenward/cmd/internal/round"
)

// fakePrinter makes documents of what it was asked.
type fakePrinter struct {
	asked ReportQuery
	fail  error
	hold  chan struct{} // closed: goes on
	in    chan struct{}
}

func (f *fakePrinter) Posts(context.Context) ([]string, error) {
	return []string{"galley", "ward"}, nil
}

func (f *fakePrinter) Surveys(context.Context, store.SurveyQuery, int) ([]store.SurveyRow, error) {
	return []store.SurveyRow{{ID: "one", Oven: "Galley oven", Ended: noon(), Outcome: "within"}, {ID: "open", Oven: "Ward kitchen oven"}}, nil
}

func (f *fakePrinter) Report(_ context.Context, q ReportQuery) (*report.Document, error) {
	f.asked = q
	if f.hold != nil {
		f.in <- struct{}{}
		<-f.hold
	}
	return &report.Document{Kind: q.Kind, Title: "A title", As: noon(), Sections: []report.Section{{Title: "Section", Blocks: []report.Block{&report.Paragraph{Text: "電"}}}}}, f.fail
}

func (f *fakePrinter) Round(_ context.Context, a round.Ask) (*report.Round, error) {
	return &report.Round{Ask: a, Entries: round.Plan([]round.Oven{{ID: "<Ward> oven", Place: "second floor"}, {ID: "b", Withdrawn: true}},
		[]round.Check{{Oven: "c", On: a.Day.AddDate(0, -1, 0), Outcome: limit.Exceeds}, {Oven: "d", On: a.Day.AddDate(0, -1, 0), Outcome: limit.Within}}, a)}, f.fail
}

func withPrinter(p *fakePrinter) func(*Options) { return func(o *Options) { o.Reports = p } }

func ask(h http.Handler, path string) *httptest.ResponseRecorder {
	w := httptest.NewRecorder()
	r := httptest.NewRequest(http.MethodGet, path, nil)
	r.Host = "127.0.0.1:24500"
	h.ServeHTTP(w, r)
	return w
}

// TestReportsPage offers what there is, and only surveys that have ended.
func TestReportsPage(t *testing.T) {
	body := ask(newServer(newFake(noon()), withPrinter(&fakePrinter{})).Handler(), "/reports").Body.String()
	for _, want := range []string{"<option>galley</option>", `value="one"`, "Galley oven, ", `name="format"`, `name="paper"`, "<option>Letter</option>"} {
		if !strings.Contains(body, want) {
			t.Errorf("the page lacks %s", want)
		}
	}
	if strings.Contains(body, `value="open"`) {
		t.Error("a survey under way is offered")
	}
	if body = ask(newServer(newFake(noon())).Handler(), "/reports").Body.String(); !strings.Contains(body, "No reports are made here") {
		t.Error("without a record the page does not say so")
	}
}

// TestReportFile hands files out, and refuses what makes no sense with words.
func TestReportFile(t *testing.T) {
	p := &fakePrinter{}
	h := newServer(newFake(noon()), withPrinter(p)).Handler()
	w := ask(h, "/reports/file?kind=monitoring&format=html&paper=letter&post=galley&post=&from=2026-05-01&to=2026-05-20T10:00:00Z")
	if w.Code != http.StatusOK || w.Header().Get("Content-Type") != "text/html; charset=utf-8" || !strings.Contains(w.Body.String(), "A title") ||
		!strings.HasPrefix(w.Header().Get("Content-Disposition"), `attachment; filename="ovenward-monitoring-`) {
		t.Errorf("%d %v", w.Code, w.Header())
	}
	if q := p.asked; len(q.Posts) != 1 || q.Posts[0] != "galley" || !q.From.Equal(time.Date(2026, 5, 1, 0, 0, 0, 0, time.UTC)) || q.To.Hour() != 10 {
		t.Errorf("%+v", q)
	}
	for _, c := range []struct {
		query string
		code  int
		want  string
	}{
		{"kind=secret&format=pdf", 400, "there is no report"},
		{"kind=round&format=docx", 400, "there is no form"},
		{"kind=round&format=pdf&paper=A3", 400, "A4 or Letter"},
		{"kind=round&format=csv&from=yesterday", 400, "no day"},
		{"kind=monitoring&format=csv&from=2199-01-01&to=2199-02-01", 400, "from: 2199-01-01T00:00:00Z lies in the future"},
		{"kind=round&format=csv&ahead=-1", 400, "ahead"},
		{"kind=round&format=csv&every=x", 400, "every"},
		{"kind=round&format=csv&day=x", 400, "day"},
		{"kind=survey&format=pdf", 422, "HTML"}, // its text is in a script that no PDF shows
	} {
		if w := ask(h, "/reports/file?"+c.query); w.Code != c.code || !strings.Contains(w.Body.String(), c.want) || w.Header().Get("Content-Disposition") != "" {
			t.Errorf("%s: %d %s", c.query, w.Code, w.Body)
		}
	}
	if code, body := asks(t, h, http.MethodGet, "/reports/file?kind=round&format=csv&from=yesterday", "text/html", nil); code != 400 || !strings.Contains(body, `role="alert">from: &#34;yesterday&#34; is no day`) || !strings.Contains(body, `name="format"`) {
		t.Errorf("a browser is told by %d %s", code, body)
	}
	p.fail = errors.New("the record is gone")
	if w := ask(h, "/reports/file?kind=certificates&format=csv"); w.Code != 400 || !strings.Contains(w.Body.String(), "the record is gone") {
		t.Errorf("%d %s", w.Code, w.Body)
	}
	if w := ask(newServer(newFake(noon())).Handler(), "/reports/file?kind=certificates&format=csv"); w.Code != 404 {
		t.Errorf("%d", w.Code)
	}
}

// TestReportsAreFewAtATime: more than a few are sent away, and told when to come.
func TestReportsAreFewAtATime(t *testing.T) {
	p := &fakePrinter{hold: make(chan struct{}), in: make(chan struct{})}
	h := newServer(newFake(noon()), withPrinter(p)).Handler()
	done := make(chan int)
	for range mostMaking {
		go func() { done <- ask(h, "/reports/file?kind=certificates&format=csv").Code }()
		<-p.in
	}
	if w := ask(h, "/reports/file?kind=certificates&format=csv"); w.Code != http.StatusServiceUnavailable || w.Header().Get("Retry-After") == "" {
		t.Errorf("%d %v", w.Code, w.Header())
	}
	close(p.hold)
	for range mostMaking {
		if code := <-done; code != http.StatusOK {
			t.Errorf("%d", code)
		}
	}
}

// TestRoundPage shows the day's list and no more.
func TestRoundPage(t *testing.T) {
	h := newServer(newFake(noon()), withPrinter(&fakePrinter{})).Handler()
	body := ask(h, "/round?day=2031-05-20&ahead=3").Body.String()
	for _, want := range []string{"2 ovens to check, of 4 known", "&lt;Ward&gt; oven", "never checked", "exceeded", "lethal voltage", "format=pdf", `value="2031-05-20"`, "day=2031-05-20"} {
		if !strings.Contains(body, want) {
			t.Errorf("the page lacks %s", want)
		}
	}
	if strings.Contains(body, "not due") || strings.Contains(body, "withdrawn") {
		t.Error("ovens that are not due are on the list")
	}
	if w := ask(h, "/round?every=0"); w.Code != 400 || !strings.Contains(w.Body.String(), "every: write a number") {
		t.Errorf("%d", w.Code)
	}
}
