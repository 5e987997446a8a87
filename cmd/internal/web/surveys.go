package web

import (
	"context"
	"errors"
	"net/http"
	"net/url"
	"time"

	"ovenward/acquire/limit"
	"ovenward/acquire/store"
	"ovenward/acquire/survey"
	"ovenward/acquire/survey/guide"
)

// Surveys is what the page needs of whoever guides surveys. All of it must be
// ready to be called by many goroutines at once.
type Surveys interface {
	Ovens() []survey.Oven
	Procedures() []survey.Procedure
	Begin(ctx context.Context, o guide.Order) (id string, err error)
	Do(ctx context.Context, id string, a survey.Act) error
	View(id string) (survey.View, bool)
	Views() []survey.View
	Surveys(ctx context.Context, limit int) ([]store.SurveyRow, error)
	Result(ctx context.Context, id string) (*survey.Result, error)
	Mark(ctx context.Context, post string, o guide.MarkOrder) (survey.Mark, error)
}

const (
	mostSurveys  = 200    // in a list
	mostSearched = 10_000 // for those of one oven
	noSurveys    = "this station guides no surveys"
	noSurvey     = "there is no survey with this id: the list of surveys names those that there are"
)

func (s *Server) addSurveys(rt routes) {
	rt.get("/surveys", s.serveSurveys)
	rt.get("/api/v1/surveys", s.serveSurveyList)
	rt.edit("/api/v1/posts/{id}/mark", s.takeMark)
}

// surveyRow is one survey of the list, in words.
type surveyRow struct {
	URL, Oven, Who, State, Outcome string
	When                           string // it ended, or began
	Exceeds                        bool
}

type surveysPage struct {
	Running, Past []surveyRow
	Trouble       string
	MayBegin      bool
	Exceeds       bool
	Lethal        string
	Causes        string
}

func surveyURL(id string) string { return "/surveys/" + url.PathEscape(id) }

func (s *Server) serveSurveys(w http.ResponseWriter, r *http.Request) {
	now := s.o.Now()
	f := s.frame(r, "surveys", now)
	p := surveysPage{MayBegin: s.o.Surveys != nil && f.ReadOnly == "", Lethal: f.said(survey.Lethal), Causes: f.said(survey.Causes)}
	if s.o.Surveys != nil {
		rows, err := s.o.Surveys.Surveys(r.Context(), mostSurveys)
		if err != nil {
			p.Trouble = f.said(err.Error())
		}
		for _, row := range rows {
			v := f.surveyRow(s.asFound(r.Context(), row), now)
			p.Exceeds = p.Exceeds || v.Exceeds
			if row.Ended.IsZero() {
				p.Running = append(p.Running, v)
			} else {
				p.Past = append(p.Past, v)
			}
		}
	}
	f.Page = p
	s.show(w, r, http.StatusOK, f)
}

// The states, in a list, of a survey that has ended and whose findings are damaged, or cannot be read.
const (
	surveyDamaged survey.State = "damaged"
	surveyUnread  survey.State = "unread"
)

// asFound is a row of a list with what the survey's own page says of it. Of one whose findings
// are not there nothing but an exceedance is believed.
func (s *Server) asFound(ctx context.Context, row store.SurveyRow) store.SurveyRow {
	if row.Ended.IsZero() {
		return row
	}
	found, err := s.o.Surveys.Result(ctx, row.ID)
	switch {
	case err != nil && !errors.Is(err, store.ErrLost):
		row.State = surveyUnread
	case err != nil, found == nil:
		row.State = surveyDamaged
	default:
		row.State, row.Outcome = found.State, string(found.Verdict.Outcome)
		return row
	}
	if row.Outcome != string(limit.Exceeds) {
		row.Outcome = string(limit.NotDecided)
	}
	return row
}

func (v voice) surveyState(s survey.State) string {
	switch s {
	case surveyDamaged:
		return v.t("surveys.damaged")
	case surveyUnread:
		return v.t("surveys.unread")
	}
	return v.said(string(s))
}

func (v voice) surveyRow(row store.SurveyRow, now time.Time) surveyRow {
	at := row.Ended
	if at.IsZero() {
		at = row.Begun
	}
	return surveyRow{URL: surveyURL(row.ID), Oven: row.Oven, Who: row.Who, When: v.clock(at, now), State: v.surveyState(row.State),
		Outcome: v.said(row.Outcome), Exceeds: row.Outcome == string(limit.Exceeds)}
}

// surveysOf lists the surveys of one oven that have ended, the newest first.
func (s *Server) surveysOf(r *http.Request, say voice, oven string, now time.Time) ([]surveyRow, error) {
	if s.o.Surveys == nil {
		return nil, nil
	}
	rows, err := s.o.Surveys.Surveys(r.Context(), mostSearched)
	var out []surveyRow
	for _, row := range rows {
		if row.Oven == oven && !row.Ended.IsZero() {
			out = append(out, say.surveyRow(s.asFound(r.Context(), row), now))
		}
	}
	return out, err
}

type surveysJSON struct {
	Surveys []store.SurveyRow `json:"surveys"`
}

func (s *Server) serveSurveyList(w http.ResponseWriter, r *http.Request) {
	if s.o.Surveys == nil {
		sendProblem(w, r, http.StatusNotFound, noSurveys)
		return
	}
	rows, err := s.o.Surveys.Surveys(r.Context(), mostSurveys)
	if err != nil {
		sendProblem(w, r, http.StatusServiceUnavailable, err.Error())
		return
	}
	all := []store.SurveyRow{}
	for _, row := range rows {
		all = append(all, s.asFound(r.Context(), row))
	}
	s.sendJSON(w, r, surveysJSON{all})
}

// liveSurveys are the surveys under way for a stream, without their paths, which
// a page has.
func (s *Server) liveSurveys(say voice) []survey.View {
	if s.o.Surveys == nil {
		return nil
	}
	all := append([]survey.View{}, s.o.Surveys.Views()...)
	for i := range all {
		all[i] = say.survey(all[i])
		all[i].Path = nil
	}
	return all
}
