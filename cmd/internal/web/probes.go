package web

import (
	"context"
	"fmt"
	"net/http"
	"net/url"
	"strings"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/calib"
	"ovenward/acquire/registry"
)

func (s *Server) addProbes(rt routes) {
	rt.get("/probes", func(w http.ResponseWriter, r *http.Request) { s.showProbes(w, r, http.StatusOK, edit{}, nil) })
	rt.get("/api/v1/probes", s.serveProbes)
	rt.get("/api/v1/probes.csv", s.serveProbesTable)
	rt.edit("/api/v1/probes", s.newProbe)
	rt.edit("/api/v1/probes/import", s.importProbes)
}

func (s *Server) addProbe(rt routes) {
	rt.get("/probes/{id}", func(w http.ResponseWriter, r *http.Request) { s.showProbe(w, r, http.StatusOK, edit{}, nil) })
	rt.get("/api/v1/probes/{id}", s.serveProbe)
	rt.edit("/api/v1/probes/{id}", s.changeProbe)
	rt.edit("/api/v1/probes/{id}/certificates", s.newCertificate)
	rt.edit("/api/v1/probes/{id}/certificates/take-back", s.takeBackCertificate)
}

// probeAt is one probe as both page and API tell it.
type probeAt struct {
	registry.ProbeVersion
	certificates []registry.Certificate // that count
	inForce      *calib.Certificate     // nil: none
	post         *acquire.Stats         // where it stands; nil: at no post
}

// probes reads the register and puts beside each probe where it stands.
func (s *Server) probes(ctx context.Context) ([]probeAt, error) {
	if s.o.Register == nil {
		return nil, nil
	}
	all, err := s.o.Register.Probes(ctx)
	if err != nil {
		return nil, err
	}
	certificates, err := s.o.Register.Certificates(ctx)
	if err != nil {
		return nil, err
	}
	stats := s.o.Station.Stats()
	var out []probeAt
	for _, p := range all {
		at := probeAt{ProbeVersion: p, certificates: registry.Newest(certificates, p.ID)}
		var list []*calib.Certificate
		for i := range at.certificates {
			list = append(list, &at.certificates[i].Certificate)
		}
		at.inForce = calib.InForce(list, s.o.Now())
		for i := range stats {
			if stats[i].Post.Probe.ID == p.ID {
				at.post = &stats[i]
			}
		}
		out = append(out, at)
	}
	return out, nil
}

func (s *Server) findProbe(ctx context.Context, id string) (probeAt, bool, error) {
	all, err := s.probes(ctx)
	for _, p := range all {
		if p.ID == id {
			return p, true, nil
		}
	}
	return probeAt{}, false, err
}

// calibration is how a probe fares with its calibration.
type calibration string

const (
	calibrated  calibration = "calibrated"
	calDue      calibration = "due soon"
	calOverdue  calibration = "overdue"
	calNone     calibration = "no certificate"
	calNotYet   calibration = "not valid yet"
	dueSoon                 = 30 * 24 * time.Hour
	noSuchProbe             = "no such probe: /api/v1/probes lists them"
)

// calibration says how a probe fares at an instant, by the register.
func (p probeAt) calibration(now time.Time) calibration {
	switch c := p.inForce; {
	case c == nil:
		return calNone
	case now.Before(c.Date):
		return calNotYet
	case overdue(c.Due, now):
		return calOverdue
	case overdue(c.Due.Add(-dueSoon), now):
		return calDue
	}
	return calibrated
}

// waits tells which certificate the running station goes by, where that is
// another one than the register's.
func (p probeAt) waits(now time.Time) []string {
	if p.post == nil {
		return nil
	}
	name := func(c *calib.Certificate) string {
		if c == nil {
			return "no certificate"
		}
		return "certificate " + c.Number
	}
	runs := calib.InForce(p.post.Post.Probe.Certificates(), now)
	if runs == p.inForce || runs != nil && p.inForce != nil && runs.Equal(*p.inForce) {
		return nil
	}
	return []string{fmt.Sprintf("readings are corrected by %s until the configuration is loaded again, then by %s as the register has it", name(runs), name(p.inForce))}
}

// probeJSON is a probe as the API shows it.
type probeJSON struct {
	ID          string      `json:"id"`
	Maker       string      `json:"maker"`
	Model       string      `json:"model"`
	Serial      string      `json:"serial"`
	NextCheck   string      `json:"next_check"` // a day; empty: none
	State       string      `json:"state"`      // in use or withdrawn
	Remark      string      `json:"remark"`
	Post        string      `json:"post"` // where it stands; empty: at none
	Condition   string      `json:"condition"`
	Vitals      *vitalsJSON `json:"probe_says"` // null: it stands at no post
	BatteryLow  bool        `json:"battery_low"`
	Calibration string      `json:"calibration"` // calibrated, due soon, overdue, not valid yet or no certificate
	Certificate string      `json:"certificate"` // number of the one that counts now; empty: none
	Due         string      `json:"calibration_due"`
	Waits       []string    `json:"waits_for_restart"`

	Certificates []certJSON `json:"certificates,omitempty"`
	Versions     []verJSON  `json:"versions,omitempty"`
	registry.Version
}

// certJSON is a certificate as the API shows it.
type certJSON struct {
	Number     string `json:"number"`
	Laboratory string `json:"laboratory"`
	Date       string `json:"date"`
	Due        string `json:"due"`
	Factor     number `json:"factor"`
	U          number `json:"expanded_uncertainty_ratio"`
	K          number `json:"k"`
	AsFound    number `json:"as_found"` // null: not stated
	Tables     bool   `json:"has_tables"`
	TakenBack  bool   `json:"taken_back"`
	registry.Version
}

func (s *Server) probeOf(p probeAt) probeJSON {
	now := s.o.Now()
	j := probeJSON{ID: p.ID, Maker: p.Maker, Model: p.Model, Serial: p.Serial, NextCheck: registry.PrintDay(p.NextCheck), State: "in use", Remark: p.Remark,
		Calibration: string(p.calibration(now)), Waits: append([]string{}, p.waits(now)...), Version: p.Version}
	if p.Withdrawn {
		j.State = "withdrawn"
	}
	if p.post != nil {
		v := vitalsOf(p.post.Vitals)
		j.Post, j.Condition, j.Vitals, j.BatteryLow = p.post.Post.ID, string(p.post.Condition), &v, p.post.Battery
	}
	if p.inForce != nil {
		j.Certificate, j.Due = p.inForce.Number, registry.PrintDay(p.inForce.Due)
	}
	return j
}

func certOf(c registry.Certificate) certJSON {
	j := certJSON{c.Certificate.Number, c.Laboratory, registry.PrintDay(c.Date), registry.PrintDay(c.Due), number(c.Factor), number(c.U), number(c.K),
		notKnown(), len(c.ByFrequency)+len(c.ByLevel) > 0, c.TakenBack, c.Version}
	if c.AsFound != 0 {
		j.AsFound = number(c.AsFound)
	}
	return j
}

func (s *Server) serveProbes(w http.ResponseWriter, r *http.Request) {
	all, err := s.probes(r.Context())
	if err != nil {
		s.unread(w, r, err)
		return
	}
	out := probesJSON{Probes: []probeJSON{}}
	for _, p := range all {
		out.Probes = append(out.Probes, s.probeOf(p))
	}
	s.sendJSON(w, r, out)
}

func (s *Server) serveProbe(w http.ResponseWriter, r *http.Request) {
	j, found, err := s.wholeProbe(r.Context(), r.PathValue("id"))
	switch {
	case err != nil:
		s.unread(w, r, err)
	case !found:
		sendProblem(w, r, http.StatusNotFound, noSuchProbe)
	default:
		s.sendJSON(w, r, j)
	}
}

// wholeProbe is a probe with all its certificates and versions.
func (s *Server) wholeProbe(ctx context.Context, id string) (j probeJSON, found bool, err error) {
	p, found, err := s.findProbe(ctx, id)
	if err != nil || !found {
		return j, found, err
	}
	j = s.probeOf(p)
	certificates, err := s.o.Register.Certificates(ctx)
	if err != nil {
		return j, true, err
	}
	for i := len(certificates) - 1; i >= 0; i-- { // the newest entry first
		if certificates[i].Probe == id {
			j.Certificates = append(j.Certificates, certOf(certificates[i]))
		}
	}
	versions, err := s.o.Register.ProbeVersions(ctx, id)
	for i, v := range versions {
		var before registry.Probe
		if i+1 < len(versions) {
			before = versions[i+1].Probe
		}
		j.Versions = append(j.Versions, verJSON{v.Version, append([]string{}, registry.ProbeForm().Changes(before, v.Probe)...)})
	}
	return j, true, err
}

func probePath(id string) string { return "/probes/" + url.PathEscape(id) }

// theProbe is the probe that the path names.
func (s *Server) theProbe(r *http.Request) (probeAt, *trouble) {
	p, found, err := s.findProbe(r.Context(), r.PathValue("id"))
	switch {
	case err != nil:
		return p, &trouble{status: http.StatusServiceUnavailable, detail: "the record could not be read: " + err.Error()}
	case !found:
		return p, &trouble{status: http.StatusNotFound, detail: noSuchProbe}
	}
	return p, nil
}

// newProbe registers a probe.
func (s *Server) newProbe(w http.ResponseWriter, r *http.Request) {
	e, t := s.begin(w, r)
	var p registry.Probe
	if t == nil {
		var faults []registry.Fault
		if p, faults = registry.ProbeForm().Parse(registry.Probe{}, e.fields); len(faults) > 0 {
			t = wrongFields(faults)
		} else {
			t = s.enter(r, registry.Entry{Who: e.who, Why: e.why, ValidFrom: e.validFrom, Probes: []registry.ProbeEntry{{Probe: p, Base: registry.New}}})
		}
	}
	s.settle(w, r, e, t, probePath(p.ID), func() (any, error) { j, _, err := s.wholeProbe(r.Context(), p.ID); return j, err },
		func(e edit, t *trouble) { s.showProbes(w, r, t.status, e, t) })
}

// onProbe does a change to the probe that the path names.
func (s *Server) onProbe(w http.ResponseWriter, r *http.Request, make func(e edit, p probeAt) (registry.Entry, []registry.Fault)) {
	id := r.PathValue("id")
	e, t := s.begin(w, r)
	if t == nil {
		var p probeAt
		if p, t = s.theProbe(r); t == nil {
			entry, faults := make(e, p)
			if len(faults) > 0 {
				t = wrongFields(faults)
			} else {
				entry.Who, entry.Why, entry.ValidFrom = e.who, e.why, e.validFrom
				t = s.enter(r, entry)
			}
		}
	}
	s.settle(w, r, e, t, probePath(id), func() (any, error) { j, _, err := s.wholeProbe(r.Context(), id); return j, err },
		func(e edit, t *trouble) { s.showProbe(w, r, t.status, e, t) })
}

// changeProbe makes a new version of a probe.
func (s *Server) changeProbe(w http.ResponseWriter, r *http.Request) {
	s.onProbe(w, r, func(e edit, p probeAt) (registry.Entry, []registry.Fault) {
		is, faults := registry.ProbeForm().Parse(p.Probe, e.fields)
		if is.ID != p.ID {
			faults = append(faults, registry.Fault{Field: "id", Value: is.ID, Why: "a probe keeps its name in the record", Do: "write " + p.ID + ", or leave it out"})
		}
		return registry.Entry{Probes: []registry.ProbeEntry{{Probe: is, Base: e.base}}}, faults
	})
}

// newCertificate enters a certificate of a probe, or one with a known number anew.
func (s *Server) newCertificate(w http.ResponseWriter, r *http.Request) {
	s.onProbe(w, r, func(e edit, p probeAt) (registry.Entry, []registry.Fault) {
		was := registry.Certificate{Probe: p.ID}
		for _, c := range p.certificates {
			if c.Certificate.Number == strings.TrimSpace(e.fields["number"]) {
				was.Certificate = c.Certificate // with its tables, which no form has
			}
		}
		c, faults := registry.CertificateForm().Parse(was, e.fields)
		return registry.Entry{Certificates: []registry.Certificate{c}}, faults
	})
}

// takeBackCertificate makes a certificate count no more.
func (s *Server) takeBackCertificate(w http.ResponseWriter, r *http.Request) {
	s.onProbe(w, r, func(e edit, p probeAt) (registry.Entry, []registry.Fault) {
		number := e.fields["number"]
		for _, c := range p.certificates {
			if c.Certificate.Number == number {
				c.TakenBack = true
				if e.why == "" {
					return registry.Entry{}, []registry.Fault{{Field: "why", Why: "a certificate is taken back for a reason", Do: "write why"}}
				}
				return registry.Entry{Certificates: []registry.Certificate{c}}, nil
			}
		}
		return registry.Entry{}, []registry.Fault{{Field: "number", Value: number, Why: "the probe has no such certificate that counts", Do: "write the number of one that it has"}}
	})
}
