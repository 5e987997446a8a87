package textline

import (
	"errors"
	"fmt"
	"unicode/utf8"

	"ovenward/drivers"
)

// fields are the parts of a line that count, trimmed; nil = not in the line.
type fields struct {
	value, unit, status []byte
	axes                [3][]byte
	temperature         []byte
	battery             []byte
}

// Parse reads one line. The strings in the reading are those of the options,
// so that a line in columns costs no allocation.
func (p *protocol) Parse(line []byte, r *drivers.Reading) (err error) {
	if len(p.tails) > 0 && len(line) <= maxLine {
		d, n := drivers.LeadingDecimal(line, p.mark)
		for i := range p.tails {
			if t := &p.tails[i]; n > 0 && string(line[n:]) == t.text {
				*r = t.reading
				r.Value = d
				return nil
			}
		}
	}
	*r, err = p.parse(line)
	return err
}

// tail is what a plain line holds behind a number that it begins with, and the
// reading that such lines are but for the number.
type tail struct {
	text    string
	reading drivers.Reading
}

const maxTails = 16

// plainTails lists tails that most lines end with, found by parsing one such line
// with each. Where the number begins the line, what follows is read the same
// whatever the number; so it need not be read again and again.
func (p *protocol) plainTails() (all []tail) {
	m := &p.more
	if p.value != 1 || p.pattern != nil || m.numbers.hex || m.checksum.digits > 0 || m.axes[0]+m.temperature+m.battery > 0 {
		return nil
	}
	texts := []string{""}
	for n := 2; n <= p.columns; n++ {
		said := []string{""}
		switch n {
		case p.unit:
			said = p.units
		case p.status:
			said = nil
			for _, w := range p.words {
				said = append(said, w.text)
			}
		}
		var longer []string
		for _, t := range texts {
			for _, s := range said {
				longer = append(longer, t+p.between()+s)
			}
		}
		texts = longer[:min(len(longer), maxTails)]
	}
	for _, t := range texts {
		if r, err := p.parse([]byte("1" + t)); err == nil && r.HasValue {
			all = append(all, tail{t, r})
		}
	}
	return all
}

// between is what parts two columns.
func (p *protocol) between() string {
	if len(p.separator) == 0 {
		return " "
	}
	return string(p.separator)
}

// parse reads any line.
func (p *protocol) parse(line []byte) (r drivers.Reading, err error) {
	if len(line) > maxLine {
		return r, fmt.Errorf("the line is longer than %d bytes: %s", maxLine, quote(line))
	}
	if !utf8.Valid(line) {
		return r, fmt.Errorf("the line is not UTF-8 text: %s", quote(line))
	}
	if line, err = p.more.checksum.open(line); err != nil {
		return r, err
	}
	var f fields
	if p.pattern != nil {
		err = p.match(line, &f)
	} else {
		err = p.cut(line, &f)
	}
	if err != nil {
		return r, err
	}
	if err = p.read(&f, &r); err != nil {
		return drivers.Reading{}, err
	}
	return r, nil
}

// cut finds the fields by column.
func (p *protocol) cut(line []byte, f *fields) error {
	n := 0
	rest, more := line, true
	if len(p.separator) == 0 {
		rest = trim(rest)
	}
	for more {
		var field []byte
		field, rest, more = p.next(rest)
		n++
		switch n {
		case p.value:
			f.value = field
		case p.unit:
			f.unit = field
		case p.status:
			f.status = field
		case p.more.temperature:
			f.temperature = field
		case p.more.battery:
			f.battery = field
		default:
			for i := range f.axes {
				if n == p.more.axes[i] {
					f.axes[i] = field
				}
			}
		}
	}
	if n == p.columns {
		return nil
	}
	// Instruments that show a word in place of the number often end the line
	// with it, and what it says must not be lost.
	head, at := f.value, p.value
	if at == 0 {
		head, at = f.axes[0], p.more.axes[0]
	}
	if _, known := p.replaces(head); known && n == at {
		return nil
	}
	if n > p.columns {
		return fmt.Errorf("the line has %d columns, want %d (a pattern can pick some out of more): %s", n, p.columns, quote(line))
	}
	return fmt.Errorf("the line has %d columns, want %d: %s", n, p.columns, quote(line))
}

// next cuts the first column off; blanks that separate are cut from rest.
func (p *protocol) next(b []byte) (field, rest []byte, more bool) {
	if len(p.separator) > 0 {
		at := index(b, p.separator)
		if at < 0 {
			return trim(b), nil, false
		}
		return trim(b[:at]), b[at+len(p.separator):], true
	}
	for i, c := range b {
		if isBlank(c) {
			return b[:i], trim(b[i:]), true
		}
	}
	return b, nil, false
}

// match finds the fields by the pattern.
func (p *protocol) match(line []byte, f *fields) error {
	at := p.pattern.FindSubmatchIndex(line)
	if at == nil {
		return fmt.Errorf("the line does not match the pattern: %s", quote(line))
	}
	group := func(n int) []byte {
		if n == 0 || at[2*n] < 0 {
			return nil
		}
		return trim(line[at[2*n]:at[2*n+1]])
	}
	f.value, f.unit, f.status = group(p.value), group(p.unit), group(p.status)
	for i, n := range p.more.axes {
		f.axes[i] = group(n)
	}
	f.temperature, f.battery = group(p.more.temperature), group(p.more.battery)
	return nil
}

// read makes a reading of the fields. Where there is no number, a word in its
// place or the status must say why; unit and status may then be missing.
func (p *protocol) read(f *fields, r *drivers.Reading) error {
	r.Unit = p.fixedUnit
	d, err := p.number(f.value, p.more.numbers.scale)
	instead, known := drivers.Status(0), false
	if err != nil || p.more.numbers.hex { // in hex a word such as FFFF can read like a number
		instead, known = p.replaces(f.value)
	}
	switch {
	case known:
		r.Status = instead
	case err == nil:
		r.Value, r.HasValue = d, true
	case len(f.value) > 0:
		return fmt.Errorf("value %s is not %s", quote(f.value), p.numberWords())
	}
	beside := p.readAxes(f, r)
	if err := p.readVitals(f, r); err != nil {
		beside = errors.Join(beside, err)
	}
	if p.unit > 0 && (r.HasValue || r.HasAxes || len(f.unit) > 0) {
		unit, known := p.knownUnit(f.unit)
		if !known {
			return fmt.Errorf("unit %s is not one of units %q", quote(f.unit), p.units)
		}
		r.Unit = unit
	}
	if p.status > 0 && (r.Status == 0 || len(f.status) > 0) {
		said, known := p.knownStatus(f.status)
		if !known {
			return fmt.Errorf("status %s is in none of ok, over_range, battery_low, fault", quote(f.status))
		}
		r.Status |= said
	}
	if beside != nil && r.Status&drivers.OverRange == 0 {
		return beside // an over-range is not lost over a thermometer
	}
	if why := r.Status & (drivers.OverRange | drivers.Fault); why == 0 {
		switch {
		case !r.HasValue && p.value > 0:
			return fmt.Errorf("the value is empty, and the status %s does not say why", quote(f.status))
		case !r.HasAxes && p.more.axes[0] > 0:
			return fmt.Errorf("an axis is empty, and the status %s does not say why", quote(f.status))
		}
	}
	return nil
}

// replaces says whether a value field is a word that stands for a number.
func (p *protocol) replaces(field []byte) (drivers.Status, bool) {
	if len(field) == 0 {
		return 0, false
	}
	status, known := p.knownStatus(field)
	return status, known && status&(drivers.OverRange|drivers.Fault) != 0
}

func (p *protocol) knownStatus(field []byte) (drivers.Status, bool) {
	for i := range p.words {
		if string(field) == p.words[i].text {
			return p.words[i].status, true
		}
	}
	return 0, false
}

func (p *protocol) knownUnit(field []byte) (string, bool) {
	if field == nil && p.fixedUnit != "" {
		return p.fixedUnit, true // an optional group of the pattern, left out
	}
	for _, u := range p.units {
		if string(field) == u {
			return u, true
		}
	}
	return "", false
}

// quote shows a field in an error: whole when short, else its beginning.
func quote(b []byte) string {
	const most = 40
	if len(b) <= most {
		return fmt.Sprintf("%q", b)
	}
	return fmt.Sprintf("%q and %d bytes more", b[:most], len(b)-most)
}
