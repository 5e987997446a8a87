package web

import (
	"bytes"
	"fmt"
	"net/http"

	"ovenward/acquire/registry"
)

// importedJSON is what came of a table: all of it was taken.
type importedJSON struct {
	Rows  int    `json:"rows"`
	Added int    `json:"added"`
	Who   string `json:"who"`
}

// serveOvensTable answers with the register of ovens as a table, which import
// takes back.
func (s *Server) serveOvensTable(w http.ResponseWriter, r *http.Request) {
	all, err := s.ovens(r.Context())
	if err != nil {
		s.unread(w, r, err)
		return
	}
	var list []registry.Oven
	for _, o := range all {
		o.Withdrawn = isWithdrawn(o.Oven, o.posts)
		list = append(list, o.Oven)
	}
	var body bytes.Buffer
	if err := registry.OvenForm(s.limits()).Write(&body, list); err != nil { // memory takes all that is written
		s.unread(w, r, err)
		return
	}
	sendTable(w, r, "ovens", body.Bytes())
}

func (s *Server) serveProbesTable(w http.ResponseWriter, r *http.Request) {
	all, err := s.probes(r.Context())
	if err != nil {
		s.unread(w, r, err)
		return
	}
	var list []registry.ProbeRow
	for _, p := range all {
		list = append(list, p.row())
	}
	var body bytes.Buffer
	if err := registry.ProbeTable().Write(&body, list); err != nil {
		s.unread(w, r, err)
		return
	}
	sendTable(w, r, "probes", body.Bytes())
}

// row is a probe with the newest of its certificates, by date.
func (p probeAt) row() registry.ProbeRow {
	row := registry.ProbeRow{Probe: p.Probe}
	for _, c := range p.certificates {
		if row.Newest.Number == "" || c.Date.After(row.Newest.Date) {
			row.Newest = c.Certificate
		}
	}
	return row
}

func sendTable(w http.ResponseWriter, r *http.Request, name string, body []byte) {
	w.Header().Set("Content-Disposition", `attachment; filename="`+name+`.csv"`)
	sendWhole(w, r, http.StatusOK, "text/csv; charset=utf-8", body, body)
}

// wrongRows tells every bad row of a table.
func wrongRows(rows []registry.RowFault) *trouble {
	return &trouble{status: http.StatusUnprocessableEntity, rows: rows,
		detail: fmt.Sprintf("nothing of the table was taken, for %s in it; the first: %v", count(len(rows), "thing is wrong", "things are wrong"), rows[0])}
}

// importOvens takes a table of ovens, all of it or nothing.
func (s *Server) importOvens(w http.ResponseWriter, r *http.Request) {
	e, t := s.begin(w, r)
	done := importedJSON{Who: e.who}
	if t == nil {
		var all []ovenAt
		var err error
		if all, err = s.ovens(r.Context()); err != nil {
			t = &trouble{status: http.StatusServiceUnavailable, detail: "the record could not be read: " + err.Error()}
		} else {
			done, t = s.takeOvens(r, e, all)
		}
	}
	s.settle(w, r, e, t, "/ovens", func() (any, error) { return done, nil }, func(e edit, t *trouble) { s.showOvens(w, r, t.status, e, t) })
}

func (s *Server) takeOvens(r *http.Request, e edit, all []ovenAt) (done importedJSON, t *trouble) {
	known := map[string]registry.Oven{}
	base := map[string]int64{}
	for _, o := range all {
		o.Withdrawn = isWithdrawn(o.Oven, o.posts)
		known[o.ID], base[o.ID] = o.Oven, o.Number
	}
	rows, faults := registry.OvenForm(s.limits()).Read(e.table, func(id string) (registry.Oven, bool) { o, ok := known[id]; return o, ok }, nil)
	if len(faults) > 0 {
		return done, wrongRows(faults)
	}
	for _, o := range rows {
		if o.Withdrawn != known[o.ID].Withdrawn && e.why == "" {
			return done, wrongFields([]registry.Fault{{Field: "why", Why: "the table takes an oven out of use, or back (" + o.ID + ")", Do: "write why"}})
		}
	}
	entry := registry.Entry{Who: e.who, Why: e.why, ValidFrom: e.validFrom}
	done = importedJSON{Rows: len(rows), Who: e.who}
	for _, o := range rows {
		version := base[o.ID]
		if version == 0 {
			version = registry.New
			done.Added++
		}
		entry.Ovens = append(entry.Ovens, registry.OvenEntry{Oven: o, Base: version})
	}
	if t = s.enter(r, entry); t != nil {
		return done, t
	}
	for _, o := range rows {
		if t = s.tellWithdrawn(o, e.who, e.why); t != nil {
			return done, t
		}
	}
	return done, nil
}

// importProbes takes a table of probes and their newest certificates, all of it or
// nothing.
func (s *Server) importProbes(w http.ResponseWriter, r *http.Request) {
	e, t := s.begin(w, r)
	done := importedJSON{Who: e.who}
	if t == nil {
		var all []probeAt
		var err error
		if all, err = s.probes(r.Context()); err != nil {
			t = &trouble{status: http.StatusServiceUnavailable, detail: "the record could not be read: " + err.Error()}
		} else {
			done, t = s.takeProbes(r, e, all)
		}
	}
	s.settle(w, r, e, t, "/probes", func() (any, error) { return done, nil }, func(e edit, t *trouble) { s.showProbes(w, r, t.status, e, t) })
}

func (s *Server) takeProbes(r *http.Request, e edit, all []probeAt) (done importedJSON, t *trouble) {
	known := map[string]probeAt{}
	for _, p := range all {
		known[p.ID] = p
	}
	rows, faults := registry.ProbeTable().Read(e.table, func(id string) (registry.ProbeRow, bool) { p, ok := known[id]; return p.row(), ok },
		registry.ProbeRow.CheckRow)
	if len(faults) > 0 {
		return done, wrongRows(faults)
	}
	entry := registry.Entry{Who: e.who, Why: e.why, ValidFrom: e.validFrom}
	done = importedJSON{Rows: len(rows), Who: e.who}
	for _, row := range rows {
		was, old := known[row.ID]
		base := was.Number
		if !old {
			base = registry.New
			done.Added++
		}
		entry.Probes = append(entry.Probes, registry.ProbeEntry{Probe: row.Probe, Base: base})
		if c := row.Newest; c.Number != "" && !c.Equal(was.row().Newest) {
			entry.Certificates = append(entry.Certificates, registry.Certificate{Probe: row.ID, Certificate: c})
		}
	}
	return done, s.enter(r, entry)
}
