package report

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"ovenward/acquire/limit"
	"ovenward/acquire/quantity"
	"ovenward/acquire/survey"
)

// Survey is a survey of an oven's door.
type Survey struct {
	Result  survey.Result
	Form    Form
	Record  Record
	Version string
}

// Form is what published inspection forms ask for beside what a survey measures
// (HEW Publication (FDA) 77-8037, section 5, form FD 2536; laboratory procedure,
// appendix A). What is empty is printed as a line to fill in.
type Form struct {
	Type         string // initial, follow-up, reinspection, special
	Agency       string
	Owner        string
	Maker, Brand string
	Model        string
	Serial       string
	Manufactured string
	Label        string // whether the certification label is there
	Location     string // home, retailer, canteen, eating place
	UsesPerDay   string
	RunsOpen     string // whether it runs with the door open 2 in
	DoorOpening  string // highest leakage while the door opens
	LastService  string // when and by whom
	LineVoltage  string
	Remarks      string
}

// blank is printed where a form wants a hand to fill it in.
const blank = "____________________"

// Document makes the report.
func (s *Survey) Document() *Document {
	r := &s.Result
	as := r.Ended
	if as.IsZero() {
		as = r.Begun
	}
	d := &Document{Kind: "survey", Title: "Survey of an oven's door", Site: r.Site, Of: join(r.Oven.ID, r.Oven.Place, r.ID), As: as, Simulated: r.Simulated, Version: s.Version}
	verdict := outcomeWords(r.Verdict.Outcome)
	if r.State != survey.Complete {
		verdict += fmt.Sprintf(" (%s)", r.State)
	}
	l := limit.Limit{ID: r.Limit.ID, Value: r.Limit.Value, Distance: r.Limit.Distance, Basis: r.Limit.Basis, Source: r.Limit.Source, Rule: r.Limit.Rule, Unconfirmed: r.Limit.Unconfirmed}
	blocks := []Block{&Paragraph{Verdict, verdict}}
	if r.Verdict.Outcome == limit.Exceeds {
		blocks = append(blocks, &Paragraph{Warning, survey.Lethal})
	}
	facts := []Pair{{"Reasons", raw(strings.Join(r.Verdict.Reasons, ";\n"))}, {"Highest value", s.highest()}}
	if r.Why != "" {
		facts = append(facts, Pair{"It ended because", raw(r.Why)})
	}
	d.add("Verdict", append(blocks, &Pairs{append(facts, limitPairs(l)...)})...)
	d.add("What to do next", s.next())
	d.add("Door map", s.maps()...)
	d.add("Places", s.places())
	d.add("Comparison with the last survey", s.comparison()...)
	d.add("Oven and inspection", s.form())
	d.add("Procedure", s.procedure()...)
	d.add("Instruments and certificates", s.instruments(), s.checks(), s.background())
	d.add("Notes", s.notes())
	record := s.Record.blocks()
	if raw := r.Raw; raw != nil {
		record = append([]Block{&Pairs{[]Pair{{"Raw readings", Cell{Text: fmt.Sprintf("%s of post %s, numbers %d to %d", group(int64(raw.N)), raw.Post, raw.From, raw.To)}},
			{"Their SHA-256", Cell{Text: raw.SHA256}}, {"… of", Cell{Text: "one line for each reading: number, TAB, instant, TAB, what was said, LF"}}}}}, record...)
	}
	d.add("Record", record...)
	d.add("Cautions", cautions(r.Cautions...)...)
	d.add("Signatures", &Signatures{[]string{"Surveyed by", "Responsible for the oven"}})
	if r.Verdict.Outcome == limit.Exceeds {
		d.add("Tag for the oven: cut it out and hang it on the door", s.tag()...)
		d.Sections[len(d.Sections)-1].Apart = true
	}
	return d
}

// valueOf is a hold's value in words.
func (s *Survey) valueOf(p *survey.Place) Cell {
	switch {
	case p.OverRange:
		return raw("over range")
	case p.Value == nil:
		return raw("no value")
	case s.underFloor(p):
		return raw("under the floor, < " + density(s.Result.Instruments[0].Floor).Text)
	case p.U == nil:
		c := density(quantity.PowerDensity(*p.Value))
		c.Text += ", uncertainty not known"
		return c
	}
	return uncertain(quantity.PowerDensity(*p.Value), quantity.PowerDensity(*p.U))
}

// underFloor says whether a hold shows only the probe's own noise.
func (s *Survey) underFloor(p *survey.Place) bool {
	in := s.Result.Instruments
	return len(in) > 0 && p.Value != nil && survey.UnderFloor(*p.Value, in[0].Floor)
}

// seen is a value that the probe of this survey showed.
func (s *Survey) seen(v float64) Cell {
	if len(s.Result.Instruments) == 0 {
		return density(quantity.PowerDensity(v))
	}
	return over(v, s.Result.Instruments[0].Floor)
}

// over is a value, and nothing finer than the floor of the probe that showed it.
func over(v float64, floor quantity.PowerDensity) Cell {
	if survey.UnderFloor(v, floor) {
		return raw("< " + density(floor).Text)
	}
	return density(quantity.PowerDensity(v))
}

func (s *Survey) highest() Cell {
	for i := range s.Result.Places {
		if p := &s.Result.Places[i]; p.N == s.Result.Verdict.Worst {
			c := s.valueOf(p)
			c.Text += fmt.Sprintf(" at place %d, %s, %s, cell %d", p.N, p.Sweep, p.Surface, p.Cell)
			return c
		}
	}
	return raw("no value")
}

func (s *Survey) next() Block {
	r := &s.Result
	p := &Pairs{}
	for i, n := range r.Next {
		p.List = append(p.List, Pair{fmt.Sprintf("%d", i+1), raw(n)})
	}
	if !r.NextCheck.IsZero() {
		p.List = append(p.List, Pair{"Next check", raw(day(r.NextCheck))})
	}
	return p
}

func (s *Survey) places() Block {
	t := &Table{Columns: []Column{{"No.", true}, {"Place", false}, {"Surface, cell", false}, {"From the left, up", false}, {"Value", true}, {"Oven off", true}, {"To the limit", true}, {"Seen in the sweep", true}, {"Outcome", false}, {"Reasons", false}, {"Held", true}},
		None: "No place was held."}
	for i := range s.Result.Places {
		p := &s.Result.Places[i]
		ratio, peak := raw(""), raw("")
		if x := s.Result.RatioOf(p); x != nil && !math.IsInf(*x, 0) {
			ratio = of(survey.Times(*x, 3), *x, "1")
		}
		if p.Peak != nil {
			peak = s.seen(*p.Peak)
		}
		off := raw("not taken")
		if b := s.Result.Background; b.Taken {
			off = s.seen(float64(b.Value))
		}
		where := p.Sweep
		if p.Pulled {
			where += ", somebody pulling on the closed door"
		}
		reasons := slices.Clone(p.Verdict.Reasons)
		if p.Note != "" {
			reasons = append(reasons, "note: "+p.Note)
		}
		held := fmt.Sprintf("%.3g s, stage %d", p.Held, p.Stage)
		if !p.Settled {
			held += ", not settled"
		}
		t.Rows = append(t.Rows, []Cell{count(int64(p.N)), raw(where), raw(fmt.Sprintf("%s, %d", p.Surface, p.Cell)), raw(number(1000*float64(p.X), 1) + " mm, " + number(1000*float64(p.Y), 1) + " mm"),
			s.valueOf(p), off, ratio, peak, raw(outcomeWords(p.Verdict.Outcome)), raw(strings.Join(reasons, "; ")), raw(held)})
	}
	return t
}

func (s *Survey) comparison() []Block {
	c := s.Result.Comparison
	if c == nil {
		return []Block{&Paragraph{Plain, "There is no earlier survey of this oven in the record."}}
	}
	p := &Pairs{[]Pair{{"Survey", raw(c.ID)}, {"Ended", raw(stamp(c.Ended))}, {"Outcome", raw(outcomeWords(c.Outcome))}, {"In words", words(c.Text)}}}
	if c.Change != nil {
		change := of(signed(*c.Change), *c.Change, "W/m²")
		if c.U != nil {
			change.Text += " ± " + density(quantity.PowerDensity(*c.U)).Text
		}
		p.List = append(p.List, Pair{"Change of the highest value", change})
	}
	t := &Table{Title: "Highest value by cell", Columns: []Column{{"Surface", false}, {"Cell", true}, {"Then", true}, {"Now", true}}, None: "No cell was measured both times."}
	for _, x := range c.Cells {
		t.Rows = append(t.Rows, []Cell{raw(string(x.Surface)), count(int64(x.Cell)), over(x.Then, c.Floor), s.seen(x.Now)})
	}
	return []Block{p, t}
}

func signed(x float64) string {
	text := density(quantity.PowerDensity(x)).Text
	if x > 0 {
		return "+" + text
	}
	return text
}

func (s *Survey) form() Block {
	r, f := &s.Result, &s.Form
	model := f.Model
	if model == "" {
		model = r.Oven.Model
	}
	turn := raw("not stated")
	if r.Oven.Stirrer > 0 {
		turn = of(fmt.Sprintf("%.3g s", r.Oven.Stirrer), r.Oven.Stirrer, "s")
	}
	p := &Pairs{[]Pair{{"Survey", raw(r.ID)}, {"Begun", raw(stamp(r.Begun))}, {"Ended", raw(stamp(r.Ended))}, {"Surveyor", words(r.Who)}, {"Oven", words(r.Oven.ID)}, {"Place", words(r.Oven.Place)}, {"Model", fill(model)},
		{"Rated output", of(fmt.Sprintf("%.4g W", r.Oven.Power), r.Oven.Power, "W")}, {"Stirrer's turn", turn}}}
	for _, x := range []struct{ name, is string }{{"Type of survey", f.Type}, {"Agency or region", f.Agency}, {"Owner", f.Owner}, {"Maker", f.Maker}, {"Brand", f.Brand}, {"Serial number", f.Serial},
		{"Date of manufacture", f.Manufactured}, {"Certification label", f.Label}, {"Type of location", f.Location}, {"Uses per day", f.UsesPerDay}, {"Runs with the door open by 2 in", f.RunsOpen},
		{"Highest leakage while the door opens", f.DoorOpening}, {"Last service, and by whom", f.LastService}, {"Line voltage", f.LineVoltage}, {"Remarks", f.Remarks}} {
		p.List = append(p.List, Pair{x.name, fill(x.is)})
	}
	return p
}

func fill(s string) Cell {
	if s == "" {
		return raw(blank)
	}
	return raw(s)
}
