package web

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"mime"
	"net/http"
	"net/url"
	"strings"
	"unicode"
	"unicode/utf8"

	"ovenward/acquire"
	"ovenward/acquire/alarm"
)

// Bounds of what an operator writes, in characters.
const (
	maxWho    = 64
	maxRemedy = 300
)

// word is an operator's word: who speaks, for a reset what was mended, else why,
// and for how long, such as "2 h".
type word struct {
	Who    string `json:"who,omitempty"`
	Remedy string `json:"remedy,omitempty"`
	Why    string `json:"why,omitempty"`
	For    string `json:"for,omitempty"`
}

// action does one change. It returns the path of the page that shows the outcome,
// or what is wrong with the request; status 0 means done.
type action func(r *http.Request, said word) (to string, status int, detail string)

// change guards an action: permission, size, form, a named operator. A browser
// is sent on to the page that shows the outcome, or back; a program gets JSON.
func (s *Server) change(back refused, act action) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		said, status, detail := word{}, http.StatusForbidden, s.mayChange(r)
		to := ""
		if detail == "" {
			said, status, detail = s.readWord(w, r)
		}
		if status == 0 {
			to, status, detail = act(r, said)
		}
		if status != 0 {
			s.log.Warn("a change was refused", "path", r.URL.Path, "who", said.Who, "from", r.RemoteAddr,
				"status", status, "why", detail)
			if wantsPage(r) {
				back(w, r, status, said, detail)
				return
			}
			sendProblem(w, r, status, detail)
			return
		}
		s.log.Info("a change was made", "path", r.URL.Path, "who", said.Who, "from", r.RemoteAddr)
		if wantsPage(r) {
			http.Redirect(w, r, to, http.StatusSeeOther)
			return
		}
		s.sendJSON(w, r, doneJSON{r.URL.Path, said.Who})
	}
}

// readWord reads a form or a JSON object, bounded, and checks the name.
func (s *Server) readWord(w http.ResponseWriter, r *http.Request) (said word, status int, detail string) {
	r.Body = http.MaxBytesReader(w, r.Body, maxBody)
	kind, _, err := mime.ParseMediaType(r.Header.Get("Content-Type"))
	switch {
	case err == nil && kind == "application/x-www-form-urlencoded":
		if err = r.ParseForm(); err == nil {
			f := r.PostForm
			said = word{f.Get("who"), f.Get("remedy"), f.Get("why"), f.Get("for")}
		}
	case err == nil && kind == "application/json":
		d := json.NewDecoder(r.Body)
		d.DisallowUnknownFields()
		err = readObject(d, &said)
	default:
		return said, http.StatusUnsupportedMediaType, "send a form or a JSON object with who; and with remedy for a reset, else with why and for where they are asked"
	}
	var tooLarge *http.MaxBytesError
	if errors.As(err, &tooLarge) {
		return said, http.StatusRequestEntityTooLarge, fmt.Sprintf("send at most %d bytes", maxBody)
	}
	if err != nil {
		return said, http.StatusBadRequest, "the request cannot be read: send who; and remedy for a reset, else why and for where they are asked: " + err.Error()
	}
	said.Who, said.Remedy = strings.TrimSpace(said.Who), strings.TrimSpace(said.Remedy)
	said.Why, said.For = strings.TrimSpace(said.Why), strings.TrimSpace(said.For)
	if user := s.userOf(r); user != "" {
		said.Who = user // whoever is let in, and nobody else
	}
	if !plain(said.Who, maxWho) {
		said.Who = ""
		return said, http.StatusUnprocessableEntity, fmt.Sprintf("write your name: 1 to %d printable characters, with a letter", maxWho)
	}
	return said, 0, ""
}

// readObject reads one JSON object and nothing behind it.
func readObject(d *json.Decoder, into any) error {
	if err := d.Decode(into); err != nil {
		return err
	}
	if _, err := d.Token(); err != io.EOF {
		return errors.New("more stands behind the JSON object")
	}
	return nil
}

// plain says whether s is 1 to most printable characters with a letter in it.
func plain(s string, most int) bool {
	letter := false
	for _, c := range s {
		if !unicode.IsPrint(c) || c == utf8.RuneError {
			return false
		}
		letter = letter || unicode.IsLetter(c)
	}
	return letter && utf8.RuneCountInString(s) <= most
}

// refusal gives the status and the words of what the station would not do.
func refusal(err error) (string, int, string) {
	if errors.Is(err, acquire.ErrNoAlarm) || errors.Is(err, acquire.ErrNoPost) {
		return "", http.StatusNotFound, err.Error()
	}
	return "", http.StatusConflict, err.Error()
}

func (s *Server) acknowledge(r *http.Request, said word) (string, int, string) {
	if said.Why != "" && !plain(said.Why, maxRemedy) {
		return "", http.StatusUnprocessableEntity, whyWanted
	}
	do := s.o.Station.Acknowledge
	if said.Why != "" { // a remark, which whoever is told hears too
		do = func(id, who string) error {
			return s.o.Station.Act(id, alarm.Act{What: alarm.Acknowledge, Who: who, Why: said.Why}, 0)
		}
	}
	if err := do(r.PathValue("id"), said.Who); err != nil {
		return refusal(err)
	}
	return "/alarms", 0, ""
}

func (s *Server) reset(r *http.Request, said word) (string, int, string) {
	if !plain(said.Remedy, maxRemedy) {
		return "", http.StatusUnprocessableEntity,
			fmt.Sprintf("name the repair or the survey that ends this alarm: up to %d printable characters", maxRemedy)
	}
	if err := s.o.Station.Reset(r.PathValue("id"), said.Who, said.Remedy); err != nil {
		return refusal(err)
	}
	return "/alarms", 0, ""
}

func (s *Server) acceptInstrument(r *http.Request, said word) (string, int, string) {
	return s.atPost(r, said, s.o.Station.AcceptInstrument)
}

func (s *Server) zero(r *http.Request, said word) (string, int, string) {
	return s.atPost(r, said, s.o.Station.Zero)
}

// atPost does a change at the post that the path names.
func (s *Server) atPost(r *http.Request, said word, do func(post int, who string) error) (string, int, string) {
	for _, st := range s.o.Station.Stats() {
		if st.Post.ID != r.PathValue("id") {
			continue
		}
		if err := do(st.Index, said.Who); err != nil {
			return refusal(err)
		}
		return "/posts/" + url.PathEscape(st.Post.ID), 0, ""
	}
	return "", http.StatusNotFound, noSuchPost
}
