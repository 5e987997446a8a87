package scpi

import (
	"bytes"
	"errors"
	"fmt"

	"ovenward/drivers"
)

// Parse reads one answer. An answer with one value more or less than the
// options say is refused: it is of another query, or was cut.
func (p *protocol) Parse(frame []byte, r *drivers.Reading) (err error) {
	*r, err = p.parse(frame)
	return err
}

// parse makes a reading of one answer, field by field.
func (p *protocol) parse(frame []byte) (drivers.Reading, error) {
	if len(frame) > maxAnswer {
		return drivers.Reading{}, fmt.Errorf("the answer is longer than %d bytes: %s", maxAnswer, quote(frame))
	}
	list, err := unblock(frame)
	if err != nil {
		return drivers.Reading{}, err
	}
	r := drivers.Reading{Unit: p.o.Unit}
	axes := true
	n := 0
	for more := true; more; {
		var field []byte
		if field, list, more, err = nextValue(list); err != nil {
			return drivers.Reading{}, err
		}
		n++
		role, axis := p.role(n)
		if role == nothing {
			continue
		}
		d, status, err := p.number(field)
		if err != nil {
			return drivers.Reading{}, err
		}
		said := status == 0
		switch role {
		case value:
			r.Value, r.HasValue = d, said
			r.Status |= status
		case ofAxis:
			// An axis beyond its range makes the whole reading so, for a total
			// of what the others say is too low.
			r.Axes[axis], axes = d, axes && said
			r.Status |= status
		case temperature:
			r.Temperature, r.HasTemp = d, said
		case battery:
			if said {
				r.Battery, r.BatteryUnit = d, p.o.BatteryUnit
			}
		}
	}
	if n != p.o.Columns {
		return drivers.Reading{}, fmt.Errorf("the answer has %d values, want %d: %s", n, p.o.Columns, quote(frame))
	}
	if r.HasAxes = axes && p.o.AxisColumns[0] > 0; !r.HasAxes {
		r.Axes = [3]drivers.Decimal{}
	}
	return r, nil
}

// role is what a value of the answer is.
type role int

const (
	nothing role = iota
	value
	ofAxis
	temperature
	battery
)

func (p *protocol) role(column int) (r role, axis int) {
	switch column {
	case p.o.ValueColumn:
		return value, 0
	case p.o.TemperatureColumn:
		return temperature, 0
	case p.o.BatteryColumn:
		return battery, 0
	}
	for i, c := range p.o.AxisColumns {
		if c == column {
			return ofAxis, i
		}
	}
	return nothing, 0
}

// number reads a value, or what stands for one. SCPI-99 says 9.9E37 for
// infinity, -9.9E37 for its negative, and 9.91E37 for not a number, which
// instruments say of an overload as well.
func (p *protocol) number(field []byte) (drivers.Decimal, drivers.Status, error) {
	d, err := drivers.ParseNRf(field)
	if err != nil {
		return d, 0, fmt.Errorf("value %s is not a number of the forms NR1, NR2 and NR3, or too large", quote(field))
	}
	fault := false
	switch plain(d) {
	case drivers.Decimal{Digits: 99, Exp: 36}:
		fault = p.o.InfinityIsFault
	case drivers.Decimal{Digits: 991, Exp: 35}:
		fault = p.o.NotANumberFaults
	case drivers.Decimal{Digits: -99, Exp: 36}:
		fault = true
	default:
		return d, 0, nil
	}
	if fault {
		return drivers.Decimal{}, drivers.Fault, nil
	}
	return drivers.Decimal{}, drivers.OverRange, nil
}

// plain returns d without trailing zeros, to compare numbers said with more.
func plain(d drivers.Decimal) drivers.Decimal {
	for d.Digits != 0 && d.Digits%10 == 0 && d.Exp < 127 {
		d.Digits, d.Exp = d.Digits/10, d.Exp+1
	}
	return d
}

// unblock returns the data of a block when the answer is one.
func unblock(frame []byte) ([]byte, error) {
	b := bytes.TrimLeft(frame, blanks)
	if len(b) == 0 || b[0] != '#' {
		return frame, nil
	}
	from, length, state := blockAt(b)
	switch {
	case state == blockGrowing:
		return nil, fmt.Errorf("the block is cut: %s", quote(frame))
	case state == noBlock:
		return nil, fmt.Errorf("the answer is no block with a length: %s", quote(frame))
	}
	switch behind := bytes.Trim(b[from+length:], blanks); {
	case len(behind) > 0 && behind[0] == ',':
		return frame, nil // the block is the first of several values
	case len(behind) > 0:
		return nil, fmt.Errorf("%d bytes follow the block: %s", len(b)-from-length, quote(frame))
	}
	b = b[from : from+length]
	if bytes.ContainsFunc(b, func(r rune) bool { return r > '~' || r < ' ' && r != '\t' && r != '\r' && r != '\n' }) {
		return nil, fmt.Errorf("the block holds binary data; set the instrument to ASCII (FORM ASC): %s", quote(frame))
	}
	return bytes.Trim(b, blanks), nil
}

// nextValue cuts the first value of a comma list off. A string and a block are
// one value, commas and all.
func nextValue(list []byte) (field, rest []byte, more bool, err error) {
	i, quoted := 0, false
	for ; i < len(list) && (quoted || list[i] != ','); i++ {
		switch {
		case list[i] == '"':
			quoted = !quoted
		case !quoted && list[i] == '#' && len(trim(list[:i])) == 0:
			from, length, state := blockAt(list[i:])
			if state != blockWhole {
				return nil, nil, false, fmt.Errorf("the block is cut, or has no length: %s", quote(list))
			}
			i += from + length - 1
		}
	}
	if quoted {
		return nil, nil, false, fmt.Errorf("the string does not end: %s", quote(list))
	}
	if i < len(list) {
		return trim(list[:i]), list[i+1:], true, nil
	}
	return trim(list), nil, false, nil
}

// ParseIdentity reads the answer to *IDN?: maker, model, serial number and
// firmware with commas between; commas in the firmware are kept.
func (identity) ParseIdentity(frame []byte) (drivers.Identity, error) {
	if len(frame) > maxAnswer || bytes.ContainsFunc(frame, func(r rune) bool { return r < ' ' || r > '~' }) {
		return drivers.Identity{}, fmt.Errorf("the answer to *IDN? is not short plain ASCII: %s", quote(frame))
	}
	fields := bytes.SplitN(frame, []byte(","), 4)
	if len(fields) < 4 {
		return drivers.Identity{}, fmt.Errorf("the answer to *IDN? has %d fields, want maker, model, serial number, firmware: %s",
			len(fields), quote(frame))
	}
	id := drivers.Identity{Maker: word(fields[0]), Model: word(fields[1]), Serial: word(fields[2]), Firmware: word(fields[3])}
	if _, err := drivers.ParseNRf([]byte(id.Maker)); err == nil || id.Maker == "" && id.Model == "" {
		return drivers.Identity{}, fmt.Errorf("the answer to *IDN? names no maker: %s", quote(frame))
	}
	return id, nil
}

// word cuts blanks, and the quotes that some instruments put round a field.
func word(field []byte) string {
	field = trim(field)
	if n := len(field); n >= 2 && field[0] == '"' && field[n-1] == '"' {
		field = trim(field[1 : n-1])
	}
	return string(field)
}

// ParseTrouble reads the answer to SYST:ERR?: a number, and a string that may
// hold commas and doubled quotes. Number 0 says that the list is empty.
func (trouble) ParseTrouble(frame []byte) (string, error) {
	number, text, found := bytes.Cut(frame, []byte(","))
	text = trim(text)
	code, err := drivers.ParseDecimal(trim(number), '.')
	switch {
	case !found || err != nil || code.Exp != 0 || len(frame) > maxAnswer:
		err = errors.New("no whole number and a string")
	case len(text) < 2 || text[0] != '"' || text[len(text)-1] != '"':
		err = errors.New("no string in quotes behind the number")
	}
	if err != nil {
		return "", fmt.Errorf("the answer to SYST:ERR? holds %w: %s", err, quote(frame))
	}
	if code.Digits == 0 {
		return "", nil
	}
	said := bytes.ReplaceAll(text[1:len(text)-1], []byte(`""`), []byte(`"`))
	return fmt.Sprintf("%d, %s", code.Digits, bytes.Map(printable, said)), nil
}

// printable replaces what would spoil a line of text.
func printable(r rune) rune {
	if r < ' ' || r == 0x7f || r == '\ufffd' {
		return '?'
	}
	return r
}

func trim(b []byte) []byte { return bytes.Trim(b, " \t") }

// quote shows a part of an answer in an error: whole when short, else its beginning.
func quote(b []byte) string {
	const most = 40
	if len(b) <= most {
		return fmt.Sprintf("%q", b)
	}
	return fmt.Sprintf("%q and %d bytes more", b[:most], len(b)-most)
}
