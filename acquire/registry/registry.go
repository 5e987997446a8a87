// Package registry is what a site knows of its ovens and probes: which there are,
// where they stand, what their plates say, by which limit they are judged, when
// they were tested and when they are due. All of it is written by people, so
// everything comes in as text, is checked field by field, and what is wrong is told
// by the name of its field, with what to do about it.
//
// Every change is a version of its own, with who entered it and when, and none is
// ever changed: what shaped a verdict stays. Package store keeps them. Days are
// calendar days, as their first instant in UTC.
package registry

import (
	"time"

	"ovenward/acquire/calib"
	"ovenward/acquire/quantity"
)

// Oven is one oven.
type Oven struct {
	ID        string
	Place     string // where it stands, in people's words
	Maker     string // this and the next two as its plate says; each may be empty
	Model     string
	Serial    string
	Power     quantity.Power     // W, as its plate says; 0: not known
	Frequency quantity.Frequency // Hz
	Limit     string             // id of the configuration's limit that it is judged by
	NextCheck time.Time          // the day by which it is to be tested again; zero: none
	Withdrawn bool               // out of use
	Remark    string
}

// Probe is one instrument.
type Probe struct {
	ID        string
	Maker     string // this and the next two as its plate says; each may be empty
	Model     string
	Serial    string
	NextCheck time.Time // the day by which it is to be looked at, beside its calibration; zero: none
	Withdrawn bool
	Remark    string
}

// Version says who made a version, when, and from when on it holds.
type Version struct {
	Number    int64     `json:"version"` // given by the record, rising
	ValidFrom time.Time `json:"valid_from"`
	EnteredAt time.Time `json:"entered_at"`
	Who       string    `json:"who"`
	Why       string    `json:"why,omitempty"`
}

// Configuration is who enters what comes from the configuration.
const Configuration = "configuration"

// OvenVersion is one version of an oven.
type OvenVersion struct {
	Oven
	Version
}

// ProbeVersion is one version of a probe.
type ProbeVersion struct {
	Probe
	Version
}

// Certificate is a calibration of a probe. Of several with one number the newest
// counts; one that was taken back counts no more.
type Certificate struct {
	Probe string
	calib.Certificate
	TakenBack bool
	Version
}

// Test is one entry of an oven's history: an inspection, a survey, a repair.
type Test struct {
	Number    int64 // given by the record
	Oven      string
	On        time.Time // the day
	Kind      string    // one of Kinds
	By        string    // who did it, or which firm
	Outcome   string    // one of Outcomes; empty: nothing was judged
	Highest   quantity.PowerDensity
	HasValue  bool // Highest is one
	Text      string
	EnteredAt time.Time
	Who       string // who entered it
}

// Kinds lists what an entry of the history can be.
func Kinds() []string { return []string{"inspection", "survey", "repair", "other"} }

// Outcomes lists what an inspection or survey can come to.
func Outcomes() []string { return []string{"within", "exceeds", "not decided"} }

// Newest returns the certificates of a probe that count, each number once.
func Newest(all []Certificate, probe string) []Certificate {
	var out []Certificate
	at := map[string]int{}
	for _, c := range all { // in the order in which they were entered
		if c.Probe != probe {
			continue
		}
		i, known := at[c.Certificate.Number]
		if !known {
			i = len(out)
			at[c.Certificate.Number] = i
			out = append(out, c)
		}
		out[i] = c
	}
	kept := out[:0]
	for _, c := range out {
		if !c.TakenBack {
			kept = append(kept, c)
		}
	}
	return kept
}
