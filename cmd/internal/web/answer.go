package web

import (
	"bytes"
	"compress/gzip"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"math"
	"net/http"
	"strconv"
	"strings"
	"time"

	"ovenward/acquire/registry"
)

// problem is what went wrong with a request, after RFC 9457.
type problem struct {
	Type     string `json:"type"`
	Title    string `json:"title"`
	Status   int    `json:"status"`
	Detail   string `json:"detail"`
	Instance string `json:"instance,omitempty"`

	Faults []registry.Fault    `json:"faults,omitempty"` // of fields, all of them
	Rows   []registry.RowFault `json:"rows,omitempty"`   // of a table, all of them

	Mistakes []Mistake `json:"mistakes,omitempty"` // of the configuration, all of them
}

func newProblem(r *http.Request, status int, detail string) problem {
	return problem{Type: "about:blank", Title: http.StatusText(status), Status: status, Detail: detail, Instance: r.URL.Path}
}

func sendProblem(w http.ResponseWriter, r *http.Request, status int, detail string) {
	writeProblem(w, newProblem(r, status, detail))
}

func writeProblem(w http.ResponseWriter, p problem) {
	if people, ok := w.(*forPeople); ok {
		people.tell(p)
		return
	}
	body, err := json.Marshal(p)
	if err != nil { // strings and numbers always marshal
		body = []byte("{}")
	}
	w.Header().Set("Content-Type", "application/problem+json")
	w.WriteHeader(p.Status)
	_, _ = w.Write(body) // the client may be gone; nothing is lost
}

// untimed is an answer that tells the time, and can leave it out: a tag is made
// of what is left, so that only what changed is sent again.
type untimed interface{ untimed() any }

// sendJSON encodes first and writes then, so that what cannot be encoded is
// told as a problem and never as half an answer.
func (s *Server) sendJSON(w http.ResponseWriter, r *http.Request, v any) {
	body, err := json.Marshal(v)
	tagged := body
	if u, ok := v.(untimed); ok && err == nil {
		tagged, err = json.Marshal(u.untimed())
	}
	if err != nil {
		s.log.Error("an answer could not be encoded; please report this", "path", r.URL.Path, "err", err)
		sendProblem(w, r, http.StatusInternalServerError, "the answer could not be encoded; the log says more")
		return
	}
	sendWhole(w, r, http.StatusOK, "application/json", append(body, '\n'), tagged)
}

// leastGzipped is below what size an answer is sent as it is, in bytes.
const leastGzipped = 1400

// sendWhole sends a whole answer: not at all when the client has it already by its
// tag, and packed when it is large and the client takes that. What is an answer
// to a change or an error bears no tag.
func sendWhole(w http.ResponseWriter, r *http.Request, status int, kind string, body, tagged []byte) {
	h := w.Header()
	h.Set("Content-Type", kind)
	h.Add("Vary", "Accept-Encoding")
	if status == http.StatusOK && (r.Method == http.MethodGet || r.Method == http.MethodHead) {
		sum := sha256.Sum256(tagged)
		tag := `W/"` + hex.EncodeToString(sum[:12]) + `"`
		h.Set("ETag", tag)
		h.Set("Cache-Control", "private, no-cache") // ask each time, by the tag
		if hasTag(r.Header.Get("If-None-Match"), tag) {
			h.Del("Content-Type")
			w.WriteHeader(http.StatusNotModified)
			return
		}
	}
	if len(body) >= leastGzipped && takesGzip(r.Header.Get("Accept-Encoding")) {
		var packed bytes.Buffer
		z, err := gzip.NewWriterLevel(&packed, gzip.BestSpeed)
		if err == nil {
			if _, err = z.Write(body); err == nil {
				err = z.Close()
			}
		}
		if err == nil { // memory takes all that is written
			h.Set("Content-Encoding", "gzip")
			body = packed.Bytes()
		}
	}
	h.Set("Content-Length", strconv.Itoa(len(body)))
	w.WriteHeader(status)
	_, _ = w.Write(body) // the client may be gone; nothing is lost
}

// hasTag says whether an If-None-Match names a tag, by RFC 9110's weak comparison.
func hasTag(said, tag string) bool {
	for one := range strings.SplitSeq(said, ",") {
		if one = strings.TrimSpace(one); one == "*" || one != "" && strings.TrimPrefix(one, "W/") == strings.TrimPrefix(tag, "W/") {
			return true
		}
	}
	return false
}

// takesGzip says whether an Accept-Encoding takes gzip: by name or by *, and not
// at a weight of zero.
func takesGzip(said string) bool {
	takes := false
	for one := range strings.SplitSeq(said, ",") {
		name, weight, _ := strings.Cut(strings.TrimSpace(one), ";")
		name = strings.ToLower(strings.TrimSpace(name))
		q, weighed := strings.CutPrefix(strings.ReplaceAll(weight, " ", ""), "q=")
		n, err := strconv.ParseFloat(q, 64)
		yes := !weighed || err == nil && n > 0
		if name == "gzip" {
			return yes
		}
		takes = takes || name == "*" && yes
	}
	return takes
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

// notKnown is a number that is null in JSON.
func notKnown() number { return number(math.NaN()) }

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
