package round

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"ovenward/acquire/limit"
	"ovenward/acquire/quantity"
)

// mostRows bounds a file of checks, and mostWrong the mistakes that are told of it.
const (
	mostRows  = 100_000
	mostWrong = 20
	mostText  = 500 // characters of a cell
)

// columns are those that a file of checks may have.
func columns() []string {
	return []string{"oven", "place", "day", "outcome", "highest", "by", "next check", "remark"}
}

// ParseChecks reads results of earlier checks from comma-separated lines under a
// line of headings:
//
//	oven,place,day,outcome,highest (mW/cm2),by,next check,remark
//	combi 2,kitchen,2029-11-20,within,0.31,M. Ashdown,2030-11-20,
//
// oven and day are needed. outcome is within, exceeds, not decided or nothing; a
// highest value stands in the heading's unit, or has one of its own. No check is
// after today. All that is wrong is told at once, with name and line, and then no
// check is returned.
func ParseChecks(name string, data []byte, today time.Time) ([]Check, error) {
	p := parser{name: name, today: midnight(today), r: csv.NewReader(bytes.NewReader(bytes.TrimPrefix(data, []byte("\ufeff"))))}
	p.r.FieldsPerRecord, p.r.TrimLeadingSpace = -1, true
	for len(p.wrong) < mostWrong && len(p.checks) <= mostRows && !p.stop {
		row, err := p.r.Read()
		if err == io.EOF {
			break
		}
		p.line, _ = 0, 0
		if err != nil {
			var at *csv.ParseError
			if errors.As(err, &at) {
				p.line, err = at.Line, at.Err
			}
			p.say("%v: put a text with a comma or quotation mark in it in quotation marks", err)
			break
		}
		p.line, _ = p.r.FieldPos(0)
		for i := range row {
			row[i] = strings.TrimSpace(row[i])
		}
		if p.at == nil {
			p.headings(row)
		} else {
			p.row(row)
		}
	}
	switch {
	case len(p.wrong) >= mostWrong:
		p.wrong = append(p.wrong, fmt.Errorf("%s: there may be more mistakes; these come first", name))
	case p.at == nil && len(p.wrong) == 0:
		p.wrong = append(p.wrong, fmt.Errorf(`%s: no line of headings: write "oven,day,outcome" above the checks`, name))
	case len(p.checks) > mostRows:
		p.wrong = append(p.wrong, fmt.Errorf("%s: more than %d checks: part the file", name, mostRows))
	}
	if len(p.wrong) > 0 {
		return nil, errors.Join(p.wrong...)
	}
	return p.checks, nil
}

type parser struct {
	name   string
	today  time.Time
	r      *csv.Reader
	line   int
	at     map[string]int // column by name
	unit   quantity.Unit  // of highest; the zero Unit: in each cell
	checks []Check
	wrong  []error
	stop   bool
}

func (p *parser) say(format string, args ...any) {
	p.wrong = append(p.wrong, fmt.Errorf("%s:%d: %s", p.name, p.line, fmt.Sprintf(format, args...)))
}

func (p *parser) headings(row []string) {
	at := map[string]int{}
	for i, h := range row {
		name, unit, _ := strings.Cut(strings.ToLower(strings.ReplaceAll(h, "_", " ")), "(")
		name = strings.TrimSpace(name)
		if name == "" {
			continue
		}
		if !slices.Contains(columns(), name) {
			p.say("there is no column %q; there are %s", h, strings.Join(columns(), ", "))
			continue
		}
		if _, twice := at[name]; twice {
			p.say("the column %q stands twice", name)
		}
		at[name] = i
		if _, written, has := strings.Cut(h, "("); name == "highest" && has {
			u, known := quantity.LookupUnit(strings.TrimSuffix(strings.TrimSpace(written), ")"))
			if _, density := u.PowerDensity(1); !known || !density {
				p.say("%q is no unit of power density; write for example highest (mW/cm2)", unit)
			}
			p.unit = u
		}
	}
	for _, need := range []string{"oven", "day"} {
		if _, has := at[need]; !has {
			p.say("there is no column %q, which is needed", need)
		}
	}
	p.at, p.stop = at, len(p.wrong) > 0
}

func (p *parser) row(row []string) {
	if !slices.ContainsFunc(row, func(s string) bool { return s != "" }) {
		return
	}
	cell := func(name string) string {
		if i, has := p.at[name]; has && i < len(row) {
			return row[i]
		}
		return ""
	}
	before := len(p.wrong)
	for _, s := range row {
		if !utf8.ValidString(s) || utf8.RuneCountInString(s) > mostText {
			p.say("a cell is no text in UTF-8, or longer than %d characters", mostText)
			return
		}
	}
	c := Check{Oven: cell("oven"), Place: cell("place"), By: cell("by"), Remark: cell("remark"), Source: fmt.Sprintf("%s:%d", p.name, p.line), Imported: true}
	if c.Oven == "" {
		p.say("no oven is named")
	}
	c.On = p.day("day", cell("day"))
	if c.On.After(p.today) {
		p.say("day: %s has not come yet", cell("day"))
	}
	if next := cell("next check"); next != "" {
		if c.Next = p.day("next check", next); !c.Next.IsZero() && !c.Next.After(c.On) {
			p.say("next check: %s is not after the check itself, %s", next, cell("day"))
		}
	}
	switch o := limit.Outcome(strings.ToLower(cell("outcome"))); o {
	case "", limit.Within, limit.Exceeds, limit.NotDecided:
		c.Outcome = o
	default:
		p.say("outcome: %q is none; write within, exceeds, not decided, or nothing", cell("outcome"))
	}
	if text := cell("highest"); text != "" {
		c.Highest, c.HasValue = p.value(text), true
	}
	if len(p.wrong) == before {
		p.checks = append(p.checks, c)
	}
}

func (p *parser) day(column, text string) time.Time {
	t, err := time.Parse(time.DateOnly, text)
	if err != nil || t.Year() < 1945 || t.Year() > 2200 {
		p.say("%s: %q is no day; write year-month-day, such as 2029-11-20", column, text)
		return time.Time{}
	}
	return t
}

func (p *parser) value(text string) quantity.PowerDensity {
	if p.unit != (quantity.Unit{}) {
		text += " " + p.unit.String()
	}
	v, err := quantity.ParsePowerDensity(text)
	if err == nil && !(v >= 0) {
		err = fmt.Errorf("%q is below zero, which no field is", text)
	}
	if err != nil {
		p.say("highest: %v", err)
		return 0
	}
	return v
}

// New returns those of checks that are not among others already: of the same oven on
// the same day, with the same outcome and value.
func New(checks, others []Check) []Check {
	type key struct {
		oven    string
		on      time.Time
		outcome limit.Outcome
		highest quantity.PowerDensity
		has     bool
	}
	of := func(c Check) key { return key{c.Oven, midnight(c.On), c.Outcome, c.Highest, c.HasValue} }
	have := map[key]bool{}
	for _, c := range others {
		have[of(c)] = true
	}
	var out []Check
	for _, c := range checks {
		if k := of(c); !have[k] {
			have[k] = true
			out = append(out, c)
		}
	}
	return out
}
