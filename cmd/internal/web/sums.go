package web

import (
	"net/http"
	"slices"

	"ovenward/acquire"
)

// sumJSON is a sum of ratios as the API shows it. Numbers are null where there
// is none, and upper where it has no bound.
type sumJSON struct {
	ID      string   `json:"id"`
	Posts   []string `json:"posts"`
	Limit   string   `json:"limit_id"`
	Lo      number   `json:"lower_ratio"`
	Hi      number   `json:"upper_ratio"`
	U       number   `json:"expanded_uncertainty_ratio"`
	Outcome string   `json:"outcome"`
	Reasons []string `json:"reasons"`
}

func (s *Server) serveSums(w http.ResponseWriter, r *http.Request) {
	stats := s.o.Station.Stats()
	all := []sumJSON{}
	for _, sum := range s.o.Sums {
		v := sum.Judge(stats)
		all = append(all, sumJSON{sum.ID, slices.Clone(sum.Posts), sum.Limit, number(v.Lo), number(v.Hi), number(v.U), string(v.Outcome), v.Reasons})
	}
	s.sendJSON(w, r, sumsJSON{instant(s.o.Now()), all})
}

// sums tells the sums that a post belongs to, beside its verdict.
func (say voice) sums(sums []acquire.Sum, stats []acquire.Stats, post string) []string {
	var out []string
	for _, sum := range sums {
		if slices.Contains(sum.Posts, post) {
			v := sum.Judge(stats)
			out = append(out, say.t("post.sum", "id", sum.ID, "limit", sum.Limit, "outcome", say.short(v.Outcome), "reason", say.said(v.Reasons[0])))
		}
	}
	return out
}
