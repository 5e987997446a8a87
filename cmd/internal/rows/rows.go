// Package rows writes the samples of a record down as CSV, JSON Lines and
// OpenMetrics text, and reads the first two again. What the instrument said goes
// out and comes back byte for byte and digit for digit; corrected values (W/m²
// inside) go out in the unit that is asked for, which stands in their column's
// name. What is not known is empty or null, never zero.
//
// It holds one row at a time. It opens no file and knows no record.
package rows

import (
	"bufio"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"ovenward/acquire"
	"ovenward/acquire/field"
	"ovenward/acquire/quantity"
	"ovenward/drivers"
)

// Origins of a sample. Imported ones are marked so for good.
const (
	Probe             = "probe"
	Simulated         = "simulated"
	Imported          = "imported"
	ImportedSimulated = "imported simulated"
)

// Row is one sample of a post.
type Row struct {
	Post, Site, Oven, Probe, Origin string
	Certificate                     string // number; empty: none was in force
	Sample                          acquire.Sample
	Indicated                       quantity.PowerDensity // as said, not corrected; NaN: no number
	Stale                           time.Duration         // for how long it holds; 0: not known
}

// Values says which values go out, and how.
type Values struct {
	Unit quantity.Unit
	Raw  bool // as indicated, in place of the corrected ones
}

// Encoder writes rows. Close writes what belongs at the end, and not the file's.
type Encoder interface {
	// Passes is how often all rows are to be given, in the same order.
	Passes() int
	Add(pass int, r *Row) error
	Close() error
}

// NewEncoder makes the encoder of a format: csv, jsonl or openmetrics.
func NewEncoder(format string, w io.Writer, v Values) (Encoder, error) {
	out := bufio.NewWriterSize(w, 64<<10)
	switch format {
	case "csv":
		return newCSV(out, v), nil
	case "jsonl":
		return &jsonl{w: out, v: v, names: v.columns()}, nil
	case "openmetrics":
		if v.Unit.IsLevel() {
			return nil, fmt.Errorf("OpenMetrics has no level such as %s; name a unit such as W/m2", v.Unit)
		}
		return newOpenMetrics(out, v), nil
	}
	return nil, fmt.Errorf("there is no format %q; write csv, jsonl or openmetrics", format)
}

// columns names the values' columns, with their unit.
func (v Values) columns() []string {
	what, unit := kindWords(v.Unit), unitWord(v.Unit)
	switch {
	case v.Raw:
		return []string{"indicated_" + what + "_" + unit}
	case v.linear():
		return []string{what + "_" + unit, "expanded_uncertainty_" + unit}
	}
	return []string{what + "_" + unit, what + "_lower_" + unit, what + "_upper_" + unit}
}

// linear says whether an uncertainty in W/m² is one number of the unit too.
func (v Values) linear() bool {
	return v.Unit.Kind() == quantity.KindPowerDensity && !v.Unit.IsLevel()
}

// of returns a row's values in the order of columns; NaN is not known. In a unit
// that does not grow with the power density the uncertainty is told by its ends.
func (v Values) of(r *Row, into []float64) []float64 {
	into = into[:0]
	in := func(s quantity.PowerDensity) float64 { return field.CODATA2022.Value(s, v.Unit) }
	s := r.Sample
	value, u := s.S, s.U
	if !s.HasValue() {
		value, u = quantity.PowerDensity(math.NaN()), quantity.PowerDensity(math.NaN())
	}
	switch {
	case v.Raw && s.HasValue():
		return append(into, in(r.Indicated))
	case v.Raw:
		return append(into, math.NaN())
	case v.linear():
		return append(into, in(value), in(u))
	}
	return append(into, in(value), in(value-u), in(value+u))
}

func kindWords(u quantity.Unit) string {
	switch u.Kind() {
	case quantity.KindElectricField:
		return "plane_wave_electric_field"
	case quantity.KindMagneticField:
		return "plane_wave_magnetic_field"
	}
	return "power_density"
}

// unitWord is a unit in a column's name: mw_per_cm2.
func unitWord(u quantity.Unit) string {
	return strings.ReplaceAll(strings.ToLower(u.ASCII()), "/", "_per_")
}

const utcLayout = "2006-01-02T15:04:05.000000000Z"

// milliseconds prints a span to the nanosecond.
func milliseconds(b []byte, d time.Duration) []byte {
	return strconv.AppendFloat(b, float64(d)/1e6, 'f', -1, 64)
}

// plain says whether text comes back from CSV as it is.
func plain(said []byte) bool {
	for _, c := range said {
		if c < ' ' || c == 0x7f {
			return false
		}
	}
	return utf8.Valid(said)
}

// statusWords is what the instrument said of its own reading.
func statusWords(s drivers.Status) string {
	var words []string
	for i, w := range statuses() {
		if s&(1<<i) != 0 {
			words = append(words, w)
		}
	}
	return strings.Join(words, " ")
}

func statuses() []string { return []string{"over-range", "fault", "battery-low"} }

// qualityWords is what is wrong with a sample, or good.
func qualityWords(q acquire.Quality) string { return strings.ReplaceAll(q.String(), ",", "") }

func appendNumber(b []byte, x float64, none string) []byte {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return append(b, none...)
	}
	return strconv.AppendFloat(b, x, 'g', -1, 64)
}
