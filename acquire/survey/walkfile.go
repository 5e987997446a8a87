package survey

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"

	"ovenward/acquire/quantity"
)

// mostMarks bounds a walk file, so that a wrong file is refused rather than fitted.
const mostMarks = 10_000

// coverage is the factor of an expanded uncertainty.
const coverage = 2

// WalkFile is a walk back as it was written down.
type WalkFile struct {
	Walk
	Limit     string             // id of a built-in limit on people; empty: not named
	Frequency quantity.Frequency // of the oven; 0: not stated
}

// ParseWalk reads a walk file: comma-separated lines; those that start with # do
// not count.
//
//	limit,fcc-public
//	frequency,2450 MHz
//	floor,0.01 mW/cm2
//	distance (cm),value (mW/cm2),standard uncertainty (%)
//	5,0.412,6
//	off,0.002,6
//
// What stands before the line of headings is optional. A heading without a unit
// asks for the unit in each cell. The uncertainty may be left out; it is standard
// or expanded (k = 2), in a unit of power density or in % of the value. A distance
// of "off" is a hold with the oven off. A column "note" is passed over. All that is
// wrong is told at once, with name and line.
func ParseWalk(name string, data []byte) (WalkFile, error) {
	p := walkParser{name: name, r: csv.NewReader(bytes.NewReader(bytes.TrimPrefix(data, []byte("\ufeff"))))}
	p.r.Comment, p.r.FieldsPerRecord, p.r.TrimLeadingSpace = '#', -1, true
	for {
		record, err := p.r.Read()
		if err == io.EOF {
			break
		}
		if err != nil {
			var at *csv.ParseError
			if errors.As(err, &at) {
				p.line, err = at.Line, at.Err
			}
			p.wrong("%v", err)
			break
		}
		p.line, _ = p.r.FieldPos(0)
		for i := range record {
			record[i] = strings.TrimSpace(record[i])
		}
		switch {
		case p.columns != nil:
			p.mark(record)
		case strings.HasPrefix(record[0], "distance"):
			p.headings(record)
		default:
			p.setting(record)
		}
		if p.stop || len(p.file.Marks) > mostMarks {
			break
		}
	}
	switch {
	case len(p.errs) > 0:
	case p.columns == nil:
		p.errs = append(p.errs, fmt.Errorf(`%s: no line of headings: write "distance (cm),value (mW/cm2)" above the marks`, name))
	case len(p.file.Marks) > mostMarks:
		p.errs = append(p.errs, fmt.Errorf("%s: more than %d marks: this is no walk back", name, mostMarks))
	}
	return p.file, errors.Join(p.errs...)
}

type walkParser struct {
	name    string
	r       *csv.Reader
	line    int
	file    WalkFile
	columns []column
	errs    []error
	stop    bool // what follows cannot be read
}

// column is one heading: what it holds and in which unit.
type column struct {
	what   string // distance, value, uncertainty, note
	unit   string // as written; empty: in each cell
	factor float64
}

func (p *walkParser) wrong(format string, args ...any) {
	p.errs = append(p.errs, fmt.Errorf("%s:%d: %s", p.name, p.line, fmt.Sprintf(format, args...)))
}

func (p *walkParser) setting(record []string) {
	if len(record) != 2 {
		p.wrong(`%q is neither a setting (limit, frequency or floor, a comma, its value) nor the line of headings "distance (cm),value (mW/cm2)"`, strings.Join(record, ","))
		p.stop = true
		return
	}
	var err error
	switch value := record[1]; record[0] {
	case "limit":
		p.file.Limit = value
	case "frequency":
		p.file.Frequency, err = quantity.ParseFrequency(value)
	case "floor":
		if p.file.Floor, err = quantity.ParsePowerDensity(value); err == nil && !(p.file.Floor > 0) {
			err = fmt.Errorf("the floor %q is not above zero: leave the line out where it is not known", value)
		}
	default:
		err = fmt.Errorf("there is no setting %q: write limit, frequency or floor, or the line of headings, which starts with distance", record[0])
	}
	if err != nil {
		p.wrong("%v", err)
	}
}

// heading cuts "value (mW/cm2)" into name and unit.
func heading(s string) (name, unit string) {
	name, rest, found := strings.Cut(s, "(")
	if !found {
		return strings.TrimSpace(s), ""
	}
	return strings.TrimSpace(name), strings.TrimSpace(strings.TrimSuffix(strings.TrimSpace(rest), ")"))
}

func (p *walkParser) headings(record []string) {
	seen := map[string]bool{}
	for _, h := range record {
		name, unit := heading(h)
		c := column{what: name, unit: unit, factor: 1}
		var err error
		switch name {
		case "distance":
			if _, e := quantity.ParseLength("1 " + unit); unit == "" || e != nil {
				err = fmt.Errorf(`%q names no unit of length: write for example "distance (cm)"`, h)
			}
		case "value":
			err = p.density(h, unit)
		case "standard uncertainty", "expanded uncertainty":
			c.what = "uncertainty"
			if name[0] == 'e' {
				c.factor = coverage
			}
			if unit != "%" {
				err = p.density(h, unit)
			}
			if u, _ := quantity.LookupUnit(unit); err == nil && u.IsLevel() {
				err = fmt.Errorf(`%q: an uncertainty in decibels has two sides: write it in %% or in mW/cm2`, h)
			}
		case "uncertainty":
			err = fmt.Errorf(`%q does not say which: write "standard uncertainty" or "expanded uncertainty" (k = 2)`, h)
		case "note":
		default:
			err = fmt.Errorf("%q is no heading: write distance, value, standard uncertainty, expanded uncertainty or note", h)
		}
		if err == nil && seen[c.what] {
			err = fmt.Errorf("%q stands there twice", c.what)
		}
		if seen[c.what] = true; err != nil {
			p.wrong("%v", err)
		}
		p.columns = append(p.columns, c)
	}
	if !seen["value"] {
		p.wrong(`there is no column of values: write for example "distance (cm),value (mW/cm2)"`)
	}
	p.stop = len(p.errs) > 0
}

// density says what is wrong with a unit of power density; an empty one stands in
// each cell.
func (p *walkParser) density(h, unit string) error {
	u, ok := quantity.LookupUnit(unit)
	switch {
	case unit == "" || ok && u.Kind() == quantity.KindPowerDensity:
		return nil
	case ok:
		return fmt.Errorf("%q is in a unit of %s: convert the values to a power density first (ovenward convert)", h, u.Kind())
	}
	return fmt.Errorf(`%q names no unit of power density: write for example "value (mW/cm2)"`, h)
}

func (p *walkParser) mark(record []string) {
	if len(record) != len(p.columns) {
		p.wrong("%d cells under %d headings", len(record), len(p.columns))
		return
	}
	m := Mark{Line: p.line}
	share := math.NaN()
	for i, c := range p.columns {
		cell := record[i]
		var err error
		switch c.what {
		case "distance":
			m.Distance, err = distanceCell(cell, c.unit)
		case "value":
			if m.Value, err = densityCell(cell, c.unit); err != nil && notANumber(cell) {
				err = fmt.Errorf("%q is no value: leave out a mark that was over-range or not read", cell)
			}
		case "uncertainty":
			if c.unit == "%" || c.unit == "" && strings.HasSuffix(cell, "%") {
				share, err = quantity.ParseRatio(strings.TrimSpace(strings.TrimSuffix(cell, "%")) + " %")
				share /= c.factor
			} else {
				m.U, err = densityCell(cell, c.unit)
				m.U /= quantity.PowerDensity(c.factor)
			}
			if err == nil && !(m.U > 0 || share > 0) {
				err = fmt.Errorf("an uncertainty of %q has no weight: state one above zero", cell)
			}
		}
		if err != nil {
			p.wrong("%v", err)
			return
		}
	}
	if !math.IsNaN(share) {
		if m.U = quantity.PowerDensity(share * math.Abs(float64(m.Value))); !(m.U > 0) {
			p.wrong("a share of a value of 0 is no uncertainty: state it in mW/cm2")
			return
		}
	}
	p.file.Marks = append(p.file.Marks, m)
}

func notANumber(cell string) bool {
	_, err := strconv.ParseFloat(strings.Fields(cell + " -")[0], 64)
	return err != nil
}

func distanceCell(cell, unit string) (quantity.Length, error) {
	if cell == "off" {
		return quantity.Length(math.Inf(1)), nil
	}
	d, err := quantity.ParseLength(cell + " " + unit)
	if err == nil && !(d > 0) {
		err = fmt.Errorf("a distance of %q is not above zero: give that from the surface to the probe's sensing centre", cell+" "+unit)
	}
	return d, err
}

func densityCell(cell, unit string) (quantity.PowerDensity, error) {
	if unit != "" {
		cell += " " + unit
	}
	return quantity.ParsePowerDensity(cell)
}
