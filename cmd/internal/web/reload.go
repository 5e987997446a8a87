package web

import (
	"context"
	"errors"
	"net/http"
)

// ReloadPath is where the configuration is loaded again.
const ReloadPath = "/-/reload"

// Mistake is one thing that is wrong in a configuration.
type Mistake struct {
	File string `json:"file"`
	Line int    `json:"line"`
	What string `json:"what"`
}

// Refusal is why a configuration is not in force. The one before stays.
type Refusal struct {
	Status   int // of HTTP
	Detail   string
	Mistakes []Mistake
}

// Error is the detail.
func (r *Refusal) Error() string { return r.Detail }

// reloadedJSON is what a configuration that is in force changed.
type reloadedJSON struct {
	Path    string   `json:"path"`
	Who     string   `json:"who"`
	Changes []string `json:"changes"`
}

// serveReload loads the configuration again, on the word of whoever may change
// things. A name is needed where no users are configured, as for every change.
func (s *Server) serveReload(w http.ResponseWriter, r *http.Request) {
	said, status, detail := word{}, http.StatusForbidden, s.mayChange(r)
	if detail == "" {
		said, status, detail = s.readReloadWord(w, r)
	}
	if status != 0 {
		s.log.Warn("a reload was refused", "from", r.RemoteAddr, "status", status, "why", detail)
		sendProblem(w, r, status, detail)
		return
	}
	changes, err := s.o.Reload(r.Context(), said.Who)
	refused := &Refusal{}
	switch {
	case err == nil:
		s.sendJSON(w, r, reloadedJSON{r.URL.Path, said.Who, changes})
	case errors.As(err, &refused):
		p := newProblem(r, refused.Status, refused.Detail)
		p.Mistakes = refused.Mistakes
		writeProblem(w, p)
	case errors.Is(err, context.Canceled): // the asker is gone, or the daemon stops
		sendProblem(w, r, http.StatusServiceUnavailable, "the daemon is stopping")
	default:
		sendProblem(w, r, http.StatusServiceUnavailable, err.Error())
	}
}

// readReloadWord reads who asks. A user of the web configuration need not say it
// twice, and then sends nothing.
func (s *Server) readReloadWord(w http.ResponseWriter, r *http.Request) (word, int, string) {
	if user := s.userOf(r); user != "" && r.ContentLength == 0 {
		return word{Who: user}, 0, ""
	}
	said, status, detail := s.readWord(w, r)
	if status == http.StatusUnsupportedMediaType || status == http.StatusBadRequest {
		detail = "send a form or a JSON object with who: the name of whoever asks"
	}
	return said, status, detail
}
