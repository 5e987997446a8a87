package textline

import (
	"bytes"
	"errors"
	"fmt"
	"regexp"
	"slices"
	"strings"
	"unicode/utf8"

	"ovenward/drivers"
)

const (
	maxColumn     = 64
	maxTerminator = 8 // bytes
)

// list is one option that holds status words.
type list struct {
	option string
	status drivers.Status
	words  []string
}

func (o Options) lists() []list {
	return []list{
		{"ok", 0, o.OK},
		{"over_range", drivers.OverRange, o.OverRange},
		{"battery_low", drivers.BatteryLow, o.BatteryLow},
		{"fault", drivers.Fault, o.Fault},
	}
}

// check joins all that is wrong with the options; it fills in the groups when
// there is a pattern.
func (p *protocol) check(o Options) error {
	errs := []error{p.checkFraming()}
	if o.Pattern != "" {
		errs = append(errs, p.compile(o))
	} else {
		errs = append(errs, p.checkColumns())
	}
	errs = append(errs, p.checkUnits(), p.checkWords(o), p.checkMore(o))
	return errors.Join(errs...)
}

func (p *protocol) checkFraming() error {
	var errs []error
	if len(p.query) > maxLine {
		errs = append(errs, fmt.Errorf("query: %d bytes, want at most %d", len(p.query), maxLine))
	}
	if len(p.terminator) > maxTerminator {
		errs = append(errs, fmt.Errorf("terminator: %d bytes, want at most %d", len(p.terminator), maxTerminator))
	}
	if i := bytes.IndexFunc(p.terminator, inNumber); i >= 0 {
		errs = append(errs, fmt.Errorf("terminator %q holds %q, which can stand in a number or a word; "+
			`want a line end such as "\r\n"`, p.terminator, p.terminator[i:i+1]))
	}
	if p.mark != '.' && p.mark != ',' {
		errs = append(errs, fmt.Errorf(`decimal %q: want "." or ","`, string(rune(p.mark))))
	}
	return errors.Join(errs...)
}

// inNumber tells the characters that a number, a word or the room between them
// is made of, so that no mark can be taken for a part of them.
func inNumber(r rune) bool {
	return r >= '0' && r <= '9' || r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || strings.ContainsRune("+-., \t", r)
}

func (p *protocol) checkColumns() error {
	var errs []error
	if len(p.separator) > 0 {
		s := string(p.separator)
		switch {
		case strings.IndexByte(s, p.mark) >= 0:
			errs = append(errs, fmt.Errorf("separator %q holds the decimal mark %q", s, string(rune(p.mark))))
		case strings.ContainsAny(s, "0123456789+-"):
			errs = append(errs, fmt.Errorf("separator %q holds what can stand in a number", s))
		case strings.Contains(s, string(p.terminator)) || strings.Contains(string(p.terminator), s):
			errs = append(errs, fmt.Errorf("separator %q and terminator %q hold one another", s, p.terminator))
		}
	}
	at := map[int]string{}
	for _, c := range []struct {
		option string
		column int
	}{{"value", p.value}, {"unit", p.unit}, {"status", p.status},
		{"axes", p.more.axes[0]}, {"axes", p.more.axes[1]}, {"axes", p.more.axes[2]},
		{"temperature", p.more.temperature}, {"battery", p.more.battery}} {
		switch {
		case c.column < 0 || c.column > maxColumn:
			errs = append(errs, fmt.Errorf("%s: column %d, want 1 to %d", c.option, c.column, maxColumn))
		case c.column > 0 && at[c.column] != "":
			errs = append(errs, fmt.Errorf("%s: column %d is the column of %s", c.option, c.column, at[c.column]))
		case c.column > 0:
			at[c.column] = c.option
		case c.option == "value" && p.more.axes == [3]int{}:
			errs = append(errs, errors.New("value: say in which column the number stands, or give a pattern"))
		}
	}
	return errors.Join(errs...)
}

// compile makes the pattern and finds its groups.
func (p *protocol) compile(o Options) error {
	var errs []error
	if p.columns != 0 || o.Separator != "" {
		errs = append(errs, errors.New("pattern: takes the place of separator and of all columns; leave those out"))
	}
	p.value, p.unit, p.status = 0, 0, 0
	p.more.axes, p.more.temperature, p.more.battery = [3]int{}, 0, 0
	re, err := regexp.Compile(`\A(?:` + o.Pattern + `)\z`)
	if err != nil {
		// The text of the error shows the pattern as it stands in the file.
		if _, bare := regexp.Compile(o.Pattern); bare != nil {
			err = bare
		}
		return errors.Join(append(errs, fmt.Errorf("pattern: %w", err))...)
	}
	p.pattern = re
	for n, name := range re.SubexpNames() {
		var group *int
		switch name {
		case "":
			continue
		case "value":
			group = &p.value
		case "unit":
			group = &p.unit
		case "status":
			group = &p.status
		case "x", "y", "z":
			group = &p.more.axes[name[0]-'x']
		case "temperature":
			group = &p.more.temperature
		case "battery":
			group = &p.more.battery
		default:
			errs = append(errs, fmt.Errorf("pattern: group %q, want value, unit, status, x, y, z, temperature, battery", name))
			continue
		}
		if *group != 0 {
			errs = append(errs, fmt.Errorf("pattern: two groups are named %q", name))
		}
		*group = n
	}
	if p.value == 0 && p.more.axes[0] == 0 {
		errs = append(errs, errors.New("pattern: no group is named value; write (?P<value>...)"))
	}
	return errors.Join(errs...)
}

func (p *protocol) checkUnits() error {
	var errs []error
	switch {
	case p.unit == 0 && p.fixedUnit == "":
		errs = append(errs, errors.New("unit: name the unit, or say where in the line it stands"))
	case p.unit == 0 && len(p.units) > 0:
		errs = append(errs, errors.New("units: the line does not say a unit; leave units out, or say where it stands"))
	case p.unit > 0 && len(p.units) == 0:
		errs = append(errs, errors.New("units: list the spellings that the instrument uses"))
	case p.unit > 0 && p.fixedUnit != "" && p.pattern == nil:
		errs = append(errs, errors.New("unit: named and said to stand in the line; keep one of the two"))
	}
	for _, u := range p.units {
		errs = append(errs, p.checkWord("units", u))
	}
	return errors.Join(errs...)
}

func (p *protocol) checkWords(o Options) error {
	var errs []error
	seen := map[string]string{}
	for _, l := range o.lists() {
		for i, w := range l.words {
			switch other := seen[w]; {
			case slices.Contains(l.words[:i], w):
				errs = append(errs, fmt.Errorf("%s: %q is listed twice", l.option, w))
			case other != "":
				errs = append(errs, fmt.Errorf("%s: %q is listed in %s too", l.option, w, other))
			case w == "" && l.option == "ok" && p.status > 0 && (len(p.separator) > 0 || p.pattern != nil):
				// An empty status field is one of the spellings of a plain reading.
			default:
				errs = append(errs, p.checkWord(l.option, w))
			}
			seen[w] = l.option
		}
	}
	switch {
	case p.status == 0 && len(o.OK) > 0:
		errs = append(errs, errors.New("ok: the line says no status; leave ok out, or say where the status stands"))
	case p.status == 0 && len(o.BatteryLow) > 0:
		errs = append(errs, errors.New("battery_low: the line says no status; leave battery_low out, or say where the status stands"))
	case p.status > 0 && len(o.OK) == 0:
		errs = append(errs, errors.New("ok: list the status words of a plain reading; a word in no list is an error"))
	}
	return errors.Join(errs...)
}

// checkWord tells a word that no field can ever hold.
func (p *protocol) checkWord(option, w string) error {
	switch {
	case w == "":
		return fmt.Errorf(`%s: "" matches nothing; name a word`, option)
	case !utf8.ValidString(w):
		return fmt.Errorf("%s: %q is not UTF-8 text", option, w)
	case string(trim([]byte(w))) != w:
		return fmt.Errorf("%s: %q has blanks at its ends, which are cut from a field", option, w)
	case p.pattern == nil && len(p.separator) == 0 && strings.ContainsAny(w, " \t"):
		return fmt.Errorf("%s: %q holds a blank, but blanks separate the columns; set separator", option, w)
	case p.pattern == nil && len(p.separator) > 0 && strings.Contains(w, string(p.separator)):
		return fmt.Errorf("%s: %q holds the separator %q", option, w, p.separator)
	case strings.Contains(w, string(p.terminator)):
		return fmt.Errorf("%s: %q holds the terminator %q", option, w, p.terminator)
	}
	return nil
}
