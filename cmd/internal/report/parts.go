package report

import (
	"fmt"
	"math"
	"strings"
	"time"

	"ovenward/acquire/calib"
	"ovenward/acquire/limit"
	"ovenward/acquire/quantity"
)

// Instrument is a probe as it was used.
type Instrument struct {
	Probe       string
	Identity    string // what it said it is; empty: it did not
	Port        string
	Axes        int
	Turned      bool // a one-axis probe was turned for the maximum
	TurnedBy    string
	TurnedOn    time.Time
	Range       quantity.PowerDensity
	Floor       quantity.PowerDensity
	Response    time.Duration // to 90 %
	Period      time.Duration // between polls; 0: it talks by itself
	Simulated   bool
	Certificate *calib.Certificate // nil: none
}

// Raw is the digest of the raw readings of one post.
type Raw struct {
	Post    string
	Samples int64
	SHA256  string // of the lines 'NUMBER,INSTANT,HEX': instant in UTC, RFC 3339; what was said as hexadecimal digits
	Damaged int64  // stretches that could not be read
}

// Record is what ties a report to the record it was made from.
type Record struct {
	Raw     []Raw
	Day     string // UTC, of the newest head of the chain of hashes; empty: none
	Entries int64
	Head    string // SHA-256
}

// Alarm is one occurrence of an alarm with its history.
type Alarm struct {
	Post, Rule, ID string
	Raised         time.Time
	Steps          []Step
	Told           []Told
}

// Step is a change of an alarm.
type Step struct {
	At     time.Time
	To     string // the state it went to
	Who    string // empty: the station
	Why    string
	Remark string
}

// Told is a change that was told to somebody.
type Told struct {
	At          time.Time
	Courier, To string
	Outcome     string
}

func instruments(list []Instrument) []Block {
	t := &Table{Columns: []Column{{"Probe", false}, {"Identity", false}, {"Port", false}, {"Axes", false}, {"Response to 90 %", true}, {"Floor", true}, {"Top of range", true}, {"Certificate", false}},
		None: "No instrument is known."}
	for _, i := range list {
		axes := plural(i.Axes, "axis")
		switch {
		case i.Axes > 1:
			axes = fmt.Sprintf("%d axes", i.Axes)
		case i.Axes == 0:
			axes = unknown
		case i.Turned && !i.TurnedOn.IsZero():
			axes += ", turned for the maximum by " + i.TurnedBy + " on " + day(i.TurnedOn)
		case i.Turned:
			axes += ", turned for the maximum"
		default:
			axes += ", not turned: a lower bound"
		}
		name := i.Probe
		if i.Simulated {
			name += " (SIMULATED)"
		}
		number := "none: uncalibrated"
		if i.Certificate != nil {
			number = i.Certificate.Number
		}
		response := raw(unknown)
		if i.Response > 0 {
			response = lasting(i.Response)
		}
		t.Rows = append(t.Rows, []Cell{raw(name), words(i.Identity), words(i.Port), raw(axes), response, density(i.Floor), density(i.Range), raw(number)})
	}
	return []Block{t, certificateTable(list)}
}

func certificateTable(list []Instrument) *Table {
	t := &Table{Title: "Certificates", Columns: []Column{{"Number", false}, {"Probe", false}, {"Laboratory", false}, {"Date", false}, {"Due", false}, {"Factor", true}, {"Expanded uncertainty", true}},
		None: "No probe of this report has a certificate: every value is uncalibrated, and nothing can be within."}
	seen := map[string]bool{}
	for _, i := range list {
		c := i.Certificate
		if c == nil || seen[c.Number+i.Probe] {
			continue
		}
		seen[c.Number+i.Probe] = true
		t.Rows = append(t.Rows, []Cell{raw(c.Number), raw(i.Probe), words(c.Laboratory), raw(day(c.Date)), raw(day(c.Due)), factorOf(c), uncertaintyOf(c)})
	}
	return t
}

func factorOf(c *calib.Certificate) Cell {
	if math.IsNaN(c.Factor) || c.Factor == 0 {
		return raw(notStated)
	}
	text := fmt.Sprintf("%.5g", c.Factor)
	if len(c.ByFrequency) > 0 {
		text += ", and by frequency"
	}
	if len(c.ByLevel) > 0 {
		text += ", and by level"
	}
	return of(text, c.Factor, "1")
}

func uncertaintyOf(c *calib.Certificate) Cell {
	if !(c.U > 0) {
		return raw(notStated)
	}
	return of(fmt.Sprintf("%.3g %%, k = %.3g", 100*c.U, c.K), c.U, "1")
}

func ruleWords(r limit.Rule) string {
	switch r {
	case limit.SimpleAcceptance:
		return "simple acceptance: within if the value is at or below the limit, exceeds if it is above; the uncertainty is not taken into account (ILAC-G8:09/2019)"
	case limit.GuardedRejection:
		return "guarded rejection: exceeds only if the value less its expanded uncertainty is above the limit, within if the value is at or below it (ILAC-G8:09/2019)"
	}
	return "guarded acceptance: within only if the value plus its expanded uncertainty is at or below the limit, exceeds if the value is above it, between them not decided (ILAC-G8:09/2019, JCGM 106:2012)"
}

// limitPairs states a limit and the rule it is judged by.
func limitPairs(l limit.Limit) []Pair {
	p := []Pair{{"Limit", of(l.ID+", "+density(l.Value).Text, float64(l.Value), "W/m²")}, {"Basis", raw(string(l.Basis))}, {"Source", words(l.Source)}}
	if l.Basis.Emission() {
		p = append(p, Pair{"Distance of the limit", length(l.Distance)})
	}
	if l.Averaged() {
		p = append(p, Pair{"Averaging time", lasting(l.Averaging)})
	}
	p = append(p, Pair{"Decision rule", raw(ruleWords(l.Rule))})
	if l.Unconfirmed != "" {
		p = append(p, Pair{"Not confirmed", raw(l.Unconfirmed + " of this limit")})
	}
	return p
}

// asMeasured says that the values of a time are not filtered to the response that a limit
// asks for, as those of the moment are.
func asMeasured(l limit.Limit) []Pair {
	slow := l.Response()
	if slow <= 0 {
		return nil
	}
	return []Pair{{"Values judged", raw("as measured, not filtered to the " + quantity.FormatDuration(slow) + " to 90 % of a step that the limit's document asks of a meter: the stricter way")}}
}

func alarmTable(list []Alarm) *Table {
	t := &Table{Columns: []Column{{"Post", false}, {"Alarm", false}, {"Raised", false}, {"What became of it, and who did it", false}, {"Told", false}},
		None: "No alarm was raised or changed in this time."}
	for _, a := range list {
		post := a.Post
		if post == "" {
			post = "the station"
		}
		var steps, told []string
		for _, s := range a.Steps {
			text := stamp(s.At) + ": " + s.To
			if s.Who != "" {
				text += ", by " + s.Who
			}
			if s.Remark != "" {
				text += " (“" + s.Remark + "”)"
			}
			if s.Why != "" {
				text += "; " + s.Why
			}
			steps = append(steps, text)
		}
		for _, x := range a.Told {
			told = append(told, fmt.Sprintf("%s: %s, %s: %s", stamp(x.At), x.Courier, x.To, x.Outcome))
		}
		if len(told) == 0 {
			told = []string{"nobody outside this program"}
		}
		t.Rows = append(t.Rows, []Cell{raw(post), raw(a.Rule + "\n" + a.ID), raw(stamp(a.Raised)), raw(strings.Join(steps, "\n")), raw(strings.Join(told, "\n"))})
	}
	return t
}

// trace is the section that ties a report to the record.
func (r Record) blocks() []Block {
	var blocks []Block
	if len(r.Raw) > 0 {
		t := &Table{Title: "Digest of the raw readings", Columns: []Column{{"Post", false}, {"Readings", true}, {"SHA-256", false}}}
		for _, x := range r.Raw {
			note := x.SHA256
			if x.Damaged > 0 {
				note += fmt.Sprintf("\nwithout %s that could not be read: see ovenward verify", plural(int(x.Damaged), "damaged stretch"))
			}
			t.Rows = append(t.Rows, []Cell{raw(x.Post), count(x.Samples), raw(note)})
		}
		blocks = append(blocks, t, &Paragraph{Small, "Of one line for each reading, NUMBER,INSTANT,SAID: its number, its instant in UTC as RFC 3339 writes it, what the instrument said as hexadecimal digits, and a line feed. “ovenward export” gives all three."})
	}
	head := &Pairs{[]Pair{{"Head of the chain of hashes", raw("none yet")}}}
	if r.Day != "" {
		head = &Pairs{[]Pair{{"Head of the chain of hashes", raw(r.Head)}, {"Day and entries", raw(fmt.Sprintf("%s UTC, %s entries", r.Day, group(r.Entries)))}}}
	}
	return append(blocks, head, &Paragraph{Small, "The head stands for all that was sealed in the record up to then: “ovenward verify” makes it anew from the record."})
}

// outcomeWords prints an outcome so that it stands out without colour.
func outcomeWords(o limit.Outcome) string { return strings.ToUpper(string(o)) }
