package web

import (
	"errors"
	"fmt"
	"net/http"
	"time"

	"ovenward/acquire/cycle/history"
	"ovenward/acquire/cycle/soak"
	"ovenward/acquire/cycle/stats"
	"ovenward/acquire/quantity"
)

// drawnLevels is in how many levels of equal width a distribution is told.
const drawnLevels = 30

// levelJSON is for how long the field lay between two levels.
type levelJSON struct {
	From number `json:"from_w_per_m2"`
	To   number `json:"to_w_per_m2"` // null: no end
	For  number `json:"for_s"`
}

// exceededJSON is how often and how long the field was above a level.
type exceededJSON struct {
	Level number `json:"level_w_per_m2"`
	Count int    `json:"count"`
	Above number `json:"above_s"`
}

// peakJSON is one of the highest values.
type peakJSON struct {
	At    string `json:"at"`
	Value number `json:"w_per_m2"` // null: over range
}

// stretchJSON is what a stretch of time comes to.
type stretchJSON struct {
	figuresJSON
	Run       *runJSON       `json:"run,omitempty"`
	OffMean   number         `json:"off_mean_w_per_m2"`
	Exceeded  []exceededJSON `json:"exceeded"`
	Highest10 []peakJSON     `json:"highest"`
	OnLevels  []levelJSON    `json:"on_levels"`
	OffLevels []levelJSON    `json:"off_levels"`
}

// statisticsJSON is what the API tells of a time, parted.
type statisticsJSON struct {
	Post          string        `json:"post"`
	Soak          string        `json:"soak,omitempty"`
	Per           string        `json:"per"`
	RelativeError number        `json:"percentile_relative_error"`
	Stretches     []stretchJSON `json:"stretches"`
}

func levelsOf(q *stats.Quantiles) []levelJSON {
	out := []levelJSON{}
	top := q.At(1)
	if !(top > 0) || top > stats.Most {
		if top = q.At(0.5); !(top > 0) || top > stats.Most {
			top = stats.Least
		}
	}
	if q.Total() == 0 {
		return out
	}
	for _, b := range q.Shares(drawnLevels, top*(1+2*stats.RelativeError)) {
		if b.Held > 0 {
			out = append(out, levelJSON{number(b.Lo), number(b.Hi), number(b.Held.Seconds())})
		}
	}
	return out
}

func summedUp(sum *stats.Summary, run *history.Run, level quantity.PowerDensity) stretchJSON {
	j := stretchJSON{figuresJSON: figuresOf(sum, level), Exceeded: []exceededJSON{}, Highest10: []peakJSON{},
		OffMean: number(sum.Off.Moments.Mean), OnLevels: levelsOf(&sum.On.Quantiles), OffLevels: levelsOf(&sum.Off.Quantiles)}
	if sum.Off.Moments.N == 0 {
		j.OffMean = notKnown()
	}
	for _, e := range sum.Levels {
		j.Exceeded = append(j.Exceeded, exceededJSON{number(e.Level), e.Count, number(e.Above.Seconds())})
	}
	for _, p := range sum.Peaks.List() {
		v := number(p.S)
		if p.Over {
			v = notKnown()
		}
		j.Highest10 = append(j.Highest10, peakJSON{instant(p.At), v})
	}
	if run != nil {
		r := runOf(*run)
		j.Run = &r
	}
	return j
}

// serveStatistics sums up a post over some days.
func (s *Server) serveStatistics(w http.ResponseWriter, r *http.Request) {
	id := r.PathValue("id")
	level := quantity.PowerDensity(0)
	for _, st := range s.o.Station.Stats() {
		if st.Post.ID == id {
			level = st.Post.Limit.Value
		}
	}
	if level == 0 || s.o.Statistics == nil {
		sendProblem(w, r, http.StatusNotFound, noSuchPost)
		return
	}
	from, to, err := s.asked(r)
	if err != nil {
		sendProblem(w, r, http.StatusBadRequest, err.Error())
		return
	}
	per := history.Per(r.URL.Query().Get("per"))
	if per == "" {
		per = history.PerDay
	}
	switch per {
	case history.PerRun, history.PerHour, history.PerDay, history.PerAll:
	default:
		sendProblem(w, r, http.StatusBadRequest, fmt.Sprintf("per=%s: write run, hour, day or all", per))
		return
	}
	all, err := s.o.Statistics(r.Context(), id, per, from, to)
	if errors.Is(err, history.ErrMany) {
		sendProblem(w, r, http.StatusBadRequest, err.Error())
		return
	}
	if err != nil {
		s.unread(w, r, err)
		return
	}
	out := statisticsJSON{Post: id, Per: string(per), RelativeError: stats.RelativeError, Stretches: []stretchJSON{}}
	for i := range all {
		x := &all[i]
		j := summedUp(&x.Sum, x.Run, level)
		j.From, j.To, j.Active, j.Runs = instant(x.From), instant(x.To), number(x.To.Sub(x.From).Seconds()), x.Runs
		out.Stretches = append(out.Stretches, j)
	}
	s.sendJSON(w, r, out)
}

// asked reads from which instant to which; the last days where none is said.
func (s *Server) asked(r *http.Request) (from, to time.Time, err error) {
	q := r.URL.Query()
	if to, err = instantOf(q.Get("to")); err != nil {
		return from, to, fmt.Errorf("to: %w", err)
	}
	if to.IsZero() {
		to = s.o.Now().UTC()
	}
	if from, err = instantOf(q.Get("from")); err != nil {
		return from, to, fmt.Errorf("from: %w", err)
	}
	if from.IsZero() {
		from = to.Add(-shownRunDays * 24 * time.Hour)
	}
	if !from.Before(to) || to.Sub(from) > mostRunDays*24*time.Hour {
		return from, to, fmt.Errorf("from must lie before to, by %d days at most", mostRunDays)
	}
	return from, to, nil
}

// serveSoakStatistics sums up a soak test.
func (s *Server) serveSoakStatistics(w http.ResponseWriter, r *http.Request) {
	l := s.theSoak(w, r)
	if l == nil {
		return
	}
	per := history.Per(r.URL.Query().Get("per"))
	if per == "" {
		per = "checkpoint"
	}
	switch per {
	case history.PerRun, history.PerHour, history.PerDay, "checkpoint", "test":
	default:
		sendProblem(w, r, http.StatusBadRequest, fmt.Sprintf("per=%s: write run, hour, day, checkpoint or test", per))
		return
	}
	var when [2]time.Time
	for i, name := range []string{"from", "to"} {
		var err error
		if when[i], err = instantOf(r.URL.Query().Get(name)); err != nil {
			sendProblem(w, r, http.StatusBadRequest, name+": "+err.Error())
			return
		}
	}
	all, err := s.o.Soaks.Statistics(r.Context(), l.Plan.ID, per, when[0], when[1])
	if errors.Is(err, history.ErrMany) || errors.Is(err, soak.ErrSince) {
		sendProblem(w, r, http.StatusBadRequest, err.Error())
		return
	}
	if err != nil {
		s.unread(w, r, err)
		return
	}
	out := statisticsJSON{Post: l.Plan.Post, Soak: l.Plan.ID, Per: string(per), RelativeError: stats.RelativeError, Stretches: []stretchJSON{}}
	for i := range all {
		p := &all[i]
		j := summedUp(&p.Sum, p.Run, l.Plan.Level)
		j.Name, j.From, j.To, j.Active, j.Runs = p.Name, instant(p.From), instant(p.To), number(p.Active.Seconds()), p.Runs
		if p.From.IsZero() {
			j.From = instant(l.Active[0].From)
		}
		if p.Operations >= 0 {
			j.Operations = &p.Operations
		}
		out.Stretches = append(out.Stretches, j)
	}
	s.sendJSON(w, r, out)
}
