package web

import (
	"context"
	"errors"
	"fmt"
	"math"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"

	"ovenward/acquire/cycle/history"
	"ovenward/acquire/cycle/soak"
	"ovenward/acquire/quantity"
	"ovenward/acquire/store"
)

// Soaks is what the page needs of whoever keeps soak tests. All of it must be ready
// to be called by many goroutines at once.
type Soaks interface {
	Plan(ctx context.Context, p soak.Plan, who string) error
	Mark(ctx context.Context, m soak.Mark) error
	Lives() []*soak.Life
	Life(id string) *soak.Life
	Result(ctx context.Context, id string) (soak.Result, error)
	// Statistics parts a test, between two instants, by run, hour, day, checkpoint, or not
	// at all; zero instants are its begin, and now.
	Statistics(ctx context.Context, id string, per history.Per, from, to time.Time) ([]soak.Part, error)
}

const (
	noSoaks = "this station keeps no soak tests"
	noSoak  = "there is no soak test with this id: /api/v1/soaks lists them"
	// shownRuns is how many of a post's runs the page lists, and over which days.
	shownRuns    = 20
	shownRunDays = 7
	mostRunDays  = 3650
)

func (s *Server) addRuns(rt routes) {
	rt.get("/runs", func(w http.ResponseWriter, r *http.Request) { s.showRuns(w, r, http.StatusOK, edit{}, nil) })
	rt.get("/api/v1/posts/{id}/history", s.serveHistory)
	rt.get("/api/v1/posts/{id}/statistics", s.serveStatistics)
	rt.get("/api/v1/soaks/{id}/statistics", s.serveSoakStatistics)
	rt.get("/api/v1/soaks", s.serveSoaks)
	rt.edit("/api/v1/soaks", s.planSoak)
}

// runsPage is what the page of runs shows.
type runsPage struct {
	Tests   []soakRow
	Posts   []runsOf
	Trouble string
	Choices []string // posts that a test can be planned at
	Fields  map[string]string
	Open    bool
	Kept    bool // soak tests can be planned
}

// soakRow is a soak test in one line.
type soakRow struct {
	ID, URL, What, State, Progress, Expected, Due string
	Share                                         string // 0 to 1
	Running                                       bool
}

// runsOf is the newest runs of a post.
type runsOf struct {
	ID, URL, Oven string
	Of            string // whose runs they are
	Rows          []runRow
	More          int
	Now           string // since when it runs; empty where it is not known to
}

// runRow is a run in words.
type runRow struct {
	Number, Start, Lasted, On, Mean, P95, Peak, Note string
}

func (s *Server) showRuns(w http.ResponseWriter, r *http.Request, status int, e edit, t *trouble) {
	now := s.o.Now()
	f := s.frame(r, "runs", now)
	p := runsPage{Kept: s.o.Soaks != nil, Fields: e.fields, Open: t != nil}
	if p.Fields == nil {
		p.Fields = map[string]string{}
	}
	if s.o.Soaks != nil {
		for _, l := range s.o.Soaks.Lives() {
			p.Tests = append(p.Tests, f.soakRow(l, now))
		}
	}
	stats := s.o.Station.Stats()
	names := f.postNames(stats)
	for _, st := range stats {
		p.Choices = append(p.Choices, st.Post.ID)
		if s.o.Past == nil {
			continue
		}
		runs, err := s.o.Past(r.Context(), st.Post.ID, now.Add(-shownRunDays*24*time.Hour), now)
		if err != nil {
			p.Trouble = f.said(err.Error())
			continue
		}
		of := runsOf{ID: st.Post.ID, URL: "/posts/" + url.PathEscape(st.Post.ID), Oven: names[st.Post.ID], Of: s.whose(f, st.Post.ID), More: max(0, len(runs)-shownRuns)}
		said, err := s.saidOf(r.Context(), st.Post.ID, runs)
		switch left := (*store.LeftOut)(nil); {
		case errors.As(err, &left):
			of.Of += " " + f.t("runs.left_out", "why", f.said(left.Error()))
		case err != nil:
			p.Trouble = err.Error()
		}
		if st.Running && !st.Blind() {
			of.Now = f.t("runs.now", "at", f.clock(st.RunningSince, now))
		}
		for i := len(runs) - 1; i >= of.More; i-- {
			row := f.runRow(runs[i], now)
			if said != nil && said[i] != "" {
				row.Note = strings.TrimPrefix(row.Note+"; "+f.t("runs.of_run", "oven", st.Post.Oven, "contact", said[i]), "; ")
			}
			of.Rows = append(of.Rows, row)
		}
		p.Posts = append(p.Posts, of)
	}
	refuse(&f, t)
	f.Page = p
	s.show(w, r, status, f)
}

// whose says whose runs a post's are.
func (s *Server) whose(f frame, post string) string {
	if s.o.OvenOf == nil {
		return ""
	}
	oven, why := s.o.OvenOf(post)
	if oven == "" {
		return f.t("runs.of_none", "why", f.said(why))
	}
	return f.t("runs.of", "oven", oven, "why", f.said(why))
}

// saidOf asks contacts of which oven runs are, where nothing else tells; nil where none
// is asked.
func (s *Server) saidOf(ctx context.Context, post string, runs []history.Run) ([]string, error) {
	if s.o.SaidOf == nil || s.o.OvenOf == nil || len(runs) == 0 {
		return nil, nil
	}
	if oven, _ := s.o.OvenOf(post); oven != "" {
		return nil, nil
	}
	return s.o.SaidOf(ctx, post, runs)
}

func (f frame) soakRow(l *soak.Life, now time.Time) soakRow {
	v := soakRow{ID: l.Plan.ID, URL: soakURL(l.Plan.ID), What: f.t("soak.what", "oven", l.Plan.Oven, "post", l.Plan.Post, "procedure", l.Plan.Procedure),
		State: f.t("soak.state_" + strings.ReplaceAll(string(l.State), " ", "_")), Running: l.State == soak.Running,
		Share: strconv.FormatFloat(l.Share(now), 'f', 4, 64), Progress: f.progress(l, now)}
	switch end, why := l.Expected(now); {
	case why == "":
		v.Expected = f.t("soak.expected", "at", f.clock(end, now))
	case l.State == soak.Running:
		v.Expected = f.t("soak.not_expected", "why", f.said(why))
	}
	if c, due := l.Due(now); due && !l.State.Over() {
		v.Due = f.t("soak.due", "at", strconv.FormatInt(c, 10), "oven", l.Plan.Oven)
	}
	return v
}

// progress says how far a test has come.
func (f frame) progress(l *soak.Life, now time.Time) string {
	active := quantity.Roughly(l.ActiveBy(now))
	text := f.t("soak.counted", "n", strconv.FormatInt(l.Operations, 10), "active", active)
	if p := l.Plan.Operations; p > 0 {
		text = f.t("soak.counted_of", "n", strconv.FormatInt(l.Operations, 10), "of", strconv.FormatInt(p, 10), "active", active)
	}
	if p := l.Plan.Lasting; p > 0 {
		text += " " + f.t("soak.lasting", "of", quantity.FormatDuration(p))
	}
	return text
}

func (f frame) runRow(r history.Run, now time.Time) runRow {
	level := func(s quantity.PowerDensity) string {
		switch {
		case math.IsInf(float64(s), 1):
			return f.t("words.over_range")
		case math.IsNaN(float64(s)):
			return f.t("runs.unknown")
		}
		return f.read(s)
	}
	v := runRow{Number: strconv.FormatInt(r.Number, 10), Start: f.clock(r.Start, now), Lasted: quantity.Roughly(r.End.Sub(r.Start)),
		On: quantity.Roughly(r.On), Mean: level(r.Mean), P95: level(r.P95), Peak: level(r.Peak)}
	var notes []string
	if !r.Begun {
		notes = append(notes, f.t("runs.not_begun"))
	}
	if r.Unseen > 0 {
		notes = append(notes, f.t("runs.unseen", "for", quantity.Roughly(r.Unseen)))
	}
	if r.OverRange > 0 {
		notes = append(notes, f.t("runs.over", "for", quantity.Roughly(r.OverRange)))
	}
	v.Note = strings.Join(notes, "; ")
	return v
}

// runJSON is a run as the API shows it.
type runJSON struct {
	Number    int64  `json:"number"`
	Start     string `json:"start"`
	End       string `json:"end"`
	On        number `json:"on_s"`
	OverRange number `json:"over_range_s"`
	Unseen    number `json:"unseen_s"`
	Begun     bool   `json:"begin_seen"`
	Dose      number `json:"dose_j_per_m2"`
	Mean      number `json:"mean_w_per_m2"`
	Deviation number `json:"deviation_w_per_m2"`
	Median    number `json:"median_w_per_m2"`
	P95       number `json:"p95_w_per_m2"`
	Peak      number `json:"peak_w_per_m2"` // null: over range
	PeakAt    string `json:"peak_at"`
	SaidBy    string `json:"said_by,omitempty"` // the contact by whose word it is the oven's of the post
}

type runsOfJSON struct {
	Post string    `json:"post"`
	Oven *string   `json:"oven"` // whose runs they are; null: not known
	Why  string    `json:"oven_why"`
	Runs []runJSON `json:"runs"`
}

func runOf(r history.Run) runJSON {
	return runJSON{r.Number, instant(r.Start), instant(r.End), number(r.On.Seconds()), number(r.OverRange.Seconds()), number(r.Unseen.Seconds()), r.Begun,
		number(r.Dose), number(r.Mean), number(r.Deviation), number(r.Median), number(r.P95), number(r.Peak), instant(r.PeakAt), ""}
}

// serveHistory answers with the runs of a post over some days.
func (s *Server) serveHistory(w http.ResponseWriter, r *http.Request) {
	id := r.PathValue("id")
	known := false
	for _, st := range s.o.Station.Stats() {
		known = known || st.Post.ID == id
	}
	if !known || s.o.Past == nil {
		sendProblem(w, r, http.StatusNotFound, noSuchPost)
		return
	}
	days := int64(shownRunDays)
	if text := r.URL.Query().Get("days"); text != "" {
		var err error
		if days, err = strconv.ParseInt(text, 10, 64); err != nil || days < 1 || days > mostRunDays {
			sendProblem(w, r, http.StatusBadRequest, fmt.Sprintf("days=%s: write a whole number from 1 to %d", text, mostRunDays))
			return
		}
	}
	now := s.o.Now()
	runs, err := s.o.Past(r.Context(), id, now.Add(-time.Duration(days)*24*time.Hour), now)
	if err != nil {
		s.unread(w, r, err)
		return
	}
	out := runsOfJSON{Post: id, Runs: []runJSON{}}
	if s.o.OvenOf != nil {
		var oven string
		if oven, out.Why = s.o.OvenOf(id); oven != "" {
			out.Oven = &oven
		}
	}
	said, err := s.saidOf(r.Context(), id, runs)
	switch left := (*store.LeftOut)(nil); {
	case errors.As(err, &left):
		out.Why += "; of what contacts said of its power, " + left.Error()
	case err != nil:
		s.unread(w, r, err)
		return
	}
	for i, u := range runs {
		j := runOf(u)
		if said != nil {
			j.SaidBy = said[i]
		}
		out.Runs = append(out.Runs, j)
	}
	s.sendJSON(w, r, out)
}

// soakEdit is what plans a soak test, as texts.
type soakEdit struct {
	Who             string `json:"who,omitempty"`
	ID              string `json:"id"`
	Title           string `json:"title,omitempty"`
	Post            string `json:"post"`
	Oven            string `json:"oven,omitempty"`
	Contact         string `json:"contact,omitempty"`
	Procedure       string `json:"procedure"`
	Source          string `json:"source"`
	Conditions      string `json:"conditions,omitempty"`
	Limit           string `json:"limit,omitempty"`
	Operations      string `json:"operations,omitempty"`
	Lasting         string `json:"lasting,omitempty"`
	Checkpoints     string `json:"checkpoints,omitempty"`
	StopExceedances string `json:"stop_exceedances,omitempty"`
	StopOverRange   string `json:"stop_over_range,omitempty"`
	StopBlind       string `json:"stop_blind,omitempty"`
	StopOverdue     string `json:"stop_overdue,omitempty"`
}

// planOf reads a plan from texts; all that is wrong is told.
func planOf(f map[string]string) (soak.Plan, error) {
	var errs []error
	text := func(name string) string { return strings.TrimSpace(f[name]) }
	whole := func(name string) int64 {
		if text(name) == "" {
			return 0
		}
		n, err := wholeOf(name, text(name))
		errs = append(errs, err)
		return n
	}
	lasting := func(name string) time.Duration {
		if text(name) == "" {
			return 0
		}
		d, err := quantity.ParseDuration(text(name))
		if err != nil {
			errs = append(errs, fmt.Errorf("%s: %w", name, err))
		}
		return d
	}
	p := soak.Plan{ID: text("id"), Title: text("title"), Post: text("post"), Oven: text("oven"), Contact: text("contact"),
		Procedure: text("procedure"), Source: text("source"), Conditions: text("conditions"), LimitID: text("limit"),
		Operations: whole("operations"), Lasting: lasting("lasting"),
		Stop: soak.Stop{Exceedances: int(whole("stop_exceedances")), Blind: lasting("stop_blind"), Overdue: whole("stop_overdue")}}
	switch text("stop_over_range") {
	case "yes", "true", "on":
		p.Stop.OverRange = true
	case "", "no", "false":
	default:
		errs = append(errs, fmt.Errorf("stop_over_range: %q is neither yes nor no", text("stop_over_range")))
	}
	for _, word := range strings.FieldsFunc(text("checkpoints"), func(c rune) bool { return c == ',' || c == ' ' }) {
		n, err := wholeOf("checkpoints", word)
		errs = append(errs, err)
		p.Checkpoints = append(p.Checkpoints, n)
	}
	if !plain(p.ID, maxWho) || strings.ContainsAny(p.ID, "/?#% ") {
		errs = append(errs, errors.New("id: write a short name without blanks and slashes, such as door-7"))
	}
	for _, name := range []string{"title", "procedure", "source", "conditions", "oven"} {
		if t := text(name); t != "" && !plain(t, maxRemedy) {
			errs = append(errs, fmt.Errorf("%s: write up to %d printable characters", name, maxRemedy))
		}
	}
	return p, errors.Join(errs...)
}

func (s *Server) planSoak(w http.ResponseWriter, r *http.Request) {
	e, t := s.begin(w, r)
	var p soak.Plan
	if t == nil && s.o.Soaks == nil {
		t = &trouble{status: http.StatusNotFound, detail: noSoaks}
	}
	if t == nil {
		var err error
		if p, err = planOf(e.fields); err == nil {
			err = s.o.Soaks.Plan(r.Context(), p, e.who)
		}
		if err != nil {
			t = &trouble{status: http.StatusUnprocessableEntity, detail: strings.ReplaceAll(err.Error(), "\n", "; ")}
		}
	}
	s.settle(w, r, e, t, soakURL(p.ID), func() (any, error) { return s.soakJSON(s.o.Soaks.Life(p.ID)), nil },
		func(e edit, t *trouble) { s.showRuns(w, r, t.status, e, t) })
}

func soakURL(id string) string { return "/soaks/" + url.PathEscape(id) }
