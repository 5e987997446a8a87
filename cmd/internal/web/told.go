package web

import (
	"bytes"
	_ "embed"
	"html/template"
	"math"
	"net/http"
	"strconv"
	"time"

	"ovenward/acquire/store"
)

// CourierState is a courier as the API shows it. Its counts begin with the
// program.
type CourierState struct {
	ID            string    `json:"id"`
	To            string    `json:"to"` // without secrets
	Sent          uint64    `json:"sent"`
	Failed        uint64    `json:"failed_attempts"`
	Refused       uint64    `json:"refused"`
	Coalesced     uint64    `json:"coalesced"`
	Waiting       int       `json:"waiting"`
	Failing       bool      `json:"failing"` // the newest attempt was not accepted
	LastError     string    `json:"last_error,omitempty"`
	LastErrorAt   time.Time `json:"last_error_at,omitzero"`
	LastAccepted  time.Time `json:"last_accepted,omitzero"`
	Heartbeat     float64   `json:"heartbeat_s,omitempty"` // between two
	LastHeartbeat time.Time `json:"last_heartbeat,omitzero"`
}

// Bounds of what is told at a time.
const (
	someTold = 50
	mostTold = 1000
)

//go:embed told.html
var toldHTML string

// toldPage is the page of what was told, in words.
type toldPage struct {
	Site      string
	Simulated bool
	Couriers  []CourierState
	Told      []store.Told
	Dead      []store.Told
}

func (s *Server) couriers() []CourierState {
	if s.o.Couriers == nil {
		return []CourierState{}
	}
	return s.o.Couriers()
}

func (s *Server) serveCouriers(w http.ResponseWriter, r *http.Request) {
	s.sendJSON(w, r, map[string]any{"couriers": s.couriers()})
}

// serveTold answers what was told to whom, and what came back, the newest first.
func (s *Server) serveTold(w http.ResponseWriter, r *http.Request) {
	q := store.ToldQuery{Courier: r.URL.Query().Get("courier"), Outcome: store.ToldOutcome(r.URL.Query().Get("outcome"))}
	if q.Outcome != "" && q.Outcome != store.ToldAccepted && q.Outcome != store.ToldRefused {
		sendProblem(w, r, http.StatusBadRequest, "outcome: write accepted or refused, or leave it out")
		return
	}
	var err error
	if q.Before, err = queryInt(r, "before", 0, 0, math.MaxInt64); err != nil {
		sendProblem(w, r, http.StatusBadRequest, "before: write the lowest id you have, 0 for the newest")
		return
	}
	if q.Event, err = queryInt(r, "event", 0, 0, math.MaxInt64); err != nil {
		sendProblem(w, r, http.StatusBadRequest, "event: write the id of an event, 0 for all")
		return
	}
	n, err := queryInt(r, "limit", someTold, 1, mostTold)
	if err != nil {
		sendProblem(w, r, http.StatusBadRequest, "limit: write a number from 1 to "+strconv.Itoa(mostTold))
		return
	}
	told, ok := s.readTold(w, r, q, int(n))
	if ok {
		s.sendJSON(w, r, map[string]any{"told": told})
	}
}

// readTold reads the record, and answers the request itself when it cannot.
func (s *Server) readTold(w http.ResponseWriter, r *http.Request, q store.ToldQuery, n int) ([]store.Told, bool) {
	if s.o.Told == nil {
		return []store.Told{}, true
	}
	told, err := s.o.Told(r.Context(), q, n)
	if err != nil {
		s.log.Error("what was told could not be read", "err", err)
		sendProblem(w, r, http.StatusServiceUnavailable, "the record could not be read: "+err.Error())
		return nil, false
	}
	return append([]store.Told{}, told...), true
}

// serveToldPage shows the same to people.
func (s *Server) serveToldPage(w http.ResponseWriter, r *http.Request) {
	p := toldPage{Site: s.o.Site, Simulated: s.o.Simulated, Couriers: s.couriers()}
	var ok bool
	if p.Told, ok = s.readTold(w, r, store.ToldQuery{}, someTold); !ok {
		return
	}
	if p.Dead, ok = s.readTold(w, r, store.ToldQuery{Outcome: store.ToldRefused}, someTold); !ok {
		return
	}
	var body bytes.Buffer
	if err := s.told.Execute(&body, p); err != nil {
		s.log.Error("the page could not be rendered; please report this", "err", err)
		sendProblem(w, r, http.StatusInternalServerError, "the page could not be rendered; the log says more")
		return
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	_, _ = w.Write(body.Bytes()) // the client may be gone; nothing is lost
}

func newToldPage() *template.Template {
	return template.Must(template.New("told.html").Funcs(template.FuncMap{"utc": func(t time.Time) string {
		if t.IsZero() {
			return "never"
		}
		return t.UTC().Format("2006-01-02 15:04:05")
	}}).Parse(toldHTML))
}
