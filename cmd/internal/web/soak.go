package web

import (
	"errors"
	"fmt"
	"html/template"
	"math"
	"net/http"
	"strconv"
	"strings"

	"ovenward/acquire/cycle/soak"
	"ovenward/acquire/cycle/stats"
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

// soakJSON is a soak test as the API shows it.
type soakJSON struct {
	Plan       soak.Plan           `json:"plan"`
	State      string              `json:"state"`
	Active     number              `json:"active_s"`
	Spans      []soak.Span         `json:"active"`
	Operations int64               `json:"operations"`
	By         map[soak.From]int64 `json:"operations_by"`
	Share      number              `json:"share"`
	Expected   string              `json:"expected_end,omitempty"`
	Unknown    string              `json:"expected_end_unknown,omitempty"`
	Due        *int64              `json:"checkpoint_due,omitempty"`
	Passed     []soak.Passed       `json:"checkpoints_passed"`
	Log        []soak.Mark         `json:"log"`
}

type soaksJSON struct {
	Soaks []soakJSON `json:"soaks"`
}

func (s *Server) soakJSON(l *soak.Life) soakJSON {
	now := s.o.Now().UTC()
	j := soakJSON{Plan: l.Plan, State: string(l.State), Active: number(l.ActiveBy(now).Seconds()), Spans: append([]soak.Span{}, l.Active...),
		Operations: l.Operations, By: l.By, Share: number(l.Share(now)), Passed: append([]soak.Passed{}, l.Passed...), Log: append([]soak.Mark{}, l.Log...)}
	if end, why := l.Expected(now); why == "" {
		j.Expected = instant(end)
	} else {
		j.Unknown = why
	}
	if c, due := l.Due(now); due && !l.State.Over() {
		j.Due = &c
	}
	return j
}

func (s *Server) serveSoaks(w http.ResponseWriter, r *http.Request) {
	out := soaksJSON{Soaks: []soakJSON{}}
	if s.o.Soaks != nil {
		for _, l := range s.o.Soaks.Lives() {
			out.Soaks = append(out.Soaks, s.soakJSON(l))
		}
	}
	s.sendJSON(w, r, out)
}

// theSoak is the test that the path names; nil when an answer was given.
func (s *Server) theSoak(w http.ResponseWriter, r *http.Request) *soak.Life {
	if s.o.Soaks == nil {
		sendProblem(w, r, http.StatusNotFound, noSoaks)
		return nil
	}
	l := s.o.Soaks.Life(r.PathValue("id"))
	if l == nil {
		sendProblem(w, r, http.StatusNotFound, noSoak)
	}
	return l
}

func (s *Server) serveSoak(w http.ResponseWriter, r *http.Request) {
	if l := s.theSoak(w, r); l != nil {
		s.sendJSON(w, r, s.soakJSON(l))
	}
}

// sumJSONs are the figures of a stretch.
type figuresJSON struct {
	Name        string `json:"name,omitempty"`
	From        string `json:"from,omitempty"`
	To          string `json:"to,omitempty"`
	Active      number `json:"active_s"`
	Seen        number `json:"seen_s"`
	Operations  *int64 `json:"operations_by_then,omitempty"`
	Runs        int    `json:"runs"`
	Mean        number `json:"on_mean_w_per_m2"`
	Deviation   number `json:"on_deviation_w_per_m2"`
	Median      number `json:"on_median_w_per_m2"`
	P95         number `json:"on_p95_w_per_m2"`
	P99         number `json:"on_p99_w_per_m2"`
	On          number `json:"on_s"`
	OffMedian   number `json:"off_median_w_per_m2"`
	OverRange   number `json:"over_range_s"`
	Exceedances *int   `json:"exceedances"` // null: not counted throughout
	Above       number `json:"above_s"`
	Highest     number `json:"highest_w_per_m2"` // null: over range, or nothing seen
	HighestAt   string `json:"highest_at,omitempty"`
}

func figuresOf(s *stats.Summary, level quantity.PowerDensity) figuresJSON {
	q := &s.On.Quantiles
	j := figuresJSON{Seen: number(s.Seen().Seconds()), Mean: number(math.NaN()), Deviation: number(s.On.Moments.Deviation()), Median: number(q.At(0.5)), P95: number(q.At(0.95)), P99: number(q.At(0.99)),
		On: number(q.Total().Seconds()), OffMedian: number(s.Off.Quantiles.At(0.5)), OverRange: number((s.On.OverRange + s.Off.OverRange).Seconds()), Above: number(math.NaN()), Highest: number(math.NaN())}
	if s.On.Moments.N > 0 {
		j.Mean = number(s.On.Moments.Mean)
	}
	if e, ok := s.Above(level); ok {
		j.Exceedances, j.Above = &e.Count, number(e.Above.Seconds())
	}
	if p := s.Peaks.List(); len(p) > 0 {
		j.HighestAt = instant(p[0].At)
		if !p[0].Over {
			j.Highest = number(p[0].S)
		}
	}
	return j
}

func partFigures(all []soak.Part, level quantity.PowerDensity) []figuresJSON {
	out := []figuresJSON{}
	for i := range all {
		p := &all[i]
		j := figuresOf(&p.Sum, level)
		j.Name, j.From, j.To, j.Active, j.Runs = p.Name, instant(p.From), instant(p.To), number(p.Active.Seconds()), p.Runs
		if p.Operations >= 0 {
			j.Operations = &p.Operations
		}
		out = append(out, j)
	}
	return out
}

type forecastJSON struct {
	Refused  string `json:"refused,omitempty"`
	Estimate number `json:"estimate"`
	Lo       number `json:"lower"`
	Hi       number `json:"upper"`
}

type trendJSON struct {
	Level    number       `json:"level_w_per_m2"` // limit less guard band
	Points   int          `json:"runs_told_from"`
	Slope    number       `json:"slope_w_per_m2_per_run"`
	SlopeLo  number       `json:"slope_lower"`
	SlopeHi  number       `json:"slope_upper"`
	P        number       `json:"mann_kendall_p"`
	StepAt   *int         `json:"step_after_run,omitempty"`
	StepSize number       `json:"step_w_per_m2"`
	StepConf number       `json:"step_confidence"`
	Runs     forecastJSON `json:"reached_at_run"`
	Days     forecastJSON `json:"reached_after_days"`
}

type resultJSON struct {
	Outcome       string        `json:"outcome"`
	Reasons       []string      `json:"reasons"`
	By            string        `json:"by"`
	Unseen        number        `json:"unseen_s"`
	RelativeError number        `json:"percentile_relative_error"`
	Whole         figuresJSON   `json:"whole"`
	Parts         []figuresJSON `json:"parts"`
	Days          []figuresJSON `json:"days"`
	Trend         trendJSON     `json:"trend"`
}

func foreseen(f stats.Forecast) forecastJSON {
	return forecastJSON{f.Refused, number(f.Estimate), number(f.Lo), number(f.Hi)}
}

func resultOf(r *soak.Result) resultJSON {
	level := r.Life.Plan.Level
	whole := figuresOf(&r.Whole, level)
	whole.Active, whole.Runs = number(r.Active.Seconds()), len(r.Runs)
	t := &r.Trend
	j := resultJSON{Outcome: string(r.Outcome), Reasons: r.Reasons, By: instant(r.By), Unseen: number(r.Unseen.Seconds()), RelativeError: stats.RelativeError,
		Whole: whole, Parts: partFigures(r.Parts, level), Days: partFigures(r.Days, level),
		Trend: trendJSON{Level: number(t.Level), Points: t.Age.Points, Slope: number(t.Age.Slope.Slope), SlopeLo: number(t.Age.Slope.Lo), SlopeHi: number(t.Age.Slope.Hi),
			P: number(t.Age.Kendall.P), StepSize: number(math.NaN()), StepConf: number(math.NaN()), Runs: foreseen(t.Runs), Days: foreseen(t.Days)}}
	if st := t.Age.Step; st != nil {
		j.Trend.StepAt, j.Trend.StepSize, j.Trend.StepConf = &st.At, number(st.Size), number(st.Confidence)
	}
	return j
}

func (s *Server) serveSoakResult(w http.ResponseWriter, r *http.Request) {
	if s.theSoak(w, r) == nil {
		return
	}
	res, err := s.o.Soaks.Result(r.Context(), r.PathValue("id"))
	if err != nil {
		s.unread(w, r, err)
		return
	}
	s.sendJSON(w, r, resultOf(&res))
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
				t = &trouble{status: http.StatusUnprocessableEntity, detail: err.Error()}
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
		n, err := strconv.ParseInt(strings.TrimSpace(e.fields[name]), 10, 64)
		if err != nil {
			errs = append(errs, fmt.Errorf("%s: %q is no whole number", name, e.fields[name]))
		}
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
		if o := m.Outcome; o != string(soak.Within) && o != string(soak.Exceeds) && o != string(soak.NotDecided) {
			errs = append(errs, fmt.Errorf("outcome: write %s, %s or %s", soak.Within, soak.Exceeds, soak.NotDecided))
		}
		if m.Survey != "" && !plain(m.Survey, maxRemedy) && strings.Trim(m.Survey, "0123456789") != "" {
			errs = append(errs, errors.New("survey: write its number"))
		}
	}
	return m, errors.Join(errs...)
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
		p.Log = append(p.Log, logRow{f.clock(m.At, now), f.t("soak.mark_" + string(m.Kind)), m.Who, m.Text})
	}
	if len(l.Active) > 0 {
		res, err := s.o.Soaks.Result(r.Context(), l.Plan.ID)
		if err != nil {
			p.NotMade = err.Error()
		} else {
			f.fillResult(&p, &res, now)
		}
	}
	if t != nil {
		f.Problem = t.detail
	}
	f.Page = p
	s.show(w, r, status, f)
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
		return append(acts, "abort", "note")
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
	if p.Contact != "" {
		all = append(all, fact{f.t("soak.contact"), p.Contact})
	}
	var marks []string
	for _, c := range p.Checkpoints {
		text := strconv.FormatInt(c, 10)
		for _, passed := range l.Passed {
			if passed.Checkpoint == c {
				text += ": " + passed.Outcome
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
