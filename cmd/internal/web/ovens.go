package web

import (
	"context"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/registry"
)

func (s *Server) addOvens(rt routes) {
	rt.get("/ovens", func(w http.ResponseWriter, r *http.Request) { s.showOvens(w, r, http.StatusOK, edit{}, nil) })
	rt.get("/api/v1/ovens", s.serveOvens)
	rt.get("/api/v1/ovens.csv", s.serveOvensTable)
	rt.edit("/api/v1/ovens", s.newOven)
	rt.edit("/api/v1/ovens/import", s.importOvens)
}

func (s *Server) addOven(rt routes) {
	rt.get("/ovens/{id}", func(w http.ResponseWriter, r *http.Request) { s.showOven(w, r, http.StatusOK, edit{}, nil) })
	rt.get("/api/v1/ovens/{id}", s.serveOven)
	rt.edit("/api/v1/ovens/{id}", s.changeOven)
	rt.edit("/api/v1/ovens/{id}/tests", s.newTest)
	back := func(w http.ResponseWriter, r *http.Request, status int, said word, why string) {
		s.showOven(w, r, status, edit{who: said.Who, why: said.Why}, &trouble{status: status, detail: why})
	}
	rt.post("/api/v1/ovens/{id}/withdraw", back, s.withdraw)
	rt.post("/api/v1/ovens/{id}/return", back, s.returnOven)
}

// limits lists the ids of the limits that an oven can be judged by.
func (s *Server) limits() []string {
	var ids []string
	for _, l := range s.o.Limits {
		ids = append(ids, l.ID)
	}
	return ids
}

func (s *Server) limitWords(id string) string {
	for _, l := range s.o.Limits {
		if l.ID == id && l.Words != "" {
			return id + " (" + l.Words + ")"
		}
	}
	return id
}

// limitsIn words limits in a viewer's language.
func (s *Server) limitsIn(say voice) func(id string) string {
	return func(id string) string {
		for _, l := range s.o.Limits {
			if l.ID == id && l.Words != "" {
				return id + " (" + say.said(l.Words) + ")"
			}
		}
		return id
	}
}

// watching lists the posts that watch an oven.
func watching(stats []acquire.Stats, oven string) []acquire.Stats {
	var out []acquire.Stats
	for _, st := range stats {
		if st.Post.Oven == oven {
			out = append(out, st)
		}
	}
	return out
}

// isWithdrawn says whether an oven is out of use: by the notice at its posts,
// which is what its emission is judged by, else by the register.
func isWithdrawn(o registry.Oven, posts []acquire.Stats) bool {
	if len(posts) == 0 {
		return o.Withdrawn
	}
	return slices.ContainsFunc(posts, func(st acquire.Stats) bool { return st.Withdrawn != nil })
}

// ovenAt is one oven as both page and API tell it.
type ovenAt struct {
	registry.OvenVersion
	posts []acquire.Stats
	test  *registry.Test // the newest; nil: none
}

// ovens reads the register and puts beside each oven what watches it.
func (s *Server) ovens(ctx context.Context) ([]ovenAt, error) {
	if s.o.Register == nil {
		return nil, nil
	}
	all, err := s.o.Register.Ovens(ctx)
	if err != nil {
		return nil, err
	}
	tests, err := s.o.Register.Tests(ctx, "")
	if err != nil {
		return nil, err
	}
	stats := s.o.Station.Stats()
	var out []ovenAt
	for _, o := range all {
		at := ovenAt{OvenVersion: o, posts: watching(stats, o.ID)}
		for i := range tests { // the newest first
			if tests[i].Oven == o.ID {
				at.test = &tests[i]
				break
			}
		}
		out = append(out, at)
	}
	return out, nil
}

// findOven finds one of them.
func (s *Server) findOven(ctx context.Context, id string) (ovenAt, bool, error) {
	all, err := s.ovens(ctx)
	for _, o := range all {
		if o.ID == id {
			return o, true, nil
		}
	}
	return ovenAt{}, false, err
}

// ovenJSON is an oven as the API shows it.
type ovenJSON struct {
	ID        string     `json:"id"`
	Place     string     `json:"place"`
	Maker     string     `json:"maker"`
	Model     string     `json:"model"`
	Serial    string     `json:"serial"`
	Power     number     `json:"power_w"` // null: not known
	Frequency number     `json:"frequency_hz"`
	Limit     string     `json:"limit"`
	Basis     string     `json:"limit_words"`
	NextCheck string     `json:"next_check"` // a day; empty: none
	Overdue   bool       `json:"check_overdue"`
	State     string     `json:"state"` // in use or withdrawn
	Remark    string     `json:"remark"`
	WatchedBy []string   `json:"watched_by"`
	Waits     []string   `json:"waits_for_restart"` // what the running daemon does not go by yet
	Tests     []testJSON `json:"tests,omitempty"`
	Versions  []verJSON  `json:"versions,omitempty"`
	registry.Version
}

// testJSON is an entry of an oven's history as the API shows it.
type testJSON struct {
	Number  int64  `json:"id"`
	On      string `json:"on"` // a day
	Kind    string `json:"kind"`
	By      string `json:"by"`
	Outcome string `json:"outcome"`
	Highest number `json:"highest_w_per_m2"` // null: none was stated
	Text    string `json:"text"`
	Entered string `json:"entered_at"`
	Who     string `json:"who"`
}

// verJSON is one version: who changed what, and when.
type verJSON struct {
	registry.Version
	Changes []string `json:"changes"`
}

func (s *Server) ovenOf(o ovenAt) ovenJSON {
	j := ovenJSON{ID: o.ID, Place: o.Place, Maker: o.Maker, Model: o.Model, Serial: o.Serial, Power: number(o.Power), Frequency: number(o.Frequency),
		Limit: o.Limit, Basis: s.limitWords(o.Limit), NextCheck: registry.PrintDay(o.NextCheck), Overdue: overdue(o.NextCheck, s.o.Now()) && !isWithdrawn(o.Oven, o.posts),
		State: "in use", Remark: o.Remark, WatchedBy: []string{}, Waits: []string{}, Version: o.Version}
	if o.Power == 0 {
		j.Power = notKnown()
	}
	if isWithdrawn(o.Oven, o.posts) {
		j.State = "withdrawn"
	}
	for _, st := range o.posts {
		j.WatchedBy = append(j.WatchedBy, st.Post.ID)
		j.Waits = append(j.Waits, waits(o.Oven, st.Post)...)
	}
	return j
}

// overdue says whether a day has begun; no day never does.
func overdue(day, now time.Time) bool { return !day.IsZero() && !now.Before(day) }

// waits tells what the running station does not go by yet, for a post is made when
// the daemon starts. A post that names a limit of its own does not go by the
// oven's.
func waits(o registry.Oven, p *acquire.Post) []string {
	var out []string
	if o.Frequency != p.Frequency {
		out = append(out, fmt.Sprintf("post %s is corrected for %s until the configuration is loaded again, then for %s", p.ID, p.Frequency, o.Frequency))
	}
	if !p.OwnLimit && o.Limit != p.Limit.ID {
		out = append(out, fmt.Sprintf("post %s is judged by limit %s until the configuration is loaded again, then by %s", p.ID, p.Limit.ID, o.Limit))
	}
	return out
}

func (s *Server) serveOvens(w http.ResponseWriter, r *http.Request) {
	all, err := s.ovens(r.Context())
	if err != nil {
		s.unread(w, r, err)
		return
	}
	out := ovensJSON{Ovens: []ovenJSON{}, Limits: append([]LimitChoice{}, s.o.Limits...)}
	for _, o := range all {
		out.Ovens = append(out.Ovens, s.ovenOf(o))
	}
	s.sendJSON(w, r, out)
}

const noSuchOven = "no such oven: /api/v1/ovens lists them"

func (s *Server) serveOven(w http.ResponseWriter, r *http.Request) {
	j, found, err := s.wholeOven(r.Context(), r.PathValue("id"))
	switch {
	case err != nil:
		s.unread(w, r, err)
	case !found:
		sendProblem(w, r, http.StatusNotFound, noSuchOven)
	default:
		s.sendJSON(w, r, j)
	}
}

// wholeOven is an oven with its history.
func (s *Server) wholeOven(ctx context.Context, id string) (j ovenJSON, found bool, err error) {
	o, found, err := s.findOven(ctx, id)
	if err != nil || !found {
		return j, found, err
	}
	j = s.ovenOf(o)
	tests, err := s.o.Register.Tests(ctx, id)
	if err != nil {
		return j, true, err
	}
	for _, t := range tests {
		j.Tests = append(j.Tests, testOf(t))
	}
	versions, err := s.o.Register.OvenVersions(ctx, id)
	form := registry.OvenForm(nil)
	for i, v := range versions {
		var before registry.Oven
		if i+1 < len(versions) {
			before = versions[i+1].Oven
		}
		j.Versions = append(j.Versions, verJSON{v.Version, append([]string{}, form.Changes(before, v.Oven)...)})
	}
	return j, true, err
}

func testOf(t registry.Test) testJSON {
	j := testJSON{t.Number, registry.PrintDay(t.On), t.Kind, t.By, t.Outcome, notKnown(), t.Text, instant(t.EnteredAt), t.Who}
	if t.HasValue {
		j.Highest = number(t.Highest)
	}
	return j
}

func ovenPath(id string) string { return "/ovens/" + url.PathEscape(id) }

// newOven registers an oven.
func (s *Server) newOven(w http.ResponseWriter, r *http.Request) {
	e, t := s.begin(w, r)
	var o registry.Oven
	if t == nil {
		o, t = s.enterOven(r, registry.Oven{}, e, registry.New)
	}
	s.settle(w, r, e, t, ovenPath(o.ID), func() (any, error) { j, _, err := s.wholeOven(r.Context(), o.ID); return j, err },
		func(e edit, t *trouble) { s.showOvens(w, r, t.status, e, t) })
}

// changeOven makes a new version of an oven.
func (s *Server) changeOven(w http.ResponseWriter, r *http.Request) {
	id := r.PathValue("id")
	e, t := s.begin(w, r)
	if t == nil {
		var o ovenAt
		if o, t = s.theOven(r); t == nil {
			if named, said := e.fields["id"]; said && named != id {
				t = wrongFields([]registry.Fault{{Field: "id", Value: named, Why: "an oven keeps its name in the record", Do: "write " + id + ", or leave it out"}})
			} else {
				was := o.Oven
				was.Withdrawn = isWithdrawn(o.Oven, o.posts)
				_, t = s.enterOven(r, was, e, e.base)
			}
		}
	}
	s.settle(w, r, e, t, ovenPath(id), func() (any, error) { j, _, err := s.wholeOven(r.Context(), id); return j, err },
		func(e edit, t *trouble) { s.showOven(w, r, t.status, e, t) })
}

// theOven is the oven that the path names.
func (s *Server) theOven(r *http.Request) (ovenAt, *trouble) {
	o, found, err := s.findOven(r.Context(), r.PathValue("id"))
	switch {
	case err != nil:
		return o, &trouble{status: http.StatusServiceUnavailable, detail: "the record could not be read: " + err.Error()}
	case !found:
		return o, &trouble{status: http.StatusNotFound, detail: noSuchOven}
	}
	return o, nil
}

// enterOven puts the fields over an oven and enters it. Taking it out of use, or
// back, is told to the station too, which makes an alarm of its emission.
func (s *Server) enterOven(r *http.Request, was registry.Oven, e edit, base int64) (registry.Oven, *trouble) {
	o, faults := registry.OvenForm(s.limits()).Parse(was, e.fields)
	if o.Withdrawn != was.Withdrawn && e.why == "" {
		faults = append(faults, registry.Fault{Field: "why", Why: "an oven is taken out of use, or back, for a reason", Do: "write why; for one that comes back, what was mended or which survey shows that it may be used"})
	}
	if len(faults) > 0 {
		return o, wrongFields(faults)
	}
	t := s.enter(r, registry.Entry{Who: e.who, Why: e.why, ValidFrom: e.validFrom, Ovens: []registry.OvenEntry{{Oven: o, Base: base}}})
	if t == nil {
		t = s.tellWithdrawn(o, e.who, e.why)
	}
	return o, t
}

// tellWithdrawn brings the station's notice to what the register says of an oven.
func (s *Server) tellWithdrawn(o registry.Oven, who, why string) *trouble {
	posts := watching(s.o.Station.Stats(), o.ID)
	if len(posts) == 0 || isWithdrawn(o, posts) == o.Withdrawn {
		return nil
	}
	do := s.o.Station.ReturnOven
	if o.Withdrawn {
		do = s.o.Station.Withdraw
	}
	if why == "" {
		why = "as the register says"
	}
	if err := do(o.ID, who, why); err != nil {
		return &trouble{status: http.StatusConflict, detail: "the register is changed, and the station would not follow: " + err.Error()}
	}
	return nil
}

// newTest enters a test of an oven into its history.
func (s *Server) newTest(w http.ResponseWriter, r *http.Request) {
	id := r.PathValue("id")
	e, t := s.begin(w, r)
	if t == nil {
		_, t = s.theOven(r)
	}
	if t == nil {
		test, faults := registry.TestForm().Parse(registry.Test{Oven: id}, e.fields)
		if test.On.After(s.today()) {
			faults = append(faults, registry.Fault{Field: "on", Value: registry.PrintDay(test.On), Why: "that day is yet to come", Do: "write the day on which it was done"})
		}
		if len(faults) > 0 {
			t = wrongFields(faults)
		} else {
			t = s.enter(r, registry.Entry{Who: e.who, Why: e.why, Tests: []registry.Test{test}})
		}
	}
	s.settle(w, r, e, t, ovenPath(id), func() (any, error) { j, _, err := s.wholeOven(r.Context(), id); return j, err },
		func(e edit, t *trouble) { s.showOven(w, r, t.status, e, t) })
}
