package web

import (
	"fmt"
	"net/http"
	"strconv"
	"strings"

	"ovenward/acquire/quantity"
	"ovenward/acquire/survey"
	"ovenward/acquire/survey/guide"
)

func (s *Server) addSurveyNew(rt routes) {
	rt.get("/surveys/new", func(w http.ResponseWriter, r *http.Request) { s.showSurveyNew(w, r, http.StatusOK, "") })
	rt.edit("/api/v1/surveys/begin", s.beginSurvey)
}

// ovenChoice is one oven of the form.
type ovenChoice struct {
	ID, Text string
	Picked   bool
	Known    bool // its door is
}

// doorField is one field of the form for a door.
type doorField struct{ Name, Label, Value string }

type surveyNewPage struct {
	Ovens      []ovenChoice
	Procedures []survey.Procedure
	Posts      []string
	Oven       survey.Oven
	Fields     []doorField
	Places     string // lines for survey.Door.SetPlaces
	Known      bool
	Cautions   []string
	Pull       string
	Off        bool // no surveys here
}

func (s *Server) showSurveyNew(w http.ResponseWriter, r *http.Request, status int, trouble string) {
	f := s.frame(r, "surveynew", s.o.Now())
	p := surveyNewPage{Cautions: f.saidAll(survey.Cautions()), Pull: f.said(survey.PullCaution), Off: s.o.Surveys == nil}
	if !p.Off {
		picked := r.FormValue("oven")
		for i, o := range s.o.Surveys.Ovens() {
			c := ovenChoice{ID: o.ID, Text: o.ID, Picked: o.ID == picked || picked == "" && i == 0, Known: o.Door.Width > 0}
			if o.Place != "" {
				c.Text = o.Place + " (" + o.ID + ")"
			}
			if c.Picked {
				p.Oven, p.Known = o, c.Known
			}
			p.Ovens = append(p.Ovens, c)
		}
		p.Procedures = s.o.Surveys.Procedures()
		for _, st := range s.o.Station.Stats() {
			p.Posts = append(p.Posts, st.Post.ID)
		}
		p.Fields, p.Places = doorFields(f.voice, p.Oven), strings.Join(p.Oven.Door.Places(), "\n")
		for i, field := range p.Fields { // what was typed and refused is not lost
			if r.PostForm.Has(field.Name) {
				p.Fields[i].Value = r.PostForm.Get(field.Name)
			}
		}
		if r.PostForm.Has("places") {
			p.Places = r.PostForm.Get("places")
		}
	}
	f.Problem, f.Page = f.said(trouble), p
	s.show(w, r, status, f)
}

// doorFields are the sizes in cm, as people measure them.
func doorFields(v voice, o survey.Oven) []doorField {
	d := o.Door
	cm := func(l quantity.Length) string {
		if l == 0 {
			return ""
		}
		return strconv.FormatFloat(float64(l)*100, 'g', 10, 64)
	}
	plain := func(x float64) string {
		if x == 0 {
			return ""
		}
		return strconv.FormatFloat(x, 'g', 5, 64)
	}
	return []doorField{
		{"power", v.t("surveynew.power"), plain(o.Power)}, {"stirrer", v.t("surveynew.stirrer"), plain(o.Stirrer)},
		{"width", v.t("surveynew.width"), cm(d.Width)}, {"height", v.t("surveynew.height"), cm(d.Height)},
		{"screen_width", v.t("surveynew.screen_width"), cm(d.ScreenWidth)}, {"screen_height", v.t("surveynew.screen_height"), cm(d.ScreenHeight)},
		{"panel", v.t("surveynew.panel"), cm(d.Panel)}, {"depth", v.t("surveynew.depth"), cm(d.Depth)},
	}
}

// beginSurvey takes a form or a guide.Order as JSON.
func (s *Server) beginSurvey(w http.ResponseWriter, r *http.Request) {
	var o guide.Order
	detail, status := s.readSurvey(w, r, &o, func() error { return orderOf(r, s.o.Surveys.Ovens(), &o) })
	if detail == "" {
		o.Who, detail = s.surveyor(r, o.Who)
		status = http.StatusUnprocessableEntity
	}
	var id string
	if detail == "" {
		var err error
		if id, err = s.o.Surveys.Begin(r.Context(), o); err != nil {
			detail, status = err.Error(), http.StatusConflict
		}
	}
	switch {
	case detail != "" && wantsPage(r):
		s.showSurveyNew(w, r, status, detail)
	case detail != "":
		sendProblem(w, r, status, detail)
	case wantsPage(r):
		s.log.Info("a survey begins", "survey", id, "who", o.Who, "from", r.RemoteAddr)
		http.Redirect(w, r, surveyURL(id), http.StatusSeeOther)
	default:
		s.log.Info("a survey begins", "survey", id, "who", o.Who, "from", r.RemoteAddr)
		s.sendJSON(w, r, map[string]string{"id": id, "url": surveyURL(id)})
	}
}

// orderOf reads the form. A door that is configured is changed by what is written.
func orderOf(r *http.Request, ovens []survey.Oven, o *guide.Order) error {
	f := r.PostForm
	o.Oven, o.Post, o.Procedure, o.Who = f.Get("oven"), f.Get("post"), f.Get("procedure"), strings.TrimSpace(f.Get("who"))
	o.Pull, o.Trained = f.Get("pull") != "", f.Get("trained") != ""
	var wrong []string
	number := func(name string) float64 {
		text := strings.ReplaceAll(strings.TrimSpace(f.Get(name)), ",", ".")
		if text == "" {
			return 0
		}
		x, err := strconv.ParseFloat(text, 64)
		if err != nil || !(x >= 0 && x < 1e6) {
			wrong = append(wrong, fmt.Sprintf("%q is no size", f.Get(name)))
			return 0
		}
		return x
	}
	cm := func(name string) quantity.Length { return quantity.Length(number(name) / 100) }
	o.Power, o.Stirrer = number("power"), number("stirrer")
	var door survey.Door
	for _, k := range ovens {
		if k.ID == o.Oven {
			door = k.Door
		}
	}
	if f.Has("width") {
		door.Width, door.Height, door.ScreenWidth, door.ScreenHeight = cm("width"), cm("height"), cm("screen_width"), cm("screen_height")
		door.Panel, door.Depth = cm("panel"), cm("depth")
		if door.Hinge == "" {
			door.Hinge = survey.Left
		}
		if h := f.Get("hinge"); h != "" {
			door.Hinge = survey.Surface(h)
		}
	}
	if f.Has("places") {
		if err := door.SetPlaces(strings.Split(f.Get("places"), "\n")); err != nil {
			wrong = append(wrong, err.Error())
		}
	}
	o.Door = &door
	if len(wrong) > 0 {
		return fmt.Errorf("%s", strings.Join(wrong, "; "))
	}
	return nil
}
