package registry

import (
	"fmt"
	"math"
	"regexp"
	"strconv"
	"time"

	"ovenward/acquire/quantity"
)

// Fault is what is wrong with one field.
type Fault struct {
	Field string `json:"field"`
	Value string `json:"value"` // as written
	Why   string `json:"why"`
	Do    string `json:"do"` // what would be right
}

// Error tells the fault in one line.
func (f Fault) Error() string {
	return fmt.Sprintf("%s: %q: %s; %s", f.Field, f.Value, f.Why, f.Do)
}

// Field is one field of a T: how people write it, and what it becomes.
type Field[T any] struct {
	Asked
	print func(*T) string
	parse func(*T, string) (why, do string) // empty when it is good
}

// Form is all fields of a T, its id first.
type Form[T any] []Field[T]

// Filled lists all fields with what x has in them.
func (f Form[T]) Filled(x T) []Filled { return list(filled[T]{f, &x}) }

// Print writes all fields as text.
func (f Form[T]) Print(x T) map[string]string { return printed(filled[T]{f, &x}) }

// Names lists the names of all fields.
func (f Form[T]) Names() []string { return names(filled[T]{form: f}) }

// Parse puts what is written over x: a field that is not written stays as it is. It
// returns everything that is wrong, in the order of the fields.
func (f Form[T]) Parse(x T, written map[string]string) (T, []Fault) {
	faults := parse(filled[T]{f, &x}, written)
	return x, faults
}

// Changes tells in words what differs from a to b, field by field.
func (f Form[T]) Changes(a, b T) []string { return changes(filled[T]{f, &a}, filled[T]{f, &b}) }

// text is a field that takes any text.
func text[T any](name, label, hint string, at func(*T) *string) Field[T] {
	return Field[T]{Asked: Asked{Name: name, Label: label, Hint: hint}, print: func(x *T) string { return *at(x) },
		parse: func(x *T, s string) (string, string) { *at(x) = s; return "", "" }}
}

var idPattern = regexp.MustCompile(`^[a-z0-9][a-z0-9-]{0,63}$`)

func id[T any](hint string, at func(*T) *string) Field[T] {
	f := text("id", "Name in the record", hint, at)
	f.Needed = true
	f.parse = func(x *T, s string) (string, string) {
		if !idPattern.MatchString(s) {
			return "it is no name for the record", "write small letters, digits and hyphens, beginning with a letter or a digit, at most 64 in all"
		}
		*at(x) = s
		return "", ""
	}
	return f
}

func day[T any](name, label, hint string, at func(*T) *time.Time) Field[T] {
	return Field[T]{Asked: Asked{Name: name, Label: label, Hint: hint}, print: func(x *T) string { return PrintDay(*at(x)) },
		parse: func(x *T, s string) (string, string) {
			d, err := ParseDay(s)
			if err != nil {
				return "it is no day", "write year-month-day, for example 2027-03-31"
			}
			*at(x) = d
			return "", ""
		}}
}

// ParseDay reads year-month-day; empty is the zero time.
func ParseDay(s string) (time.Time, error) {
	if s == "" {
		return time.Time{}, nil
	}
	d, err := time.Parse(time.DateOnly, s)
	if err == nil && (d.Year() < 1950 || d.Year() > 2200) {
		err = strconv.ErrRange
	}
	return d, err
}

// PrintDay writes year-month-day; the zero time is empty.
func PrintDay(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	return t.UTC().Format(time.DateOnly)
}

const (
	inUse     = "in use"
	withdrawn = "withdrawn"
)

func state[T any](at func(*T) *bool) Field[T] {
	return Field[T]{Asked: Asked{Name: "state", Label: "State", Hint: inUse, Needed: true, Choices: []string{inUse, withdrawn}},
		print: func(x *T) string {
			if *at(x) {
				return withdrawn
			}
			return inUse
		},
		parse: func(x *T, s string) (string, string) { *at(x) = s == withdrawn; return "", "" }}
}

func remark[T any](at func(*T) *string) Field[T] {
	f := text("remark", "Remark", "key at the porter's desk", at)
	f.Wide = true
	return f
}

// OvenForm is the form of an oven; limits are the ids of the configuration's.
func OvenForm(limits []string) Form[Oven] {
	place := text("place", "Where it stands", "main kitchen, left of the hatch", func(o *Oven) *string { return &o.Place })
	place.Needed = true
	limit := text("limit", "Limit it is judged by", "door-in-use", func(o *Oven) *string { return &o.Limit })
	limit.Needed, limit.Choices = true, limits
	if len(limits) == 0 { // none is known here: the record is looked at without a configuration
		limit.Choices = nil
	}
	return Form[Oven]{
		id("kitchen-left", func(o *Oven) *string { return &o.ID }), place,
		text("maker", "Maker, as its plate says", "", func(o *Oven) *string { return &o.Maker }),
		text("model", "Model, as its plate says", "1100 W, two shelves", func(o *Oven) *string { return &o.Model }),
		text("serial", "Serial number", "LH-2231", func(o *Oven) *string { return &o.Serial }),
		{Asked: Asked{Name: "power", Label: "Power, as its plate says", Hint: "1100 W"}, print: func(o *Oven) string {
			back, err := quantity.ParsePower(o.Power.String())
			switch {
			case o.Power == 0:
				return ""
			case err == nil && back == o.Power:
				return o.Power.String()
			}
			return o.Power.FormatExact()
		}, parse: func(o *Oven, s string) (string, string) {
			if s == "" {
				o.Power = 0
				return "", ""
			}
			p, err := quantity.ParsePower(s)
			if err != nil || !(p >= 10 && p <= 1e6) {
				return "it is no power of an oven", "write a number with W or kW, from 10 W to 1000 kW, for example 1100 W"
			}
			o.Power = p
			return "", ""
		}},
		{Asked: Asked{Name: "frequency", Label: "Frequency", Hint: "2450 MHz", Needed: true}, print: func(o *Oven) string {
			back, err := quantity.ParseFrequency(o.Frequency.String())
			switch {
			case o.Frequency == 0:
				return ""
			case err == nil && back == o.Frequency:
				return o.Frequency.String()
			}
			return o.Frequency.FormatExact()
		}, parse: func(o *Oven, s string) (string, string) {
			f, err := quantity.ParseFrequency(s)
			if err != nil || !(f >= 300e6 && f <= 300e9) {
				return "it is no frequency of microwaves", "write a number with MHz or GHz, from 300 MHz to 300 GHz, for example 2450 MHz"
			}
			o.Frequency = f
			return "", ""
		}},
		limit, day("next_check", "Next test due", "2027-03-31", func(o *Oven) *time.Time { return &o.NextCheck }),
		state(func(o *Oven) *bool { return &o.Withdrawn }), remark(func(o *Oven) *string { return &o.Remark }),
	}
}

// ProbeForm is the form of a probe.
func ProbeForm() Form[Probe] {
	return Form[Probe]{
		id("hatch", func(p *Probe) *string { return &p.ID }),
		text("maker", "Maker, as its plate says", "", func(p *Probe) *string { return &p.Maker }),
		text("model", "Model, as its plate says", "", func(p *Probe) *string { return &p.Model }),
		text("serial", "Serial number", "LH-0417", func(p *Probe) *string { return &p.Serial }),
		day("next_check", "Next look due, beside its calibration", "2027-03-31", func(p *Probe) *time.Time { return &p.NextCheck }),
		state(func(p *Probe) *bool { return &p.Withdrawn }), remark(func(p *Probe) *string { return &p.Remark }),
	}
}

// real reads a plain number from least to most.
func real[T any](name, label, hint string, needed bool, least, most float64, at func(*T) *float64) Field[T] {
	return Field[T]{Asked: Asked{Name: name, Label: label, Hint: hint, Needed: needed}, print: func(x *T) string {
		if *at(x) == 0 || math.IsNaN(*at(x)) {
			return ""
		}
		return strconv.FormatFloat(*at(x), 'g', -1, 64)
	}, parse: func(x *T, s string) (string, string) {
		v, err := strconv.ParseFloat(s, 64)
		if s == "" {
			v, err = 0, nil
		} else if err == nil && !(v >= least && v <= most) {
			err = strconv.ErrRange
		}
		if err != nil {
			return "it is no such number", fmt.Sprintf("write a number from %g to %g, for example %s", least, most, hint)
		}
		*at(x) = v
		return "", ""
	}}
}

// CertificateForm is the form of a certificate, whose id is its number.
func CertificateForm() Form[Certificate] {
	number := text("number", "Number", "LH-0417", func(c *Certificate) *string { return &c.Certificate.Number })
	lab := text("laboratory", "Laboratory", "the laboratory that signed it", func(c *Certificate) *string { return &c.Laboratory })
	date := day("date", "Calibrated on", "2026-02-10", func(c *Certificate) *time.Time { return &c.Date })
	due := day("due", "Due again on", "2027-02-10", func(c *Certificate) *time.Time { return &c.Due })
	number.Needed, lab.Needed, date.Needed, due.Needed = true, true, true, true
	parse := due.parse
	due.parse = func(c *Certificate, s string) (string, string) {
		if why, do := parse(c, s); why != "" {
			return why, do
		}
		if s != "" && !c.Date.IsZero() && !c.Due.After(c.Date) {
			return "it is not after the day of calibration", "write the day by which the probe is to be calibrated again"
		}
		return "", ""
	}
	return Form[Certificate]{
		number, lab, date, due,
		real("factor", "Factor, as left", "1.03", true, 0.1, 10, func(c *Certificate) *float64 { return &c.Factor }),
		{Asked: Asked{Name: "expanded_uncertainty", Label: "Expanded uncertainty", Hint: "15 %", Needed: true}, print: func(c *Certificate) string {
			if c.U == 0 || math.IsNaN(c.U) {
				return ""
			}
			return strconv.FormatFloat(100*c.U, 'g', 12, 64) + " %"
		}, parse: func(c *Certificate, s string) (string, string) {
			if s == "" {
				c.U = 0
				return "", ""
			}
			v, err := quantity.ParseRatio(s)
			if err != nil || !(v >= 0.0001 && v <= 1) {
				return "it is no such share", "write per cent of the reading, from 0.01 % to 100 %, for example 15 %"
			}
			c.U = v
			return "", ""
		}},
		real("k", "Coverage factor k of it", "2", true, 1, 14, func(c *Certificate) *float64 { return &c.K }),
		real("as_found", "Factor as found, before any adjustment", "1.05", false, 0.1, 10, func(c *Certificate) *float64 { return &c.AsFound }),
	}
}

// TestForm is the form of an entry of an oven's history.
func TestForm() Form[Test] {
	on := day("on", "Day", "2026-06-03", func(t *Test) *time.Time { return &t.On })
	kind := text("kind", "What it was", "inspection", func(t *Test) *string { return &t.Kind })
	by := text("by", "Who did it", "P. Marlow", func(t *Test) *string { return &t.By })
	what := text("text", "What was done and found", "door seal looked at, sealing face clean", func(t *Test) *string { return &t.Text })
	outcome := text("outcome", "Against its limit", "within", func(t *Test) *string { return &t.Outcome })
	kind.Choices, outcome.Choices = Kinds(), Outcomes()
	on.Needed, kind.Needed, by.Needed, what.Needed, what.Wide = true, true, true, true, true
	return Form[Test]{on, kind, by, outcome,
		{Asked: Asked{Name: "highest", Label: "Highest value found", Hint: "0.8 mW/cm2"}, print: func(t *Test) string {
			if !t.HasValue {
				return ""
			}
			return t.Highest.FormatExact(quantity.MilliwattPerSquareCentimetre())
		}, parse: func(t *Test, s string) (string, string) {
			t.HasValue = s != ""
			if s == "" {
				return "", ""
			}
			v, err := quantity.ParsePowerDensity(s)
			if err != nil || !(v >= 0 && v <= 1e6) {
				return "it is no power density", "write a number with its unit, for example 0.8 mW/cm2"
			}
			t.Highest = v
			return "", ""
		}},
		what}
}
