package web

import (
	"net/http"
	"strconv"
	"strings"
	"time"

	"ovenward/acquire/quantity"
	"ovenward/acquire/registry"
)

// fact is one line of what is known.
type fact struct{ Label, Text string }

// onePage is what the page of one oven or one probe shows.
type onePage struct {
	Title    string
	ID       string
	Row      rowView
	Facts    []fact
	Waits    []string
	Tests    []testView
	Surveys  []surveyRow // of the record, guided
	Certs    []certView
	Form     formView
	More     formView // a test, or a certificate
	Versions []versionView
}

// testView is an entry of an oven's history in words.
type testView struct {
	On, Kind, By, Outcome, Highest, Text, Entered string
}

// certView is a certificate in words.
type certView struct {
	Number, Laboratory, Date, Due, Factor, U, Entered string
	Counts                                            string // that it counts, is to come or past, or was taken back
	TakeBack                                          string // where it is taken back; empty when it cannot be
	Marked                                            bool   // it is the one that counts now
}

// said is a fact, or nothing where nothing is known.
func said(label, text string) []fact {
	if text == "" {
		return nil
	}
	return []fact{{label, text}}
}

// showOven shows the page of the oven that the path names, with the problem of a
// refused change if any.
func (s *Server) showOven(w http.ResponseWriter, r *http.Request, status int, e edit, t *trouble) {
	id := r.PathValue("id")
	o, found, err := s.findOven(r.Context(), id)
	if s.unreadable(w, r, err) {
		return
	}
	if !found {
		sendProblem(w, r, http.StatusNotFound, noSuchOven)
		return
	}
	whole, _, err := s.wholeOven(r.Context(), id)
	if s.unreadable(w, r, err) {
		return
	}
	now := s.o.Now()
	f := s.frame(r, "oven", now)
	refuse(&f, t)
	p := onePage{Title: capital(o.Place), ID: id, Row: s.ovenRow(f.voice, o, now), Waits: f.saidAll(whole.Waits), Versions: f.versions(whole.Versions, s.o.Now)}
	p.Facts = s.ovenFacts(f.voice, o)
	for _, x := range whole.Tests {
		v := testView{On: x.On, Kind: f.said(x.Kind), By: x.By, Outcome: f.said(x.Outcome), Text: x.Text, Entered: x.Who}
		if s := quantity.PowerDensity(x.Highest); finite(s) {
			v.Highest = f.read(s)
		}
		p.Tests = append(p.Tests, v)
	}
	if p.Surveys, err = s.surveysOf(r, f.voice, id, now); s.unreadable(w, r, err) {
		return
	}
	test := strings.HasSuffix(r.URL.Path, "/tests")
	form, more := part(e, t, test)
	was := o.Oven
	was.Withdrawn = isWithdrawn(o.Oven, o.posts)
	p.Form = formView{Action: "/api/v1/ovens/" + id, Base: o.Number, Open: t != nil && !test, Summary: f.t("oven.change"), Hint: f.t("oven.change_hint"), Do: f.t("register.save"), Who: whoWhy(f, "oven", form.e, form.t),
		Fields: fieldsOf(f.voice, registry.OvenForm(s.limits()).Filled(was), "oven", form.e.fields, form.t, s.limitsIn(f.voice))[1:]}
	p.More = formView{Action: "/api/v1/ovens/" + id + "/tests", Open: test && t != nil, Summary: f.t("oven.add_test"), Do: f.t("oven.add_test_do"), Who: whoWhy(f, "test", more.e, more.t)[:1],
		Fields: fieldsOf(f.voice, registry.TestForm().Filled(registry.Test{}), "test", more.e.fields, more.t, nil)}
	f.Title, f.Page = p.Title+" · "+s.o.Site, p
	s.show(w, r, status, f)
}

// sent is what was typed into one of two forms, and what was wrong with it.
type sent struct {
	e edit
	t *trouble
}

// part gives what was refused to the form that it came from.
func part(e edit, t *trouble, second bool) (first, other sent) {
	if second {
		return sent{}, sent{e, t}
	}
	return sent{e, t}, sent{}
}

func (s *Server) ovenFacts(say voice, o ovenAt) []fact {
	label := func(name string) string { return say.t("register.field_" + name) }
	power := ""
	if o.Power > 0 {
		power = o.Power.String()
	}
	var all []fact
	for _, f := range [][]fact{
		said(label("maker"), o.Maker), said(label("model"), o.Model), said(label("serial"), o.Serial), said(label("power"), power),
		said(label("frequency"), o.Frequency.String()), said(label("limit"), s.limitsIn(say)(o.Limit)), said(say.t("register.limit_source"), s.limitSource(o.Limit)),
		said(label("remark"), o.Remark),
	} {
		all = append(all, f...)
	}
	return all
}

func (s *Server) limitSource(id string) string {
	for _, l := range s.o.Limits {
		if l.ID == id {
			return l.Source
		}
	}
	return ""
}

// showProbe shows the page of the probe that the path names, with the problem of a
// refused change if any.
func (s *Server) showProbe(w http.ResponseWriter, r *http.Request, status int, e edit, t *trouble) {
	id := r.PathValue("id")
	x, found, err := s.findProbe(r.Context(), id)
	if s.unreadable(w, r, err) {
		return
	}
	if !found {
		sendProblem(w, r, http.StatusNotFound, noSuchProbe)
		return
	}
	whole, _, err := s.wholeProbe(r.Context(), id)
	if s.unreadable(w, r, err) {
		return
	}
	now := s.o.Now()
	f := s.frame(r, "probe", now)
	refuse(&f, t)
	p := onePage{Title: id, ID: id, Row: f.probeRow(x, now), Waits: f.saidAll(whole.Waits), Versions: f.versions(whole.Versions, s.o.Now)}
	label := func(name string) string { return f.t("register.field_" + name) }
	next, _ := f.dueWords(x.NextCheck, now)
	for _, one := range [][]fact{
		said(label("maker"), x.Maker), said(label("model"), x.Model), said(label("serial"), x.Serial),
		said(label("next_check"), next), said(label("remark"), x.Remark),
	} {
		p.Facts = append(p.Facts, one...)
	}
	for _, c := range whole.Certificates {
		p.Certs = append(p.Certs, f.certView(c, x, now))
	}
	cert := strings.Contains(r.URL.Path, "/certificates")
	form, more := part(e, t, cert)
	p.Form = formView{Action: "/api/v1/probes/" + id, Base: x.Number, Open: t != nil && !cert, Summary: f.t("probe.change"), Hint: f.t("probe.change_hint"), Do: f.t("register.save"), Who: whoWhy(f, "probe", form.e, form.t),
		Fields: fieldsOf(f.voice, registry.ProbeForm().Filled(x.Probe), "probe", form.e.fields, form.t, nil)[1:]}
	p.More = formView{Action: "/api/v1/probes/" + id + "/certificates", Open: cert && t != nil, Summary: f.t("probe.add_cert"), Hint: f.t("probe.add_cert_hint"), Do: f.t("probe.add_cert_do"), Who: whoWhy(f, "cert", more.e, more.t),
		Fields: fieldsOf(f.voice, registry.CertificateForm().Filled(registry.Certificate{}), "cert", more.e.fields, more.t, nil)}
	f.Title, f.Page = p.Title+" · "+s.o.Site, p
	s.show(w, r, status, f)
}

func (v voice) certView(c certJSON, p probeAt, now time.Time) certView {
	view := certView{Number: c.Number, Laboratory: c.Laboratory, Date: c.Date, Due: c.Due, Factor: strconv.FormatFloat(float64(c.Factor), 'g', 5, 64),
		U:       strconv.FormatFloat(100*float64(c.U), 'g', 4, 64) + " % (k = " + strconv.FormatFloat(float64(c.K), 'g', 4, 64) + ")",
		Entered: v.t("register.entered", "who", c.Who, "at", v.clock(c.EnteredAt, now))}
	counts := false
	for _, x := range p.certificates {
		counts = counts || x.Version.Number == c.Version.Number
	}
	switch {
	case c.TakenBack:
		view.Counts = v.t("probes.cert_back", "why", c.Why)
	case !counts:
		view.Counts = v.t("probes.cert_anew")
	case p.inForce != nil && p.inForce.Number == c.Number:
		view.Counts, view.Marked = v.t("probes.cert_counts"), true
	case now.Before(dayOf(c.Date)):
		view.Counts = v.t("probes.cert_to_come")
	default:
		view.Counts = v.t("probes.cert_past")
	}
	if counts && !c.TakenBack {
		view.TakeBack = "/api/v1/probes/" + p.ID + "/certificates/take-back"
	}
	return view
}

func dayOf(text string) time.Time {
	d, _ := registry.ParseDay(text) // printed by us
	return d
}
