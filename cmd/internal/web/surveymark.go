package web

import (
	"errors"
	"fmt"
	"math"
	"net/http"

	"ovenward/acquire"
	"ovenward/acquire/quantity"
	"ovenward/acquire/survey"
	"ovenward/acquire/survey/guide"
)

// markJSON is one mark of a walk back; distance null: the oven was off.
type markJSON struct {
	Distance *float64 `json:"distance_m"`
	Value    float64  `json:"value_w_per_m2"`
	U        float64  `json:"standard_uncertainty_w_per_m2"`
	Floor    float64  `json:"floor_w_per_m2"` // the probe's noise floor
}

// markEditJSON asks for a hold.
type markEditJSON struct {
	Who      string `json:"who"`
	Distance string `json:"distance"` // with its unit, or "off"
	Turn     string `json:"turn"`     // empty: 12 s
}

// takeMark holds a post's probe for two turns of the stirrer and answers then.
func (s *Server) takeMark(w http.ResponseWriter, r *http.Request) {
	var said markEditJSON
	detail, status := s.readSurvey(w, r, &said, func() error {
		f := r.PostForm
		said.Who, said.Distance, said.Turn = f.Get("who"), f.Get("distance"), f.Get("turn")
		return nil
	})
	o := guide.MarkOrder{}
	if detail == "" {
		o.Who, detail = s.surveyor(r, said.Who)
		status = http.StatusUnprocessableEntity
	}
	if detail == "" {
		if err := markOrder(said.Distance, said.Turn, &o); err != nil {
			detail = err.Error()
		}
	}
	var m survey.Mark
	if detail == "" {
		var err error
		if m, err = s.o.Surveys.Mark(r.Context(), r.PathValue("id"), o); err != nil {
			detail, status = err.Error(), http.StatusConflict
			if errors.Is(err, acquire.ErrNoPost) {
				status = http.StatusNotFound
			}
		}
	}
	if detail != "" {
		sendProblem(w, r, status, detail)
		return
	}
	out := markJSON{Value: float64(m.Value), U: float64(m.U)}
	if !m.Off() {
		d := float64(m.Distance)
		out.Distance = &d
	}
	for _, st := range s.o.Station.Stats() {
		if st.Post.ID == r.PathValue("id") {
			out.Floor = float64(st.Post.Probe.Floor)
		}
	}
	s.sendJSON(w, r, out)
}

func markOrder(distance, turn string, o *guide.MarkOrder) (err error) {
	if o.Distance = quantity.Length(math.Inf(1)); distance != "off" {
		if o.Distance, err = quantity.ParseLength(distance); err != nil {
			return fmt.Errorf(`distance: %w; or write "off" for a hold with the oven off`, err)
		}
	}
	if turn != "" {
		if o.Turn, err = quantity.ParseDuration(turn); err != nil {
			return fmt.Errorf("turn: %w", err)
		}
	}
	return nil
}
