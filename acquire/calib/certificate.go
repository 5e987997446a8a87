package calib

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"sort"
	"time"

	"ovenward/acquire/quantity"
)

// Certificate is a calibration as its laboratory states it. It is never changed
// after it was read.
type Certificate struct {
	Number     string    `json:"number"`
	Laboratory string    `json:"laboratory"`
	Date       time.Time `json:"date"`                 // valid from the start of this day, UTC
	Due        time.Time `json:"due"`                  // overdue from the start of this day, UTC
	Factor     float64   `json:"factor"`               // as left: multiplies the reading; 1 where ByFrequency gives the factor
	U          float64   `json:"expanded_uncertainty"` // relative, of the factor
	K          float64   `json:"k"`                    // coverage factor of U

	DF          float64          `json:"degrees_of_freedom,omitempty"`      // of U; 0: not stated, and taken as unlimited
	AsFound     float64          `json:"as_found,omitempty"`                // the factor before any adjustment; 0: not stated
	FoundBound  float64          `json:"as_found_bound,omitempty"`          // relative: how far AsFound may lie from the certificate before; 0: the U of that
	ByFrequency []FrequencyPoint `json:"frequency_factor,omitempty"`        // by rising frequency; multiplies too
	ByLevel     []LevelPoint     `json:"linearity,omitempty"`               // by rising level; multiplies too
	PerKelvin   float64          `json:"temperature_coefficient,omitempty"` // relative rise of the reading, 1/K; 0: not stated
	Reference   float64          `json:"reference_temperature_c,omitempty"` // °C, at which the factors hold
}

// FrequencyPoint is one row of a table of factors by frequency.
type FrequencyPoint struct {
	Frequency quantity.Frequency `json:"frequency_hz"`
	Factor    float64            `json:"factor"`
}

// LevelPoint is one row of a linearity table: the factor at a level that the
// probe indicates, its zero taken away.
type LevelPoint struct {
	Level  quantity.PowerDensity `json:"level_w_per_m2"`
	Factor float64               `json:"factor"`
}

// Equal says whether two certificates state the same.
func (c Certificate) Equal(o Certificate) bool {
	same := func(a, b float64) bool { return a == b || math.IsNaN(a) && math.IsNaN(b) }
	return c.Number == o.Number && c.Laboratory == o.Laboratory && c.Date.Equal(o.Date) && c.Due.Equal(o.Due) &&
		same(c.Factor, o.Factor) && same(c.U, o.U) && same(c.K, o.K) && same(c.DF, o.DF) && same(c.AsFound, o.AsFound) && same(c.FoundBound, o.FoundBound) &&
		same(c.PerKelvin, o.PerKelvin) && same(c.Reference, o.Reference) &&
		slices.Equal(c.ByFrequency, o.ByFrequency) && slices.Equal(c.ByLevel, o.ByLevel)
}

// InForce picks the certificate that counts at an instant: the newest whose day
// has come, or the first when none has. It may be overdue, or not valid yet,
// which Correction.Lacking tells; nil when there is none.
func InForce(all []*Certificate, at time.Time) *Certificate {
	var best *Certificate
	for _, c := range all {
		switch {
		case best == nil:
			best = c
		case at.Before(best.Date) && c.Date.Before(best.Date):
			best = c
		case !at.Before(c.Date) && (at.Before(best.Date) || c.Date.After(best.Date)):
			best = c
		}
	}
	return best
}

// NextDate returns the first day after at on which a certificate comes into
// force, and whether there is one.
func NextDate(all []*Certificate, at time.Time) (next time.Time, ok bool) {
	for _, c := range all {
		if c.Date.After(at) && (!ok || c.Date.Before(next)) {
			next, ok = c.Date, true
		}
	}
	return next, ok
}

func (c *Certificate) outside(at time.Time) string {
	switch {
	case at.Before(c.Date):
		return fmt.Sprintf("certificate %s is not valid before %s", c.Number, c.Date.Format(time.DateOnly))
	case !at.Before(c.Due):
		return fmt.Sprintf("certificate %s was due on %s: have the probe calibrated", c.Number, c.Due.Format(time.DateOnly))
	}
	return ""
}

// Neighbours in a table that are further apart than these leave a gap, in which
// nothing is interpolated: an octave of frequency, a decade of level. Our own
// choice, no source.
const (
	octave = 2
	decade = 10
)

// FactorAt returns the factor at a frequency: Factor, and that of the table,
// linear between its rows. why is not empty when the certificate does not reach
// the frequency; the factor is then that of the nearest row, and the value made
// with it is not calibrated.
func (c *Certificate) FactorAt(f quantity.Frequency) (factor float64, why string) {
	rows := c.ByFrequency
	if len(rows) == 0 {
		return c.Factor, ""
	}
	first, last := rows[0], rows[len(rows)-1]
	i := sort.Search(len(rows), func(i int) bool { return rows[i].Frequency >= f })
	switch {
	case !(f > 0):
		return c.Factor * first.Factor, fmt.Sprintf("the oven's frequency is not known, and certificate %s gives factors by frequency", c.Number)
	case f < first.Frequency || f > last.Frequency:
		near := first
		if f > last.Frequency {
			near = last
		}
		return c.Factor * near.Factor, fmt.Sprintf("%s lies outside the table of certificate %s, %s to %s, and nothing is extrapolated",
			f, c.Number, first.Frequency, last.Frequency)
	case rows[i].Frequency == f:
		return c.Factor * rows[i].Factor, ""
	}
	lo, hi := rows[i-1], rows[i]
	if hi.Frequency > octave*lo.Frequency {
		near := lo
		if f-lo.Frequency > hi.Frequency-f {
			near = hi
		}
		return c.Factor * near.Factor, fmt.Sprintf("%s lies in a gap of the table of certificate %s, between %s and %s, wider than an octave",
			f, c.Number, lo.Frequency, hi.Frequency)
	}
	return c.Factor * between(float64(lo.Frequency), lo.Factor, float64(hi.Frequency), hi.Factor, float64(f)), ""
}

func between(x0, y0, x1, y1, x float64) float64 { return y0 + (y1-y0)*((x-x0)/(x1-x0)) }

// levelSpan is the line between two rows of a linearity table.
type levelSpan struct{ from, to, factor, slope float64 }

// levelSpans makes a table ready: up to the first row its factor, then lines
// between the rows. There is none without a table.
func levelSpans(rows []LevelPoint) []levelSpan {
	if len(rows) == 0 {
		return nil
	}
	first := float64(rows[0].Level)
	all := append(make([]levelSpan, 0, len(rows)), levelSpan{from: first, to: first, factor: rows[0].Factor})
	for i := 1; i < len(rows); i++ {
		lo, hi := rows[i-1], rows[i]
		all = append(all, levelSpan{float64(lo.Level), float64(hi.Level), lo.Factor, (hi.Factor - lo.Factor) / float64(hi.Level-lo.Level)})
	}
	return all
}

// factorIn returns the factor at an indicated level, linear between the rows of
// the table. Below the first row, which is where noise and zero rule, the first
// factor holds; above the last one, the last does, and it says so.
func factorIn(table []levelSpan, x float64) (factor float64, inside bool) {
	if !(x > table[0].to) {
		return table[0].factor, true
	}
	for i := 1; i < len(table); i++ {
		if l := &table[i]; x <= l.to {
			return l.factor + (x-l.from)*l.slope, true
		}
	}
	l := &table[len(table)-1]
	return l.factor + (l.to-l.from)*l.slope, false
}

// Flaw is something in a certificate that makes no sense.
type Flaw struct {
	Key  string // of the certificate in the configuration
	Row  int    // of the table of that name, from 0; -1: it is no table's
	What string // what is wrong, and what would be right
}

// The factors and temperatures that can be. Our own choice, no source.
const (
	leastFactor, mostFactor = 0.1, 10
	mostPerKelvin           = 0.1
)

// Flaws lists what makes no sense in the certificate. Without any it can be
// used.
func (c *Certificate) Flaws() []Flaw {
	var all []Flaw
	add := func(key string, row int, format string, args ...any) {
		all = append(all, Flaw{key, row, fmt.Sprintf(format, args...)})
	}
	if !c.Due.After(c.Date) {
		add("due", -1, "it is not after date, %s; write the day by which the probe is to be calibrated again", c.Date.Format(time.DateOnly))
	}
	factor := func(key string, row int, f float64) {
		if !(f >= leastFactor && f <= mostFactor) {
			add(key, row, "the factor %g is out of range; write a number from %g to %g", f, leastFactor, float64(mostFactor))
		}
	}
	factor("factor", -1, c.Factor)
	if c.AsFound != 0 {
		factor("as_found", -1, c.AsFound)
	}
	if !(c.FoundBound >= 0 && c.FoundBound <= 1) {
		add("as_found_bound", -1, `%g %% is out of range; write more than 0 %%, at most "100 %%"`, 100*c.FoundBound)
	}
	if !(c.U > 0 && c.U <= 1) {
		add("expanded_uncertainty", -1, `%g %% is out of range; write more than 0 %%, at most "100 %%"`, 100*c.U)
	}
	if !(c.K >= 1 && c.K <= 14) {
		add("k", -1, "%g is out of range; write a number from 1 to 14; most certificates state 2", c.K)
	}
	if !(c.DF == 0 || c.DF >= 1) {
		add("degrees_of_freedom", -1, "%g is out of range; write 1 or more, or leave it out", c.DF)
	}
	if !(math.Abs(c.PerKelvin) <= mostPerKelvin) {
		add("temperature_coefficient", -1, `%g %%/K is out of range; write at most "10 %%/K"`, 100*c.PerKelvin)
	}
	if !(c.Reference >= coldest && c.Reference <= hottest) {
		add("reference_temperature", -1, `%g °C is out of range; write "%d °C" to "%d °C"`, c.Reference, coldest, hottest)
	}
	for i, p := range c.ByFrequency {
		factor("frequency_factor", i, p.Factor)
	}
	for i, p := range c.ByLevel {
		factor("linearity", i, p.Factor)
	}
	rising(c.ByFrequency, func(p FrequencyPoint) quantity.Frequency { return p.Frequency }, "frequency_factor", add)
	rising(c.ByLevel, func(p LevelPoint) quantity.PowerDensity { return p.Level }, "linearity", add)
	for i := 1; i < len(c.ByLevel); i++ {
		if lo, hi := c.ByLevel[i-1].Level, c.ByLevel[i].Level; hi > decade*lo && lo > 0 {
			add("linearity", i, "from %s to %s is a gap wider than a factor of %d, too wide to interpolate in; add what the certificate states between them", lo, hi, decade)
		}
	}
	return all
}

// rising tells rows that are no number, stand twice, or are out of order.
func rising[P any, X interface {
	cmp.Ordered
	fmt.Stringer
}](rows []P, of func(P) X, key string, add func(string, int, string, ...any)) {
	for i := range rows {
		x := of(rows[i])
		var zero X
		switch {
		case !(x > zero):
			add(key, i, "%s is not above zero; write the value that the certificate states", x)
		case i > 0 && x == of(rows[i-1]):
			add(key, i, "%s stands in the row before already; keep one of the two", x)
		case i > 0 && x < of(rows[i-1]):
			add(key, i, "%s is below %s of the row before; write the rows in rising order", x, of(rows[i-1]))
		}
	}
}
