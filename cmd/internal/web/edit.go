package web

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"mime"
	"net/http"
	"strconv"
	"strings"
	"time"

	"ovenward/acquire/civil"
	"ovenward/acquire/registry"
)

// edit is what somebody sends to change the register: who, why, from when on, from
// which version, and the fields as text.
type edit struct {
	who, why  string
	validFrom time.Time // zero: from now on
	base      int64     // 0: whichever version is the newest
	fields    map[string]string
	table     []byte // of an import
}

// trouble is why a change was not made.
type trouble struct {
	status int
	detail string
	faults []registry.Fault
	rows   []registry.RowFault
}

// Bounds of what is sent.
const (
	maxEdit  = 64 << 10 // bytes
	maxTable = 4 << 20  // bytes
)

// begin checks that a request may change things, reads what it sends, and names
// who does it.
func (s *Server) begin(w http.ResponseWriter, r *http.Request) (e edit, t *trouble) {
	if why := s.mayChange(r); why != "" {
		return e, &trouble{status: http.StatusForbidden, detail: why}
	}
	sent, t := readEdit(w, r)
	if t != nil {
		return e, t
	}
	e.table = sent.table
	take := func(name string) string {
		text := strings.TrimSpace(sent.fields[name])
		delete(sent.fields, name)
		return text
	}
	e.who, e.why, e.fields = take("who"), take("why"), sent.fields
	if user := s.userOf(r); user != "" {
		e.who = user
	}
	from, base := take("valid_from"), take("base")
	var faults []registry.Fault
	if !plain(e.who, maxWho) {
		faults = append(faults, registry.Fault{Field: "who", Value: e.who, Why: "who changes something is kept with it", Do: fmt.Sprintf("write your name: 1 to %d printable characters, with a letter", maxWho)})
	}
	if e.why != "" && !plain(e.why, maxRemedy) {
		faults = append(faults, registry.Fault{Field: "why", Value: e.why, Why: "it is no plain text", Do: fmt.Sprintf("write up to %d printable characters, or leave it out", maxRemedy)})
	}
	var err error
	if e.validFrom, err = registry.ParseDay(from); err != nil || e.validFrom.After(s.today()) {
		faults = append(faults, registry.Fault{Field: "valid_from", Value: from, Why: "it is no day up to today", Do: "write year-month-day, or leave it out: the change then holds from now on"})
	}
	if !e.validFrom.IsZero() {
		e.validFrom = civil.Begin(e.validFrom.Year(), e.validFrom.Month(), e.validFrom.Day(), s.zone).UTC()
	}
	if base != "" {
		if e.base, err = strconv.ParseInt(base, 10, 64); err != nil || e.base < 1 {
			faults = append(faults, registry.Fault{Field: "base", Value: base, Why: "it is no number of a version", Do: "write the version that you changed, or leave it out"})
		}
	}
	if len(faults) > 0 {
		return e, wrongFields(faults)
	}
	return e, nil
}

// today is the site's civil day, as ParseDay gives one.
func (s *Server) today() time.Time {
	y, m, d := s.o.Now().In(s.zone).Date()
	return time.Date(y, m, d, 0, 0, 0, 0, time.UTC)
}

func wrongFields(faults []registry.Fault) *trouble {
	detail := faults[0].Error()
	if len(faults) > 1 {
		detail = fmt.Sprintf("%d fields are not right, and nothing was changed; the first: %s", len(faults), detail)
	}
	return &trouble{status: http.StatusUnprocessableEntity, detail: detail, faults: faults}
}

// readEdit reads a form, a JSON object of texts, or a table as CSV.
func readEdit(w http.ResponseWriter, r *http.Request) (e edit, t *trouble) {
	kind, _, err := mime.ParseMediaType(r.Header.Get("Content-Type"))
	most := int64(maxEdit)
	if kind == "text/csv" || kind == "multipart/form-data" {
		most = maxTable
	}
	r.Body = http.MaxBytesReader(w, r.Body, most)
	e.fields = map[string]string{}
	switch {
	case err != nil:
	case kind == "application/x-www-form-urlencoded":
		err = r.ParseForm()
		for name := range r.PostForm {
			e.fields[name] = r.PostForm.Get(name)
		}
	case kind == "application/json":
		err = readFields(r.Body, e.fields)
	case kind == "text/csv":
		e.table, err = io.ReadAll(r.Body)
		for _, name := range []string{"who", "why", "valid_from"} {
			e.fields[name] = r.URL.Query().Get(name)
		}
	case kind == "multipart/form-data":
		err = readParts(r, &e)
	default:
		err = errors.New("its Content-Type is not known here")
	}
	var tooLarge *http.MaxBytesError
	switch {
	case errors.As(err, &tooLarge):
		return e, &trouble{status: http.StatusRequestEntityTooLarge, detail: fmt.Sprintf("send at most %d bytes", most)}
	case err != nil:
		return e, &trouble{status: http.StatusBadRequest, detail: "the request cannot be read: send a form, a JSON object of texts, or a table as text/csv: " + err.Error()}
	}
	return e, nil
}

// readFields reads a JSON object whose members are texts, or numbers for base.
func readFields(from io.Reader, to map[string]string) error {
	var said map[string]any
	d := json.NewDecoder(from)
	d.UseNumber()
	if err := readObject(d, &said); err != nil {
		return err
	}
	for name, v := range said {
		switch v := v.(type) {
		case string:
			to[name] = v
		case json.Number:
			if name != "base" {
				return fmt.Errorf("%s: write it as a text with its unit, such as \"2450 MHz\"", name)
			}
			to[name] = v.String()
		case nil:
		default:
			return fmt.Errorf("%s: write it as a text", name)
		}
	}
	return nil
}

// readParts reads a form with a file named table.
func readParts(r *http.Request, e *edit) error {
	parts, err := r.MultipartReader()
	if err != nil {
		return err
	}
	for {
		p, err := parts.NextPart()
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return err
		}
		body, err := io.ReadAll(p)
		if err != nil {
			return err
		}
		if p.FormName() == "table" {
			e.table = body
		} else {
			e.fields[p.FormName()] = string(body)
		}
	}
}

// enter makes a change of the register, once the configuration could be watched by
// with it.
func (s *Server) enter(r *http.Request, e registry.Entry) *trouble {
	if s.o.Try != nil {
		if err := s.o.Try(r.Context(), e); err != nil {
			return &trouble{status: http.StatusUnprocessableEntity, detail: "the configuration does not go together with that, and nothing was changed: " + err.Error()}
		}
	}
	err := s.o.Register.Enter(r.Context(), e, s.o.Now())
	switch {
	case err == nil:
		return nil
	case errors.Is(err, registry.ErrNone):
		return &trouble{status: http.StatusNotFound, detail: err.Error()}
	case errors.Is(err, registry.ErrStale), errors.Is(err, registry.ErrExists):
		return &trouble{status: http.StatusConflict, detail: err.Error()}
	}
	s.log.Error("the register could not be changed", "err", err)
	return &trouble{status: http.StatusServiceUnavailable, detail: "the record could not be written: " + err.Error()}
}

// settle answers a change of the register: a browser is led on or shown the page
// again by back, a program gets JSON.
func (s *Server) settle(w http.ResponseWriter, r *http.Request, e edit, t *trouble, to string, answer func() (any, error), back func(edit, *trouble)) {
	if t != nil {
		s.log.Warn("a change was refused", "path", r.URL.Path, "who", e.who, "from", r.RemoteAddr, "status", t.status, "why", t.detail)
		if wantsPage(r) {
			back(e, t)
			return
		}
		p := newProblem(r, t.status, t.detail)
		p.Faults, p.Rows = t.faults, t.rows
		writeProblem(w, p)
		return
	}
	s.log.Info("a change was made", "path", r.URL.Path, "who", e.who, "from", r.RemoteAddr)
	if wantsPage(r) {
		http.Redirect(w, r, to, http.StatusSeeOther)
		return
	}
	body, err := answer()
	if err != nil {
		s.unread(w, r, err)
		return
	}
	s.sendJSON(w, r, body)
}

// unread answers that the record could not be read.
func (s *Server) unread(w http.ResponseWriter, r *http.Request, err error) {
	s.log.Error("the record could not be read", "path", r.URL.Path, "err", err)
	sendProblem(w, r, http.StatusServiceUnavailable, "the record could not be read: "+err.Error())
}
