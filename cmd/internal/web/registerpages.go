package web

import (
	"net/http"
	"slices"
	"sort"
	"strings"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/registry"
)

type nowFunc = func() time.Time

const dayLong = 24 * time.Hour

// rowView is an oven or a probe in the list of all.
type rowView struct {
	Path, ID, Title string
	Facts           []string
	State           string // of use
	Out             bool   // withdrawn
	Seen            string // which posts watch it, or how it fares at its post
	Posts           []postLink
	Due             string // in words
	DueLevel        string // overdue, soon, none or good: the mark
}

// postLink leads to a post, and says how it stands as the overview does.
type postLink struct {
	Path, State, Text string
	rank              int // its place in the overview
}

func (v voice) postLink(st acquire.Stats, now time.Time) postLink {
	d := standOf(st)
	return postLink{"/posts/" + st.Post.ID, d.State, v.t("register.post", "id", st.Post.ID, "standing", v.standing(st, d), "since", v.sinceWords(st, d, now)), d.rank}
}

// registerPage is what the list of ovens and that of probes show.
type registerPage struct {
	Lines []segment // what is so, the loudest first
	Rows  []rowView
	New   formView
	Table []fieldView // of the import
	Bad   []registry.RowFault
	Other string // path of the other list
	CSV   string
	Round bool // the round says which of them are due

	OtherText, ImportHint string
}

// refuse puts a refusal on a page. Fields are called there as the form calls them.
func refuse(f *frame, t *trouble) {
	switch {
	case t == nil:
	case len(t.faults) > 0:
		first := t.faults[0]
		label := f.or("register.field_"+first.Field, f.or("register."+first.Field, first.Field))
		f.Problem = f.t("register.wrong", "n", len(t.faults), "label", label, "fault", f.fault(t, first.Field))
	default:
		f.Problem = f.said(t.detail)
	}
}

// unreadable shows that the record could not be read, in place of a page.
func (s *Server) unreadable(w http.ResponseWriter, r *http.Request, err error) bool {
	if err != nil {
		s.unread(w, r, err)
	}
	return err != nil
}

// showOvens shows the list of ovens, with the problem of a refused change if any.
func (s *Server) showOvens(w http.ResponseWriter, r *http.Request, status int, e edit, t *trouble) {
	all, err := s.ovens(r.Context())
	if s.unreadable(w, r, err) {
		return
	}
	now := s.o.Now()
	f := s.frame(r, "ovens", now)
	refuse(&f, t)
	p := registerPage{Other: "/probes", OtherText: f.t("ovens.other"), ImportHint: f.t("ovens.import_hint"), CSV: "/api/v1/ovens.csv", Round: true}
	for _, o := range all {
		p.Rows = append(p.Rows, s.ovenRow(f.voice, o, now))
	}
	worstStanding(p.Rows)
	p.Lines = f.ovenLines(p.Rows, all)
	fresh := t != nil && t.rows == nil
	typed := map[string]string{}
	if fresh {
		typed = e.fields
	} else {
		p.Bad = rowsOf(t)
	}
	p.New = formView{Action: "/api/v1/ovens", Open: fresh, Summary: f.t("ovens.register"), Do: f.t("ovens.register_do"), Who: whoWhy(f, "new", e, t),
		Fields: fieldsOf(f.voice, registry.OvenForm(s.limits()).Filled(registry.Oven{}), "new", typed, t, s.limitsIn(f.voice))}
	p.Table = whoWhy(f, "table", e, t)
	f.Page = p
	s.show(w, r, status, f)
}

func rowsOf(t *trouble) []registry.RowFault {
	if t == nil {
		return nil
	}
	return t.rows
}

// worstStanding puts what is above a limit, or was, or is not seen first, as the overview
// does, then what is overdue, then what is due soon, in the order of ids.
func worstStanding(rows []rowView) {
	due := map[string]int{"overdue": notSeenRank + 1, "none": notSeenRank + 2, "soon": notSeenRank + 3}
	rank := func(r rowView) int {
		worst := notSeenRank + 4
		if n, bad := due[r.DueLevel]; bad {
			worst = n
		}
		for _, p := range r.Posts {
			if p.rank <= notSeenRank {
				worst = min(worst, p.rank)
			}
		}
		return worst
	}
	sort.SliceStable(rows, func(i, j int) bool { return rank(rows[i]) < rank(rows[j]) })
}

// dueWords words a day by which something is due.
func (v voice) dueWords(day, now time.Time) (words, level string) {
	text := registry.PrintDay(day)
	switch {
	case day.IsZero():
		return v.t("register.due_none"), "good"
	case overdue(day, now):
		return v.t("register.due_over", "day", text, "n", int(now.Sub(day)/dayLong)), "overdue"
	case overdue(day.Add(-dueSoon), now):
		return v.t("register.due_soon", "day", text), "soon"
	}
	return v.t("register.due_good", "day", text), "good"
}

func (s *Server) ovenRow(say voice, o ovenAt, now time.Time) rowView {
	row := rowView{Path: ovenPath(o.ID), ID: o.ID, Title: capital(o.Place), Out: isWithdrawn(o.Oven, o.posts)}
	plate := strings.Join(strings.Fields(o.Maker+" "+o.Model), " ")
	if plate != "" {
		row.Facts = append(row.Facts, plate)
	}
	if o.Serial != "" {
		row.Facts = append(row.Facts, say.t("register.serial", "serial", o.Serial))
	}
	if o.Power > 0 {
		row.Facts = append(row.Facts, o.Power.String())
	}
	row.Facts = append(row.Facts, o.Frequency.String(), s.limitsIn(say)(o.Limit))
	row.State = say.t("register.in_use")
	if row.Out {
		row.State = say.t("register.withdrawn")
	}
	for _, st := range o.posts {
		row.Posts = append(row.Posts, say.postLink(st, now))
	}
	if len(row.Posts) == 0 {
		row.Seen = say.t("register.not_watched")
	}
	row.Due, row.DueLevel = say.dueWords(o.NextCheck, now)
	if row.Out {
		row.DueLevel = "good" // nobody has to test what is out of use
	}
	if o.test != nil {
		row.Facts = append(row.Facts, say.testWords(*o.test))
	}
	return row
}

// testWords words the newest test of an oven.
func (v voice) testWords(t registry.Test) string {
	if t.Outcome == "" {
		return v.t("register.last_test", "kind", v.said(t.Kind), "day", registry.PrintDay(t.On))
	}
	return v.t("register.last_outcome", "kind", v.said(t.Kind), "day", registry.PrintDay(t.On), "outcome", v.said(t.Outcome))
}

// named lists what rows of a level are called, with their dues.
func named(rows []rowView, level string) (n int, text string) {
	var all []string
	for _, r := range rows {
		if r.DueLevel == level && !r.Out {
			name := r.Title
			if name != r.ID {
				name += " (" + r.ID + ")"
			}
			all = append(all, name)
		}
	}
	return len(all), strings.Join(all, ", ")
}

// standingRows names the ovens with a post that stands so. One that is not seen and had
// been above, or had emitted when it should not, is of those too.
func standingRows(rows []rowView, state string) string {
	is := func(p postLink) bool {
		return p.State == state || state == "was" && p.State == "blind" && p.rank < notSeenRank
	}
	var all []string
	for _, r := range rows {
		if slices.ContainsFunc(r.Posts, is) {
			all = append(all, r.Title)
		}
	}
	return strings.Join(all, ", ")
}

func (v voice) ovenLines(rows []rowView, all []ovenAt) []segment {
	var out []segment
	for _, s := range []struct{ state, level string }{{"above", "above"}, {"was", "above"}, {"blind", "blind"}} {
		if names := standingRows(rows, s.state); names != "" {
			out = append(out, segment{s.level, v.t("ovens."+s.state, "names", names)})
		}
	}
	if n, names := named(rows, "overdue"); n > 0 {
		out = append(out, segment{"alarm", v.t("ovens.overdue", "n", n, "names", names)})
	}
	unwatched, undated := 0, 0
	for _, o := range all {
		if isWithdrawn(o.Oven, o.posts) {
			continue
		}
		if len(o.posts) == 0 {
			unwatched++
		}
		if o.NextCheck.IsZero() {
			undated++
		}
	}
	if unwatched > 0 {
		out = append(out, segment{"blind", v.t("ovens.unwatched", "n", unwatched, "of", len(all))})
	}
	if undated > 0 {
		out = append(out, segment{"calm", v.t("ovens.undated", "n", undated, "of", len(all))})
	}
	if n, names := named(rows, "soon"); n > 0 {
		out = append(out, segment{"calm", v.t("ovens.soon", "n", n, "names", names)})
	}
	if len(all) == 0 {
		out = append(out, segment{"calm", v.t("ovens.none")})
	} else if len(out) == 0 {
		out = append(out, segment{"calm", v.t("ovens.calm", "n", len(all))})
	}
	return out
}

// showProbes shows the list of probes, with the problem of a refused change if any.
func (s *Server) showProbes(w http.ResponseWriter, r *http.Request, status int, e edit, t *trouble) {
	all, err := s.probes(r.Context())
	if s.unreadable(w, r, err) {
		return
	}
	now := s.o.Now()
	f := s.frame(r, "probes", now)
	refuse(&f, t)
	p := registerPage{Other: "/ovens", OtherText: f.t("probes.other"), ImportHint: f.t("probes.import_hint"), CSV: "/api/v1/probes.csv"}
	for _, x := range all {
		p.Rows = append(p.Rows, f.probeRow(x, now))
	}
	worstStanding(p.Rows)
	p.Lines = f.probeLines(p.Rows)
	fresh := t != nil && t.rows == nil
	typed := map[string]string{}
	if fresh {
		typed = e.fields
	} else {
		p.Bad = rowsOf(t)
	}
	p.New = formView{Action: "/api/v1/probes", Open: fresh, Summary: f.t("probes.register"), Do: f.t("probes.register_do"), Who: whoWhy(f, "new", e, t),
		Fields: fieldsOf(f.voice, registry.ProbeForm().Filled(registry.Probe{}), "new", typed, t, nil)}
	p.Table = whoWhy(f, "table", e, t)
	f.Page = p
	s.show(w, r, status, f)
}

func (v voice) probeRow(p probeAt, now time.Time) rowView {
	row := rowView{Path: probePath(p.ID), ID: p.ID, Title: p.ID, Out: p.Withdrawn, State: v.t("register.in_use")}
	if p.Withdrawn {
		row.State = v.t("register.withdrawn")
	}
	if plate := strings.Join(strings.Fields(p.Maker+" "+p.Model), " "); plate != "" {
		row.Facts = append(row.Facts, plate)
	}
	if p.Serial != "" {
		row.Facts = append(row.Facts, v.t("register.serial", "serial", p.Serial))
	}
	if p.post == nil {
		row.Seen = v.t("register.no_post")
	} else {
		row.Posts = []postLink{v.postLink(*p.post, now)}
		row.Seen = strings.Join(v.health(p), "; ")
	}
	row.Due, row.DueLevel = v.calibrationWords(p, now)
	if row.Out {
		row.DueLevel = "good"
	}
	return row
}

// health tells what a probe says of itself, and what is not known.
func (v voice) health(p probeAt) []string {
	all := v.vitals(*p.post)
	switch {
	case p.post.Battery:
		all = append(all, v.t("probes.battery_low"))
	case p.post.Vitals.BatteryAt.IsZero():
		all = append(all, v.t("probes.battery_unsaid"))
	}
	return all
}

func (v voice) calibrationWords(p probeAt, now time.Time) (words, level string) {
	number, due := "", ""
	if p.inForce != nil {
		number, due = p.inForce.Number, registry.PrintDay(p.inForce.Due)
	}
	switch p.calibration(now) {
	case calNone:
		return v.t("probes.cal_none"), "none"
	case calNotYet:
		return v.t("probes.cal_not_yet", "number", number, "day", registry.PrintDay(p.inForce.Date)), "none"
	case calOverdue:
		return v.t("probes.cal_overdue", "number", number, "day", due, "n", int(now.Sub(p.inForce.Due)/dayLong)), "overdue"
	case calDue:
		return v.t("probes.cal_soon", "number", number, "day", due), "soon"
	}
	return v.t("probes.cal_good", "number", number, "day", due), "good"
}

func (v voice) probeLines(rows []rowView) []segment {
	var out []segment
	if n, names := named(rows, "overdue"); n > 0 {
		out = append(out, segment{"alarm", v.t("probes.overdue", "n", n, "names", names)})
	}
	if n, names := named(rows, "none"); n > 0 {
		out = append(out, segment{"blind", v.t("probes.uncalibrated", "n", n, "names", names)})
	}
	if n, names := named(rows, "soon"); n > 0 {
		out = append(out, segment{"calm", v.t("probes.soon", "n", n, "names", names)})
	}
	switch {
	case len(rows) == 0:
		out = append(out, segment{"calm", v.t("probes.none")})
	case len(out) == 0:
		out = append(out, segment{"calm", v.t("probes.calm", "n", len(rows))})
	}
	return out
}
