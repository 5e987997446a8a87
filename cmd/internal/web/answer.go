package web

import (
	"encoding/json"
	"math"
	"net/http"
	"strings"
	"time"
)

// problem is what went wrong with a request, after RFC 9457.
type problem struct {
	Type     string `json:"type"`
	Title    string `json:"title"`
	Status   int    `json:"status"`
	Detail   string `json:"detail"`
	Instance string `json:"instance,omitempty"`
}

func newProblem(r *http.Request, status int, detail string) problem {
	return problem{Type: "about:blank", Title: http.StatusText(status), Status: status, Detail: detail, Instance: r.URL.Path}
}

func sendProblem(w http.ResponseWriter, r *http.Request, status int, detail string) {
	body, err := json.Marshal(newProblem(r, status, detail))
	if err != nil { // strings and an int always marshal
		body = []byte("{}")
	}
	w.Header().Set("Content-Type", "application/problem+json")
	w.WriteHeader(status)
	_, _ = w.Write(body) // the client may be gone; nothing is lost
}

// sendJSON encodes first and writes then, so that what cannot be encoded is
// told as a problem and never as half an answer.
func (s *Server) sendJSON(w http.ResponseWriter, r *http.Request, v any) {
	body, err := json.Marshal(v)
	if err != nil {
		s.log.Error("an answer could not be encoded; please report this", "path", r.URL.Path, "err", err)
		sendProblem(w, r, http.StatusInternalServerError, "the answer could not be encoded; the log says more")
		return
	}
	w.Header().Set("Content-Type", "application/json")
	_, _ = w.Write(append(body, '\n')) // the client may be gone; nothing is lost
}

// number is a float64 in JSON that is null when it is not finite; a state word
// beside it says why.
type number float64

// MarshalJSON writes the number, or null.
func (n number) MarshalJSON() ([]byte, error) {
	if f := float64(n); math.IsNaN(f) || math.IsInf(f, 0) {
		return []byte("null"), nil
	}
	return json.Marshal(float64(n))
}

// instant prints t in UTC to the millisecond; empty for the zero time.
func instant(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	return t.UTC().Format("2006-01-02T15:04:05.000Z")
}

// wantsPage says whether a person's browser asks, rather than a program.
func wantsPage(r *http.Request) bool {
	return strings.Contains(r.Header.Get("Accept"), "text/html")
}
