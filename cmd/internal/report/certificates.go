package report

import (
	"fmt"
	"math"
	"time"

	"ovenward/acquire/calib"
)

// Certificates is the status of all probes' certificates on a day.
type Certificates struct {
	Site    string
	As      time.Time
	Probes  []Held
	Record  Record
	Version string
}

// Held is a probe and its certificates.
type Held struct {
	Probe     string
	Identity  string
	Posts     []string // where it stands; none: it is not in use
	Simulated bool
	Now       *calib.Certificate   // in force, overdue or not valid yet; nil: none
	Earlier   []*calib.Certificate // the newest first
}

// Standing is what a certificate is worth on a day.
type Standing string

const (
	Valid    Standing = "valid"
	DueSoon  Standing = "due within 60 days"
	Overdue  Standing = "OVERDUE"
	NotYet   Standing = "NOT VALID YET"
	NoneHeld Standing = "NO CERTIFICATE"
)

// dueSoon is how long before it is due a certificate is told: time for a
// laboratory. Our own choice, no source.
const dueSoon = 60 * 24 * time.Hour

// StandingOf tells what a certificate is worth at an instant.
func StandingOf(c *calib.Certificate, at time.Time) Standing {
	switch {
	case c == nil:
		return NoneHeld
	case at.Before(c.Date):
		return NotYet
	case !at.Before(c.Due):
		return Overdue
	case !at.Add(dueSoon).Before(c.Due):
		return DueSoon
	}
	return Valid
}

// Document makes the report.
func (c *Certificates) Document() *Document {
	d := &Document{Kind: "certificates", Title: "Certificates of the probes", Site: c.Site, As: c.As, Version: c.Version, Of: "as of " + stamp(c.As)}
	counts := map[Standing]int{}
	t := &Table{Columns: []Column{{"Probe", false}, {"Identity", false}, {"Stands at", false}, {"Number", false}, {"Laboratory", false}, {"Date", false}, {"Due", false}, {"Status", false}, {"Days left", true}, {"Factor", true}, {"Expanded uncertainty", true}},
		None: "There is no probe in the record."}
	for _, h := range c.Probes {
		d.Simulated = d.Simulated || h.Simulated
		st := StandingOf(h.Now, c.As)
		counts[st]++
		t.Rows = append(t.Rows, h.row(st, c.As))
	}
	d.add("Status", &Paragraph{Verdict, fmt.Sprintf("%s: %d valid, %d due within 60 days, %d overdue, %d not valid yet, %d without a certificate", plural(len(c.Probes), "probe"),
		counts[Valid], counts[DueSoon], counts[Overdue], counts[NotYet], counts[NoneHeld])}, t,
		&Paragraph{Plain, "A probe without a certificate in force gives values that are uncalibrated: they can exceed a limit and are never within one. A certificate is overdue from the start of the day it is due, UTC."})
	d.add("Earlier certificates", c.earlier())
	d.add("Record", c.Record.blocks()...)
	d.add("Cautions", cautions()...)
	d.add("Signatures", &Signatures{[]string{"Made by"}})
	return d
}

func (h *Held) row(st Standing, at time.Time) []Cell {
	name := h.Probe
	if h.Simulated {
		name += " (SIMULATED)"
	}
	stands := "not in use"
	if len(h.Posts) > 0 {
		stands = join(h.Posts...)
	}
	r := []Cell{raw(name), words(h.Identity), raw(stands)}
	if h.Now == nil {
		return append(r, raw("none"), raw(""), raw(""), raw(""), raw(string(st)), raw(""), raw(""), raw(""))
	}
	const long = 24 * time.Hour // whole days, each of UTC as the day it is due: as the page counts them
	left := math.Round(h.Now.Due.UTC().Truncate(long).Sub(at.UTC().Truncate(long)).Hours() / 24)
	return append(r, raw(h.Now.Number), words(h.Now.Laboratory), raw(day(h.Now.Date)), raw(day(h.Now.Due)), raw(string(st)),
		of(number(left, 1), left*86400, "s"), factorOf(h.Now), uncertaintyOf(h.Now))
}

func (c *Certificates) earlier() Block {
	t := &Table{Columns: []Column{{"Probe", false}, {"Number", false}, {"Laboratory", false}, {"Date", false}, {"Due", false}, {"Factor", true}, {"As found", true}, {"Expanded uncertainty", true}},
		None: "There is none in the record."}
	for _, h := range c.Probes {
		for _, e := range h.Earlier {
			found := raw(notStated)
			if e.AsFound > 0 {
				found = of(fmt.Sprintf("%.5g", e.AsFound), e.AsFound, "1")
			}
			t.Rows = append(t.Rows, []Cell{raw(h.Probe), raw(e.Number), words(e.Laboratory), raw(day(e.Date)), raw(day(e.Due)), factorOf(e), found, uncertaintyOf(e)})
		}
	}
	return t
}
