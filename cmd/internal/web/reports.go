package web

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"ovenward/acquire/store"
	"ovenward/cmd/internal/report"
	"ovenward/cmd/internal/round"
)

// Reports makes printed matter of the record. It may take seconds, and is asked by
// few at a time.
type Reports interface {
	Posts(ctx context.Context) ([]string, error)
	Surveys(ctx context.Context, q store.SurveyQuery, limit int) ([]store.SurveyRow, error)
	// Report makes the document that is asked for. Zero times and empty lists are
	// those of ovenward report.
	Report(ctx context.Context, q ReportQuery) (*report.Document, error)
	Round(ctx context.Context, ask round.Ask) (*report.Round, error)
}

// ReportQuery says which report is meant.
type ReportQuery struct {
	Kind     string // monitoring, certificates, survey or round
	Posts    []string
	Survey   string
	From, To time.Time
	Ask      round.Ask
}

// Bounds of what the page makes.
const (
	mostMaking     = 2 // at a time
	reportPatience = 2 * time.Minute
	mostOffered    = 200 // surveys in the list
)

func (s *Server) addReports(rt routes) {
	rt.get("/reports", func(w http.ResponseWriter, r *http.Request) { s.showReports(w, r, http.StatusOK, "") })
	rt.get("/reports/file", s.serveReportFile)
}

func (s *Server) addRound(rt routes) { rt.get("/round", s.serveRound) }

// reportsPage is what the page of reports shows.
type reportsPage struct {
	Trouble string
	Posts   []string
	Surveys []surveyOffer
	Papers  []report.Paper
	Formats []string
	Today   string
}

type surveyOffer struct{ ID, Text string }

func (s *Server) showReports(w http.ResponseWriter, r *http.Request, status int, trouble string) {
	f := s.frame(r, "reports", s.o.Now())
	p := reportsPage{Trouble: f.said(trouble), Papers: report.Papers(), Formats: report.Formats(), Today: s.o.Now().UTC().Format(time.DateOnly)}
	if s.o.Reports == nil {
		p.Trouble = f.t("reports.off")
	} else {
		var err error
		if p.Posts, err = s.o.Reports.Posts(r.Context()); err == nil {
			p.Surveys, err = s.surveysOffered(r.Context(), f.voice)
		}
		if err != nil {
			p.Trouble = f.said(err.Error())
		}
	}
	f.Page = p
	s.show(w, r, status, f)
}

// surveysOffered lists surveys that have ended.
func (s *Server) surveysOffered(ctx context.Context, say voice) ([]surveyOffer, error) {
	rows, err := s.o.Reports.Surveys(ctx, store.SurveyQuery{}, mostOffered)
	if err != nil {
		return nil, err
	}
	var out []surveyOffer
	for _, x := range rows {
		if !x.Ended.IsZero() {
			lost := ""
			if s.o.Surveys != nil {
				if x = s.asFound(ctx, x); x.State == surveyDamaged || x.State == surveyUnread {
					lost = ", " + say.surveyState(x.State)
				}
			}
			out = append(out, surveyOffer{x.ID, x.Oven + ", " + x.Ended.UTC().Format(time.DateOnly) + ", " + say.said(x.Outcome) + lost})
		}
	}
	return out, nil
}

// serveReportFile makes one report and hands it out as a file.
func (s *Server) serveReportFile(w http.ResponseWriter, r *http.Request) {
	refuse := func(status int, detail string) {
		if wantsPage(r) {
			s.showReports(w, r, status, detail)
			return
		}
		sendProblem(w, r, status, detail)
	}
	if s.o.Reports == nil {
		refuse(http.StatusNotFound, "no reports are made here")
		return
	}
	q, format, paper, err := s.reportQuery(r.URL.Query())
	if err != nil {
		refuse(http.StatusBadRequest, err.Error())
		return
	}
	select {
	case s.making <- struct{}{}:
		defer func() { <-s.making }()
	default:
		w.Header().Set("Retry-After", "10")
		refuse(http.StatusServiceUnavailable, "other reports are being made: ask again in some seconds")
		return
	}
	ctx, cancel := context.WithTimeout(r.Context(), reportPatience)
	defer cancel()
	d, err := s.o.Reports.Report(ctx, q)
	var body bytes.Buffer
	if err == nil {
		err = d.Write(&body, format, paper)
	}
	switch u := (*report.Unprintable)(nil); {
	case errors.Is(err, context.DeadlineExceeded):
		refuse(http.StatusServiceUnavailable, "the report took too long: ask for less time, or make it with ovenward report")
	case errors.As(err, &u):
		refuse(http.StatusUnprocessableEntity, err.Error())
	case err != nil:
		refuse(http.StatusBadRequest, err.Error())
	default:
		w.Header().Set("Content-Type", report.ContentType(format))
		w.Header().Set("Content-Disposition", fmt.Sprintf(`attachment; filename="ovenward-%s-%s.%s"`, q.Kind, d.As.UTC().Format(time.DateOnly), format))
		w.Header().Set("Content-Length", strconv.Itoa(body.Len()))
		_, _ = w.Write(body.Bytes()) // the client may be gone; nothing is lost
	}
}

// reportQuery reads what is asked for.
func (s *Server) reportQuery(v url.Values) (q ReportQuery, format string, paper report.Paper, err error) {
	q.Kind, q.Survey = v.Get("kind"), v.Get("survey")
	if !slices.Contains([]string{"monitoring", "certificates", "survey", "round"}, q.Kind) {
		return q, "", paper, fmt.Errorf("kind: there is no report %q; write monitoring, certificates, survey or round", q.Kind)
	}
	for _, p := range v["post"] {
		if p != "" {
			q.Posts = append(q.Posts, p)
		}
	}
	if format = v.Get("format"); !slices.Contains(report.Formats(), format) {
		return q, "", paper, fmt.Errorf("format: there is no form %q; write one of %s", format, strings.Join(report.Formats(), ", "))
	}
	if paper = report.Papers()[0]; v.Get("paper") != "" {
		if paper, err = report.PaperOf(v.Get("paper")); err != nil {
			return q, "", paper, fmt.Errorf("paper: %w", err)
		}
	}
	for name, into := range map[string]*time.Time{"from": &q.From, "to": &q.To} {
		if *into, err = instantOf(v.Get(name)); err != nil {
			return q, "", paper, fmt.Errorf("%s: %w", name, err)
		}
	}
	if q.Kind == "monitoring" && q.From.After(s.o.Now()) {
		return q, "", paper, fmt.Errorf("from: %s lies in the future, of which nothing is recorded: write an instant that is past", q.From.Format(time.RFC3339))
	}
	q.Ask, err = s.ask(v)
	return q, format, paper, err
}

// instantOf reads an instant, or a day as its first instant in UTC; the zero time of
// nothing.
func instantOf(text string) (time.Time, error) {
	if text == "" {
		return time.Time{}, nil
	}
	for _, layout := range []string{time.RFC3339Nano, time.DateOnly} {
		if t, err := time.Parse(layout, text); err == nil && t.Year() >= 1970 && t.Year() <= 2261 {
			return t.UTC(), nil
		}
	}
	return time.Time{}, fmt.Errorf("%q is no day such as 2026-11-25, and no instant such as 2026-11-25T10:00:00Z", text)
}

// ask reads what a round is planned for.
func (s *Server) ask(v url.Values) (a round.Ask, err error) {
	a = round.Ask{Day: s.o.Now().UTC().Truncate(24 * time.Hour), Ahead: round.DefaultAhead, Every: round.DefaultEvery}
	if v.Get("day") != "" {
		if a.Day, err = instantOf(v.Get("day")); err != nil {
			return a, fmt.Errorf("day: %w", err)
		}
	}
	for _, x := range []struct {
		name       string
		into       *int
		least, top int
	}{{"ahead", &a.Ahead, 0, 3660}, {"every", &a.Every, 1, 120}} {
		if text := v.Get(x.name); text != "" {
			n, err := strconv.Atoi(text)
			if err != nil || n < x.least || n > x.top {
				return a, fmt.Errorf("%s: write a number from %d to %d", x.name, x.least, x.top)
			}
			*x.into = n
		}
	}
	return a, nil
}

// roundPage is what the page of the round shows.
type roundPage struct {
	Trouble    string
	Day        string
	Ahead      int
	Every      int
	Sum        string
	Entries    []roundEntry
	Others     int
	Query      string // of the same plan as a file, without its form
	HasExceeds bool
}

type roundEntry struct{ Place, Oven, Status, Due, Last, Outcome, Why string }

func (s *Server) serveRound(w http.ResponseWriter, r *http.Request) {
	f := s.frame(r, "round", s.o.Now())
	a, err := s.ask(r.URL.Query())
	status := http.StatusOK
	p := roundPage{Day: a.Day.Format(time.DateOnly), Ahead: a.Ahead, Every: a.Every}
	switch {
	case err != nil:
		status, p.Trouble = http.StatusBadRequest, f.said(err.Error())
	case s.o.Reports == nil:
		p.Trouble = f.t("reports.off")
	default:
		plan, err := s.o.Reports.Round(r.Context(), a)
		if err != nil {
			p.Trouble = f.said(err.Error())
			break
		}
		list := round.List(plan.Entries)
		p.Sum = f.t("round.sum", "n", len(list), "known", len(plan.Entries))
		p.Others = len(plan.Entries) - len(list)
		for _, e := range list {
			p.HasExceeds = p.HasExceeds || e.Status == round.Exceeded
			p.Entries = append(p.Entries, f.roundEntry(e))
		}
		p.Query = url.Values{"kind": {"round"}, "day": {p.Day}, "ahead": {strconv.Itoa(a.Ahead)}, "every": {strconv.Itoa(a.Every)}}.Encode()
	}
	f.Page = p
	s.show(w, r, status, f)
}

func (f frame) roundEntry(e round.Entry) roundEntry {
	x := roundEntry{Place: e.Place, Oven: e.ID, Status: f.said(string(e.Status)), Due: f.t("round.at_once"), Last: f.t("round.none"), Why: f.said(e.DueBy)}
	if !e.Due.IsZero() {
		x.Due = e.Due.Format(time.DateOnly)
	}
	if c := e.Last; c != nil {
		x.Last, x.Outcome = c.On.UTC().Format(time.DateOnly), f.said(string(c.Outcome))
		if x.Outcome == "" {
			x.Outcome = f.t("round.not_stated")
		}
	}
	return x
}
