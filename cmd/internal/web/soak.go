package web

import (
	"errors"
	"fmt"
	"html/template"
	"math"
	"net/http"
	"strconv"
	"strings"
	"time"

	"ovenward/acquire/cycle/soak"
	"ovenward/acquire/limit"
	"ovenward/acquire/quantity"
)

func (s *Server) addSoak(rt routes) {
	rt.get("/soaks/{id}", func(w http.ResponseWriter, r *http.Request) { s.showSoak(w, r, http.StatusOK, edit{}, nil) })
	rt.get("/api/v1/soaks/{id}", s.serveSoak)
	rt.get("/api/v1/soaks/{id}/result", s.serveSoakResult)
	for act, kind := range soakActs() {
		rt.edit("/api/v1/soaks/{id}/"+act, s.markSoak(kind))
	}
}

// soakActs are what can be said of a soak test, by the last part of their paths.
func soakActs() map[string]soak.Kind {
	return map[string]soak.Kind{"start": soak.Started, "pause": soak.Paused, "resume": soak.Resumed, "abort": soak.Aborted, "finish": soak.Finished,
		"note": soak.Noted, "operations": soak.Operations, "checkpoint": soak.Surveyed}
}

// markEdit is what happened to a soak test, as texts.
type markEdit struct {
	Who        string `json:"who,omitempty"`
	Why        string `json:"why,omitempty"`
	Operations string `json:"operations,omitempty"` // how many more; negative corrects
	From       string `json:"from,omitempty"`       // input, import or operator
	Checkpoint string `json:"checkpoint,omitempty"`
	Survey     string `json:"survey,omitempty"`
	Outcome    string `json:"outcome,omitempty"`
}

// markSoak takes what happened to a test.
func (s *Server) markSoak(kind soak.Kind) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		e, t := s.begin(w, r)
		id := r.PathValue("id")
		if t == nil && (s.o.Soaks == nil || s.o.Soaks.Life(id) == nil) {
			t = &trouble{status: http.StatusNotFound, detail: noSoak}
		}
		if t == nil {
			m, err := markOf(kind, id, e)
			if err != nil {
				t = &trouble{status: http.StatusUnprocessableEntity, detail: strings.ReplaceAll(err.Error(), "\n", "; ")}
			} else if err := s.o.Soaks.Mark(r.Context(), m); err != nil {
				t = &trouble{status: http.StatusConflict, detail: err.Error()}
			}
		}
		s.settle(w, r, e, t, soakURL(id), func() (any, error) { return s.soakJSON(s.o.Soaks.Life(id)), nil },
			func(e edit, t *trouble) { s.showSoak(w, r, t.status, e, t) })
	}
}

func markOf(kind soak.Kind, id string, e edit) (soak.Mark, error) {
	m := soak.Mark{Soak: id, Kind: kind, Who: e.who, Text: e.why}
	var errs []error
	whole := func(name string) int64 {
		n, err := wholeOf(name, strings.TrimSpace(e.fields[name]))
		errs = append(errs, err)
		return n
	}
	switch kind {
	case soak.Operations:
		m.Count, m.From = whole("operations"), soak.From(strings.TrimSpace(e.fields["from"]))
		if m.From == "" {
			m.From = soak.FromOperator
		}
	case soak.Surveyed:
		m.Checkpoint, m.Survey, m.Outcome = whole("checkpoint"), strings.TrimSpace(e.fields["survey"]), strings.TrimSpace(e.fields["outcome"])
		if o := m.Outcome; (o != "" || m.Survey == "") && o != string(soak.Within) && o != string(soak.Exceeds) && o != string(soak.NotDecided) {
			errs = append(errs, fmt.Errorf("outcome: write %s, %s or %s", soak.Within, soak.Exceeds, soak.NotDecided))
		}
		if m.Survey != "" && !plain(m.Survey, maxRemedy) && strings.Trim(m.Survey, "0123456789") != "" {
			errs = append(errs, errors.New("survey: write its id, as the list of surveys shows it"))
		}
	}
	return m, errors.Join(errs...)
}

// wholeOf reads a whole number of a soak test.
func wholeOf(name, text string) (int64, error) {
	n, err := strconv.ParseInt(text, 10, 64)
	switch {
	case errors.Is(err, strconv.ErrRange), n > soak.MostOperations, n < -soak.MostOperations:
		return 0, fmt.Errorf("%s: %w", name, soak.ErrMany)
	case err != nil:
		return 0, fmt.Errorf("%s: %q is no whole number", name, text)
	}
	return n, nil
}

// soakPage is what the page of a soak test shows.
type soakPage struct {
	Row         soakRow
	Facts       []fact
	Outcome     string
	OutcomeText string
	Level       string // above, calm or open
	Reasons     []string
	Figures     []fact
	Parts       []partRow
	Trend       []string
	Chart       template.HTML
	Log         []logRow
	Acts        []soakAct // that can be said now
	Due         string    // the checkpoint, as a number
	Said        map[string]string
	NotMade     string // why there are no figures
	Cautions    bool
	Who         string
	ReportURL   string
}

// soakAct is what can be said of a test, and in words.
type soakAct struct{ Name, Text string }

type partRow struct{ Name, Runs, Operations, Median, P95, Highest, Above string }

type logRow struct{ At, What, Who, Text string }

func (s *Server) showSoak(w http.ResponseWriter, r *http.Request, status int, e edit, t *trouble) {
	if s.o.Soaks == nil || s.o.Soaks.Life(r.PathValue("id")) == nil {
		sendProblem(w, r, http.StatusNotFound, noSoak)
		return
	}
	now := s.o.Now()
	l := s.o.Soaks.Life(r.PathValue("id"))
	f := s.frame(r, "soak", now)
	f.Title = l.Plan.ID + " · " + f.Title
	p := soakPage{Row: f.soakRow(l, now), Facts: f.soakFacts(l), Said: e.fields, Who: f.User}
	if p.Said == nil {
		p.Said = map[string]string{}
	}
	if c, due := l.Due(now); due {
		p.Due = strconv.FormatInt(c, 10)
	}
	for _, name := range actsNow(l, p.Due != "") {
		p.Acts = append(p.Acts, soakAct{name, f.t("soak.do_" + name)})
	}
	for i := len(l.Log) - 1; i >= 0; i-- {
		m := l.Log[i]
		p.Log = append(p.Log, logRow{f.clock(m.At, now), f.t("soak.mark_" + string(m.Kind)), m.Who, f.markWords(m)})
	}
	if len(l.Active) > 0 {
		res, err := s.o.Soaks.Result(r.Context(), l.Plan.ID)
		if err != nil {
			p.NotMade = f.said(err.Error())
		} else {
			f.fillResult(&p, &res, now)
		}
	}
	refuse(&f, t)
	f.Page = p
	s.show(w, r, status, f)
}

// markWords tells what a mark says; a note of somebody is in his own words.
func (v voice) markWords(m soak.Mark) string {
	if m.Kind == soak.Noted && m.Who != soak.Itself {
		return m.Detail()
	}
	return v.said(m.Detail())
}

func actsNow(l *soak.Life, due bool) []string {
	switch l.State {
	case soak.Planned:
		return []string{"start", "abort", "note"}
	case soak.Running:
		acts := []string{"operations"}
		if due {
			acts = append(acts, "checkpoint")
		}
		return append(acts, "pause", "finish", "abort", "note")
	case soak.Pausing:
		acts := []string{"resume"}
		if due {
			acts = append(acts, "checkpoint")
		}
		return append(acts, "finish", "abort", "note")
	}
	return []string{"note"}
}

func (f frame) soakFacts(l *soak.Life) []fact {
	p := l.Plan
	all := []fact{{f.t("soak.procedure"), p.Procedure + " (" + p.Source + ")"},
		{f.t("soak.limit"), f.t("soak.limit_is", "id", p.LimitID, "level", f.read(p.Level), "guard", f.guard(p.Guard))}}
	if p.Title != "" {
		all = append([]fact{{f.t("soak.name"), p.Title}}, all...)
	}
	if p.Conditions != "" {
		all = append(all, fact{f.t("soak.conditions"), p.Conditions})
	}
	if p.Contact != "" {
		all = append(all, fact{f.t("soak.contact"), p.Contact})
	}
	var marks []string
	for _, c := range p.Checkpoints {
		text := strconv.FormatInt(c, 10)
		for _, passed := range l.Passed {
			if passed.Checkpoint == c {
				text += ": " + f.said(passed.Outcome)
			}
		}
		marks = append(marks, text)
	}
	if len(marks) > 0 {
		all = append(all, fact{f.t("soak.checkpoints"), strings.Join(marks, ", ")})
	}
	return append(all, fact{f.t("soak.stops"), f.stops(p.Stop)})
}

func (f frame) guard(g quantity.PowerDensity) string {
	if math.IsNaN(float64(g)) || g == 0 {
		return f.t("runs.unknown")
	}
	return f.read(g)
}

func (f frame) stops(s soak.Stop) string {
	var all []string
	if s.Exceedances > 0 {
		all = append(all, f.t("soak.stop_exceedances", "n", strconv.Itoa(s.Exceedances)))
	}
	if s.OverRange {
		all = append(all, f.t("soak.stop_over_range"))
	}
	if s.Blind > 0 {
		all = append(all, f.t("soak.stop_blind", "for", quantity.FormatDuration(s.Blind)))
	}
	if s.Overdue > 0 {
		all = append(all, f.t("soak.stop_overdue", "n", strconv.FormatInt(s.Overdue, 10)))
	}
	if len(all) == 0 {
		return f.t("soak.stop_none")
	}
	return strings.Join(all, "; ")
}

func (f frame) fillResult(p *soakPage, r *soak.Result, now time.Time) {
	level := func(x float64) string {
		switch {
		case math.IsNaN(x):
			return f.t("runs.unknown")
		case math.IsInf(x, 1):
			return f.t("words.over_range")
		}
		return f.read(quantity.PowerDensity(x))
	}
	p.Outcome, p.OutcomeText, p.Reasons, p.Cautions = string(r.Outcome), f.outcome(limit.Outcome(r.Outcome)), f.saidAll(r.Reasons), r.Outcome == soak.Exceeds
	p.Level = map[soak.Outcome]string{soak.Exceeds: "above", soak.Within: "calm", soak.NotDecided: "open"}[r.Outcome]
	on := &r.Whole.On
	p.Figures = []fact{{f.t("soak.runs"), strconv.Itoa(r.Runs)}, {f.t("soak.on"), quantity.Roughly(on.Quantiles.Total())},
		{f.t("soak.unseen"), quantity.Roughly(r.Unseen)},
		{f.t("soak.median"), level(on.Quantiles.At(0.5))}, {f.t("soak.p95"), level(on.Quantiles.At(0.95))}, {f.t("soak.p99"), level(on.Quantiles.At(0.99))}}
	if on.Moments.N > 0 {
		p.Figures = append(p.Figures, fact{f.t("soak.mean"), f.t("soak.mean_is", "mean", level(on.Moments.Mean), "deviation", level(on.Moments.Deviation()))})
	}
	for i, peak := range r.Whole.Peaks.List() {
		if i == 3 {
			break
		}
		x := float64(peak.S)
		if peak.Over {
			x = math.Inf(1)
		}
		p.Figures = append(p.Figures, fact{f.t("soak.highest"), level(x) + ", " + f.clock(peak.At, now)})
	}
	for i := range r.Parts {
		part := &r.Parts[i]
		row := partRow{Name: f.said(part.Name), Runs: strconv.Itoa(part.Runs), Operations: strconv.FormatInt(part.Operations, 10),
			Median: level(part.Sum.On.Quantiles.At(0.5)), P95: level(part.Sum.On.Quantiles.At(0.95)), Highest: f.t("runs.unknown"), Above: f.t("runs.unknown")}
		if peaks := part.Sum.Peaks.List(); len(peaks) > 0 {
			if row.Highest = level(float64(peaks[0].S)); peaks[0].Over {
				row.Highest = level(math.Inf(1))
			}
		}
		if e, ok := part.Sum.Above(r.Life.Plan.Level); ok {
			row.Above = f.t("soak.above_is", "n", strconv.Itoa(e.Count), "for", quantity.Roughly(e.Above))
		}
		p.Parts = append(p.Parts, row)
	}
	p.Trend = f.trend(&r.Trend)
	p.Chart = f.soakChart(r)
}

// trend says how the runs go on.
func (f frame) trend(t *soak.Trend) []string {
	a := &t.Age
	out := []string{f.t("soak.trend_from", "n", strconv.Itoa(a.Points))}
	if a.Step != nil {
		out[0] = f.t("soak.trend_since", "n", strconv.Itoa(a.Points))
	}
	if !math.IsNaN(a.Slope.Slope) && a.Points > 1 {
		thousand := func(x float64) string { return f.read(quantity.PowerDensity(1000 * x)) }
		out = append(out, f.t("soak.trend_slope", "slope", thousand(a.Slope.Slope), "lo", thousand(a.Slope.Lo), "hi", thousand(a.Slope.Hi),
			"p", strconv.FormatFloat(a.Kendall.P, 'g', 2, 64)))
	}
	if a.Step != nil {
		out = append(out, f.t("soak.trend_step", "n", strconv.FormatInt(t.StepAfter, 10), "size", f.read(quantity.PowerDensity(a.Step.Size)), "p", strconv.FormatFloat(100*a.Step.Confidence, 'g', 3, 64)))
	}
	edge := f.read(t.Level)
	switch {
	case t.Days.Refused != "":
		out = append(out, f.t("soak.trend_refused", "level", edge, "why", f.said(t.Days.Refused)))
	default:
		day := func(d float64) string {
			return t.First.Add(time.Duration(d * 24 * float64(time.Hour))).In(f.zone).Format(time.DateOnly)
		}
		out = append(out, f.t("soak.trend_reached", "level", edge, "lo", day(t.Days.Lo), "hi", day(t.Days.Hi),
			"first", strconv.FormatFloat(math.Floor(t.Runs.Lo), 'f', 0, 64), "last", strconv.FormatFloat(math.Ceil(t.Runs.Hi), 'f', 0, 64)))
	}
	return out
}
