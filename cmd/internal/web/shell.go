package web

import (
	"bytes"
	"fmt"
	"html/template"
	"net/http"
	"sync"
	"time"
)

// frame is what every page shows around its own part.
type frame struct {
	voice
	Lang      string
	Site      string
	Zone      string // name of the site's time zone
	ZoneNames string // what its times are called, for the script
	Simulated bool
	Version   string
	Boot      string
	Clock     string // of this answer
	At        string // the same, for the script
	Unit      string // name of the viewer's unit, for the script
	UnitText  string // as people read it
	Title     string
	Name      string // of the room
	Script    string // path of the room's script; empty: it has none
	Nav       []navEntry
	Units     []unitEntry
	Back      string // where a plain form leads back to

	ReadOnly string // why this viewer may not change anything; empty when it may
	OpenTo   string // that anybody may read this; empty where nobody may from elsewhere, or users are asked
	User     string // who is let in by name and password; empty where none are configured
	Problem  string // what was wrong with the viewer's last request
	Said     word   // what was typed with it

	Page any // what the room itself shows
}

type navEntry struct {
	Path, Text string
	Here       bool
}

type unitEntry struct {
	Name, Text string
	Picked     bool
}

// T returns a text of the catalogue, in templates.
func (f frame) T(name string, values ...any) string { return f.t(name, values...) }

// loadPages says how to get each room's template, with the layout. They are parsed
// when somebody first looks at the room: all of them take 2 MB.
func loadPages(t *catalogue) map[string]func() *template.Template {
	pages := map[string]func() *template.Template{}
	for _, room := range rooms() {
		pages[room.name] = sync.OnceValue(func() *template.Template {
			return template.Must(template.New("layout.html").
				Funcs(template.FuncMap{"t": t.say, "said": func(s any) string { return t.said(fmt.Sprint(s)) }}).
				ParseFS(assets, "pages/layout.html", "pages/fields.html", "pages/register.html", "pages/card.html", "pages/"+room.name+".html"))
		})
	}
	return pages
}

// frame makes what surrounds a room's own part for whoever asks.
func (s *Server) frame(r *http.Request, name string, now time.Time) frame {
	v := s.voiceOf(r)
	f := frame{
		voice: v, Lang: v.texts.lang, Site: s.o.Site, Zone: s.zone.String(), ZoneNames: zoneNames(now.In(s.zone)), Simulated: s.o.Simulated,
		Version: s.o.Version, Boot: s.boot, Clock: v.clock(now, now), At: instant(now),
		Unit: v.unit.name, UnitText: v.unit.String(),
		Title: v.t(name+".title") + " · " + s.o.Site, Name: name,
		ReadOnly: s.mayRead(r), Back: "/",
	}
	if r.Method == http.MethodGet {
		f.Back = r.URL.RequestURI()
	}
	f.User, f.OpenTo = s.userOf(r), s.open()
	if _, ok := s.static[name+".js"]; ok {
		f.Script = "/static/" + name + ".js"
	}
	for _, room := range rooms() {
		if room.path != "" {
			f.Nav = append(f.Nav, navEntry{room.path, v.t("layout.nav_" + room.name), room.name == name})
		}
	}
	for _, u := range unitsOffered() {
		f.Units = append(f.Units, unitEntry{u.name, u.String(), u.name == v.unit.name})
	}
	return f
}

// show answers with a whole page.
func (s *Server) show(w http.ResponseWriter, r *http.Request, status int, f frame) {
	s.render(w, r, status, "layout.html", f)
}

// render executes one template of a room, and writes only what rendered whole.
func (s *Server) render(w http.ResponseWriter, r *http.Request, status int, name string, f frame) {
	var body bytes.Buffer
	if err := s.pages[f.Name]().ExecuteTemplate(&body, name, f); err != nil {
		s.log.Error("the page could not be rendered; please report this", "err", err)
		sendProblem(w, r, http.StatusInternalServerError, "the page could not be rendered; the log says more")
		return
	}
	sendWhole(w, r, status, "text/html; charset=utf-8", body.Bytes(), body.Bytes())
}

// mayRead says why the forms are not shown. That the request itself came from
// another site does not count: a link may.
func (s *Server) mayRead(r *http.Request) string {
	asked := *r
	asked.Method = http.MethodGet
	return s.mayChange(&asked)
}
