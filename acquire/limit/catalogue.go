package limit

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"ovenward/acquire/field"
	"ovenward/acquire/quantity"
)

// Status says how a figure of the catalogue was checked.
type Status string

const (
	Seen         Status = "read in the document itself"
	Reproduced   Status = "read in a page or file that reproduces the document"
	CrossChecked Status = "agrees with an independent published number"
	FromMemory   Status = "not confirmed"
)

// Confirmed says whether the figure may be presented as the document's.
func (s Status) Confirmed() bool { return s == Seen || s == Reproduced || s == CrossChecked }

// Entry is a built-in limit: a document, one of its tiers, and its figures by
// frequency. No entry applies by itself: the site names the ones that do.
type Entry struct {
	ID      string
	Title   string // whose limit, and for what
	Source  string // the document and its place in it
	Edition string
	Tier    string // as the document calls it
	Basis   Basis
	Local   bool // for a part of the body

	Distance    quantity.Length // emission limits only
	Slowest     time.Duration   // response to 90 % that the document asks at most; 0: none
	Averaging   time.Duration   // 0: a maximum, or not stated
	AveragingAs Status
	PulseS      float64 // the mean over one pulse may be this many times S, and
	PulseE      float64 // E in it this many times E; 0: not in our table
	PulseAs     Status
	CitedAbove  float64
	CitedBy     string
	Bands       []Band
	Notes       []string
}

// Band is a range of frequency with the levels that hold in it, both ends
// included unless Above is set.
type Band struct {
	From, To    quantity.Frequency // Hz
	Above       bool               // From itself is not in the band
	S           Formula            // W/m²
	E           Formula            // V/m, root mean square
	H           Formula            // A/m, root mean square
	As          Status             // of the level that is judged: S, or E where there is no S
	FieldsAs    Status             // of E and H where they stand beside S
	Averaging   Formula            // s; zero: as the entry says
	AveragingAs Status             // empty: as the entry says
	NoAveraging bool               // the entry's does not hold here, and our table has no other
}

// Formula is Times × f^Power / Over, f in MHz. The zero value is no level.
type Formula struct {
	Times, Power, Over float64
}

// Set says whether there is a level.
func (f Formula) Set() bool { return f.Times != 0 }

// At evaluates the level at a frequency.
func (f Formula) At(freq quantity.Frequency) float64 {
	if !f.Set() {
		return math.NaN()
	}
	v := f.Times * math.Pow(float64(freq)/1e6, f.Power)
	if f.Over != 0 {
		v /= f.Over
	}
	return v
}

// Level is an entry at one frequency.
type Level struct {
	Value       quantity.PowerDensity // W/m²
	FromE       bool                  // Value is E²/Z0 of a level in V/m, plane wave, Z0 of CODATA 2022
	E, H        float64               // V/m and A/m; NaN where the document gives none
	Averaging   time.Duration
	As          Status // of Value
	FieldsAs    Status // of E and H
	AveragingAs Status
	Band        Band
}

// At evaluates an entry. Where two bands meet and both hold, the lower level
// counts. Outside all bands the error says which there are.
func (e Entry) At(f quantity.Frequency) (Level, error) {
	best, found := Level{}, false
	for _, b := range e.Bands {
		if !(f >= b.From && f <= b.To) || b.Above && f == b.From {
			continue
		}
		if l := b.level(e, f); !found || l.Value < best.Value {
			best, found = l, true
		}
	}
	if !found {
		return best, fmt.Errorf("%s is outside the bands of %s, which are %s", f, e.ID, e.bands())
	}
	return best, nil
}

func (b Band) level(e Entry, f quantity.Frequency) Level {
	l := Level{E: b.E.At(f), H: b.H.At(f), As: b.As, FieldsAs: b.FieldsAs, Averaging: e.Averaging, AveragingAs: e.AveragingAs, Band: b}
	if b.AveragingAs != "" {
		l.AveragingAs = b.AveragingAs
	}
	if b.S.Set() {
		l.Value = quantity.PowerDensity(b.S.At(f))
	} else {
		l.FromE, l.FieldsAs = true, b.As
		l.Value = quantity.PowerDensity(field.CODATA2022.Convert(l.E, quantity.KindElectricField, quantity.KindPowerDensity))
	}
	switch {
	case b.NoAveraging:
		l.Averaging, l.AveragingAs = 0, ""
	case b.Averaging.Set():
		l.Averaging = time.Duration(b.Averaging.At(f) * float64(time.Second)).Round(time.Second)
	}
	return l
}

// bands lists the ranges of frequency, those that touch as one.
func (e Entry) bands() string {
	var all []string
	for i := 0; i < len(e.Bands); {
		from, to := e.Bands[i].From, e.Bands[i].To
		for i++; i < len(e.Bands) && e.Bands[i].From <= to; i++ {
			to = max(to, e.Bands[i].To)
		}
		all = append(all, fmt.Sprintf("%s to %s", from, to))
	}
	return strings.Join(all, " and ")
}

// Unconfirmed says what of an entry at a level is not confirmed; empty when all
// that a verdict rests on is.
func (e Entry) Unconfirmed(l Level) string {
	value, averaging := !l.As.Confirmed(), l.Averaging > 0 && !l.AveragingAs.Confirmed()
	switch {
	case value && averaging:
		return "the value and the averaging time"
	case value:
		return "the value"
	case averaging:
		return "the averaging time"
	}
	return ""
}

// Limit makes the limit of an oven of frequency f from the entry. id is the
// name that the site gives it.
func (e Entry) Limit(id string, f quantity.Frequency) (Limit, error) {
	l, err := e.At(f)
	if err != nil {
		return Limit{}, err
	}
	source := e.Source
	if e.Edition != "" {
		source += ", " + e.Edition
	}
	if l.FromE {
		source += fmt.Sprintf("; %.4g V/m as the power density of a plane wave", l.E)
	}
	u := e.Unconfirmed(l)
	if u != "" {
		source += " (" + u + " not confirmed)"
	}
	return Limit{ID: id, Value: l.Value, Distance: e.Distance, Basis: e.Basis, Source: source, Averaging: l.Averaging, Slowest: e.Slowest,
		Local: e.Local, Builtin: e.ID, Unconfirmed: u, CitedAbove: e.CitedAbove, CitedBy: e.CitedBy}, nil
}

// Lookup finds a built-in limit by its id.
func Lookup(id string) (Entry, bool) {
	all := Catalogue()
	i := slices.IndexFunc(all, func(e Entry) bool { return e.ID == id })
	if i < 0 {
		return Entry{}, false
	}
	return all[i], true
}

// Catalogue returns all built-in limits in a fixed order: on ovens first, then
// on people. The list is made anew, so nobody can change another's.
func Catalogue() []Entry {
	return slices.Concat(emissions(), testEmissions(), exposures(), lowRegimes())
}

// ISMBand returns the band for industrial, scientific and medical use that holds
// f. Source: 47 CFR 18.301.
func ISMBand(f quantity.Frequency) (from, to quantity.Frequency, ok bool) {
	for _, b := range [][2]quantity.Frequency{{902e6, 928e6}, {2400e6, 2500e6}, {5725e6, 5875e6}} {
		if f >= b[0] && f <= b[1] {
			return b[0], b[1], true
		}
	}
	return 0, 0, false
}
