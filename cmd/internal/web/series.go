package web

import (
	"math"
	"net/http"
	"time"

	"ovenward/acquire/store"
)

// Bounds of the points of one answer.
const (
	somePoints = 300
	mostPoints = 2000
)

// pointJSON is what the samples of a stretch of time come to. Numbers are null
// where there is none: nothing is averaged over what was not seen.
type pointJSON struct {
	From    string   `json:"from"`
	To      string   `json:"to"`
	Min     number   `json:"min_w_per_m2"`
	Mean    number   `json:"mean_w_per_m2"`
	Max     number   `json:"max_w_per_m2"`
	Samples int64    `json:"samples"`
	Values  int64    `json:"values"`
	Seen    number   `json:"seen_s"`
	Over    number   `json:"over_range_s"`
	Classes [6]int64 `json:"samples_by_class"` // fault, over-range, uncalibrated, under-floor, clock-unsure, good
}

// serveSeries answers with the past of a post between from and to (RFC 3339; to
// is now when left out, from an hour before), at no more than so many points.
func (s *Server) serveSeries(w http.ResponseWriter, r *http.Request) {
	st, ok := statsOf(s.o.Station.Stats(), r.PathValue("id"))
	if !ok {
		sendProblem(w, r, http.StatusNotFound, noSuchPost)
		return
	}
	n, err := queryInt(r, "points", somePoints, 1, mostPoints)
	if err != nil {
		sendProblem(w, r, http.StatusBadRequest, "points: write a number from 1 to 2000")
		return
	}
	to := s.o.Now()
	if text := r.URL.Query().Get("to"); text != "" {
		if to, err = time.Parse(time.RFC3339Nano, text); err != nil {
			sendProblem(w, r, http.StatusBadRequest, "to: write an instant such as 2026-06-03T12:00:00Z")
			return
		}
	}
	from := to.Add(-time.Hour)
	if text := r.URL.Query().Get("from"); text != "" {
		if from, err = time.Parse(time.RFC3339Nano, text); err != nil {
			sendProblem(w, r, http.StatusBadRequest, "from: write an instant such as 2026-06-03T11:00:00Z")
			return
		}
	}
	if !from.Before(to) || to.Sub(from) > mostSpan {
		sendProblem(w, r, http.StatusBadRequest, "from and to: from must lie before to, by at most 30 years")
		return
	}
	points, err := s.points(r.Context(), st, from, to, int(n))
	damage := ""
	if err != nil {
		if len(points) == 0 {
			s.log.Error("the past of a post could not be read", "post", st.Post.ID, "err", err)
			sendProblem(w, r, http.StatusServiceUnavailable, "the record could not be read: "+err.Error())
			return
		}
		damage = err.Error()
	}
	all := make([]pointJSON, len(points))
	for i := range points {
		all[i] = pointOf(&points[i])
	}
	s.sendJSON(w, r, map[string]any{"post": st.Post.ID, "simulated": st.Post.Probe.Simulated, "from": instant(from), "to": instant(to),
		"damage": damage, "points": all})
}

func pointOf(p *store.Point) pointJSON {
	nan := number(math.NaN())
	j := pointJSON{From: instant(p.From), To: instant(p.To), Min: nan, Mean: nan, Max: nan, Samples: p.Samples, Values: p.Values,
		Seen: number(p.Seen.Seconds()), Over: number(p.OverRange.Seconds()), Classes: p.Classes}
	if p.Values > 0 {
		j.Min, j.Mean, j.Max = number(p.Min), number(p.Mean()), number(p.Max)
	}
	return j
}
