package web

import (
	"math"
	"net/http"

	"ovenward/acquire/cycle/soak"
	"ovenward/acquire/cycle/stats"
	"ovenward/acquire/quantity"
)

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
	NotCovered  number `json:"uncalibrated_s"` // of the time seen, by no certificate; null: not kept throughout
	Exceedances *int   `json:"exceedances"`    // null: not counted throughout
	Above       number `json:"above_s"`
	Highest     number `json:"highest_w_per_m2"` // null: over range, or nothing seen
	HighestAt   string `json:"highest_at,omitempty"`
}

func figuresOf(s *stats.Summary, level quantity.PowerDensity) figuresJSON {
	q := &s.On.Quantiles
	j := figuresJSON{Seen: number(s.Seen().Seconds()), Mean: number(math.NaN()), Deviation: number(s.On.Moments.Deviation()), Median: number(q.At(0.5)), P95: number(q.At(0.95)), P99: number(q.At(0.99)),
		On: number(q.Total().Seconds()), OffMedian: number(s.Off.Quantiles.At(0.5)), OverRange: number((s.On.OverRange + s.Off.OverRange).Seconds()), NotCovered: number(s.Uncalibrated.Seconds()), Above: number(math.NaN()), Highest: number(math.NaN())}
	if s.On.Moments.N > 0 {
		j.Mean = number(s.On.Moments.Mean)
	}
	if s.Untold > 0 {
		j.NotCovered = notKnown()
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
	StepAt   *int64       `json:"step_after_run,omitempty"`
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
	whole.Active, whole.Runs = number(r.Active.Seconds()), r.Runs
	t := &r.Trend
	j := resultJSON{Outcome: string(r.Outcome), Reasons: r.Reasons, By: instant(r.By), Unseen: number(r.Unseen.Seconds()), RelativeError: stats.RelativeError,
		Whole: whole, Parts: partFigures(r.Parts, level), Days: partFigures(r.Days, level),
		Trend: trendJSON{Level: number(t.Level), Points: t.Age.Points, Slope: number(t.Age.Slope.Slope), SlopeLo: number(t.Age.Slope.Lo), SlopeHi: number(t.Age.Slope.Hi),
			P: number(t.Age.Kendall.P), StepSize: number(math.NaN()), StepConf: number(math.NaN()), Runs: foreseen(t.Runs), Days: foreseen(t.Days)}}
	if st := t.Age.Step; st != nil {
		j.Trend.StepAt, j.Trend.StepSize, j.Trend.StepConf = &t.StepAfter, number(st.Size), number(st.Confidence)
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
