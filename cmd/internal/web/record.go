package web

import (
	"net/http"
	"time"

	"ovenward/acquire/store"
)

// recordJSON is how the record fares, as the API shows it.
type recordJSON struct {
	Commits     int64           `json:"commits"`
	Committed   time.Time       `json:"committed_at,omitzero"`
	Pending     int             `json:"pending_samples"`
	Lost        uint64          `json:"lost_samples"`
	LostEvents  uint64          `json:"lost_events"`
	Writable    bool            `json:"writable"`
	Why         string          `json:"why_not,omitempty"`
	Damaged     uint64          `json:"damaged_stretches"` // since the start
	Salvaged    uint64          `json:"salvaged_commits"`  // at the start
	NumberKept  bool            `json:"commit_number_kept"`
	NumberWhy   string          `json:"commit_number_why_not,omitempty"`
	Head        store.Head      `json:"head"`     // of the chain of hashes, as it stands
	DayHead     store.Head      `json:"day_head"` // of the last UTC day that ended
	Days        []store.DayHead `json:"days"`     // the newest, the oldest first
	DaysTrouble string          `json:"days_trouble,omitempty"`
}

// mostHeads is how many heads of days one answer holds.
const mostHeads = 3660

// serveRecord answers how the record fares and with its heads, which kept elsewhere
// prove it later: days= says of how many days back.
func (s *Server) serveRecord(w http.ResponseWriter, r *http.Request) {
	days, err := queryInt(r, "days", 7, 0, mostHeads)
	if err != nil {
		sendProblem(w, r, http.StatusBadRequest, "days: write a number from 0 to 3660")
		return
	}
	if s.o.Record == nil {
		sendProblem(w, r, http.StatusNotFound, "nothing is recorded here")
		return
	}
	st := s.o.Record()
	out := recordJSON{Commits: st.Commits, Committed: st.CommittedAt, Pending: st.Pending, Lost: st.Lost, LostEvents: st.LostEvents,
		Writable: st.Err == nil, Damaged: st.Damaged, Salvaged: st.Salvaged, NumberKept: st.NumberErr == nil,
		Head: st.Head, DayHead: st.DayHead, Days: []store.DayHead{}}
	if st.Err != nil {
		out.Why = st.Err.Error()
	}
	if st.NumberErr != nil {
		out.NumberWhy = st.NumberErr.Error()
	}
	if s.o.Heads != nil && days > 0 {
		now := s.o.Now().UTC() // as the days of heads are
		all, err := s.o.Heads(r.Context(), now.AddDate(0, 0, 1-int(days)), now)
		if err != nil { // how the record fares is told all the same
			s.log.Error("the heads of the record's days could not be read", "err", err)
			out.DaysTrouble = err.Error()
		}
		out.Days = append(out.Days, all...)
	}
	s.sendJSON(w, r, out)
}
