package web

import (
	"encoding/json"
	"errors"
	"fmt"
	"mime"
	"net/http"
	"strconv"
	"strings"

	"ovenward/acquire/limit"
	"ovenward/acquire/quantity"
	"ovenward/acquire/survey"
	"ovenward/acquire/survey/guide"
)

func (s *Server) addSurvey(rt routes) {
	rt.get("/surveys/{id}", func(w http.ResponseWriter, r *http.Request) { s.showSurvey(w, r, http.StatusOK, "layout.html", "") })
	rt.get("/part/surveys/{id}", func(w http.ResponseWriter, r *http.Request) { s.showSurvey(w, r, http.StatusOK, "survey", "") })
	rt.get("/api/v1/surveys/{id}", s.serveSurveyJSON)
	rt.edit("/api/v1/surveys/{id}/{act}", s.actSurvey)
}

// surveyPage is a survey as a person with the probe in hand must see it.
type surveyPage struct {
	ID       string
	View     *survey.View // nil: it has ended and was closed
	Result   survey.Result
	Door     *doorDrawing
	ActURL   string
	Can      map[string]bool
	Past     []placeView
	Checks   []checkView
	Cautions []string
	Exceeds  bool
	Ended    bool
	Pull     bool
	Outcome  string
	Withdraw string
	Left     string // of the load, in words
}

// checkView is a check of the probe, in words.
type checkView struct {
	survey.Check
	Label string
}

// placeView is a place that was held, in words.
type placeView struct {
	survey.Place
	Shown, Ratio, Off string
}

func (s *Server) showSurvey(w http.ResponseWriter, r *http.Request, status int, part, trouble string) {
	p, detail, code := s.surveyPage(r)
	if detail != "" {
		sendProblem(w, r, code, detail)
		return
	}
	f := s.frame(r, "survey", s.o.Now())
	if p.View != nil {
		v := f.survey(*p.View)
		p.View = &v
	}
	p.Cautions = f.saidAll(p.Cautions)
	f.Title, f.Problem, f.Page = f.t("survey.title_of", "oven", p.Result.Oven.ID)+" · "+s.o.Site, f.said(trouble), p
	s.render(w, r, status, part, f)
}

func (s *Server) surveyPage(r *http.Request) (p surveyPage, detail string, status int) {
	id := r.PathValue("id")
	if s.o.Surveys == nil {
		return p, noSurveys, http.StatusNotFound
	}
	result, err := s.o.Surveys.Result(r.Context(), id)
	switch {
	case err != nil:
		return p, err.Error(), http.StatusServiceUnavailable
	case result == nil:
		return p, noSurvey, http.StatusNotFound
	}
	p = surveyPage{ID: id, Result: *result, ActURL: "/api/v1" + surveyURL(id), Can: map[string]bool{}, Cautions: survey.Cautions(),
		Exceeds: result.Verdict.Outcome == limit.Exceeds, Ended: result.State != survey.UnderWay, Pull: result.Plan.Pull,
		Withdraw: "/api/v1/ovens/" + result.Oven.ID + "/withdraw"}
	if v, ok := s.o.Surveys.View(id); ok && v.Phase != survey.Ended {
		p.View = &v
		if v.LeftS != nil {
			p.Left = s.voiceOf(r).t("survey.left", "s", fmt.Sprintf("%.0f", *v.LeftS))
		}
		for _, k := range v.Can {
			p.Can[strings.ReplaceAll(string(k), " ", "_")] = true
		}
	}
	if p.Ended {
		p.Outcome = string(result.Verdict.Outcome)
	}
	say := s.voiceOf(r)
	var floor quantity.PowerDensity
	if len(result.Instruments) > 0 {
		floor = result.Instruments[0].Floor
	}
	for _, c := range result.Checks {
		p.Checks = append(p.Checks, checkView{c, say.t("survey.check_" + c.Name)})
	}
	for _, h := range result.Places {
		p.Past = append(p.Past, say.place(h, result, floor))
	}
	p.Door = drawDoor(p.View, *result)
	return p, "", 0
}

// place puts a place that was held into words; floor is the probe's.
func (v voice) place(h survey.Place, of *survey.Result, floor quantity.PowerDensity) placeView {
	p := placeView{Place: h, Shown: v.t("survey.no_value")}
	switch {
	case h.OverRange:
		p.Shown = v.t("survey.over_range")
	case h.Value != nil && survey.UnderFloor(*h.Value, floor):
		p.Shown = v.t("survey.under_floor", "floor", v.read(floor))
	case h.Value != nil && h.U != nil:
		p.Shown = quantity.PowerDensity(*h.Value).FormatUncertain(quantity.PowerDensity(*h.U), v.unit.Unit)
	case h.Value != nil:
		p.Shown = v.read2(*h.Value)
	}
	if x := of.RatioOf(&h); x != nil {
		p.Ratio = survey.Times(*x, 2)
	}
	switch b := of.Background; {
	case !b.Taken:
		p.Off = v.t("survey.oven_off_not")
	case survey.UnderFloor(float64(b.Value), floor):
		p.Off = v.t("survey.oven_off", "value", "< "+v.read(floor))
	default:
		p.Off = v.t("survey.oven_off", "value", v.read2(float64(b.Value)))
	}
	return p
}

// survey puts what a survey says at an instant into the viewer's language.
func (v voice) survey(w survey.View) survey.View {
	w.Do, w.Warn = v.saidAll(w.Do), v.saidAll(w.Warn)
	for _, text := range []*string{&w.Title, &w.Said, &w.Value, &w.Ratio, &w.Settled, &w.Best, &w.Off, &w.Rated} {
		*text = v.said(*text)
	}
	return w
}

// surveyJSON is a survey as the API tells of it; view is null once it was closed.
type surveyJSON struct {
	View   *survey.View  `json:"view"`
	Result survey.Result `json:"result"`
}

func (s *Server) serveSurveyJSON(w http.ResponseWriter, r *http.Request) {
	p, detail, status := s.surveyPage(r)
	if detail != "" {
		sendProblem(w, r, status, detail)
		return
	}
	s.sendJSON(w, r, surveyJSON{p.View, p.Result})
}

// readSurvey reads a form by form, or JSON into 'into', bounded.
func (s *Server) readSurvey(w http.ResponseWriter, r *http.Request, into any, form func() error) (detail string, status int) {
	if s.o.Surveys == nil {
		return noSurveys, http.StatusNotFound
	}
	if detail := s.mayChange(r); detail != "" {
		return detail, http.StatusForbidden
	}
	r.Body = http.MaxBytesReader(w, r.Body, maxBody)
	kind, _, err := mime.ParseMediaType(r.Header.Get("Content-Type"))
	switch {
	case err == nil && kind == "application/x-www-form-urlencoded":
		if err = r.ParseForm(); err == nil {
			err = form()
		}
	case err == nil && kind == "application/json":
		d := json.NewDecoder(r.Body)
		d.DisallowUnknownFields()
		err = readObject(d, into)
	default:
		return "send a form or a JSON object", http.StatusUnsupportedMediaType
	}
	var tooLarge *http.MaxBytesError
	if errors.As(err, &tooLarge) {
		return fmt.Sprintf("send at most %d bytes", maxBody), http.StatusRequestEntityTooLarge
	}
	if err != nil {
		return "the request cannot be read: " + err.Error(), http.StatusBadRequest
	}
	return "", 0
}

// surveyor is who acts: the user, where there are users.
func (s *Server) surveyor(r *http.Request, who string) (name, detail string) {
	who = strings.TrimSpace(who)
	if user := s.userOf(r); user != "" {
		who = user
	}
	if !plain(who, maxWho) {
		return "", fmt.Sprintf("write your name: 1 to %d printable characters, with a letter", maxWho)
	}
	return who, ""
}

// actSurvey does one act of a person in a survey.
func (s *Server) actSurvey(w http.ResponseWriter, r *http.Request) {
	var a survey.Act
	detail, status := s.readSurvey(w, r, &a, func() error { return actOf(r, &a) })
	a.Kind = survey.Kind(strings.ReplaceAll(r.PathValue("act"), "_", " "))
	if detail == "" {
		if a.Who, detail = s.surveyor(r, a.Who); detail == "" && a.Text != "" && !plain(a.Text, maxRemedy) {
			detail = whyWanted
		}
		status = http.StatusUnprocessableEntity
	}
	if detail == "" {
		if err := s.o.Surveys.Do(r.Context(), r.PathValue("id"), a); err != nil {
			detail, status = err.Error(), http.StatusConflict
			if errors.Is(err, guide.ErrNoSurvey) {
				status = http.StatusNotFound
			}
		}
	}
	switch {
	case detail != "" && wantsPage(r) && status != http.StatusNotFound:
		s.showSurvey(w, r, status, "layout.html", detail)
	case detail != "":
		sendProblem(w, r, status, detail)
	case wantsPage(r):
		http.Redirect(w, r, surveyURL(r.PathValue("id")), http.StatusSeeOther)
	default:
		v, _ := s.o.Surveys.View(r.PathValue("id"))
		s.sendJSON(w, r, map[string]any{"view": v})
	}
}

// actOf reads the form of an act.
func actOf(r *http.Request, a *survey.Act) error {
	f := r.PostForm
	a.Who, a.Text, a.Turned = f.Get("who"), strings.TrimSpace(f.Get("text")), f.Get("turned") != ""
	a.Phase = survey.Phase(f.Get("phase"))
	var err error
	number := func(name string) *float64 {
		text := strings.ReplaceAll(strings.TrimSpace(f.Get(name)), ",", ".")
		if text == "" {
			return nil
		}
		x, bad := strconv.ParseFloat(text, 64)
		if bad != nil {
			err = fmt.Errorf("%q is no number", f.Get(name))
		}
		return &x
	}
	a.Volume, a.Celsius = number("volume"), number("celsius")
	if name := f.Get("check"); name != "" {
		a.Check = &survey.Check{Name: name, Outcome: f.Get("outcome"), Text: a.Text}
	}
	if n, bad := strconv.Atoi(f.Get("place")); bad == nil {
		a.Place = n
	}
	return err
}
