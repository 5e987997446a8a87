package report

import (
	"fmt"
	"strings"

	"ovenward/acquire/quantity"
	"ovenward/acquire/survey"
)

func (s *Survey) procedure() []Block {
	r := &s.Result
	p := &Pairs{[]Pair{{"Procedure", raw(r.Procedure.Title)}, {"Source", words(r.Procedure.Source)}, {"Distance of the sensing centre", length(r.Plan.Distance)},
		{"Spacing of the lines", length(r.Plan.Spacing)}, {"Speed at most", of(fmt.Sprintf("%.3g cm/s", 100*r.Plan.Speed), r.Plan.Speed, "m/s")},
		{"Sweeps", count(int64(r.Plan.Sweeps))}, {"Their length", length(r.Plan.Length)}, {"A stage lasts at most", of(fmt.Sprintf("%.3g s", r.Plan.StageS), r.Plan.StageS, "s")}}}
	if r.Procedure.Unconfirmed != "" {
		p.List = append(p.List, Pair{"Not confirmed", raw(r.Procedure.Unconfirmed)})
	}
	for _, n := range r.Procedure.Notes {
		p.List = append(p.List, Pair{"Note", raw(n)})
	}
	c := &Table{Title: "Conditions", Columns: []Column{{"Condition", false}, {"Wanted", false}, {"Was", false}, {"Kept", false}}, None: "The procedure states none."}
	for _, x := range r.Conditions {
		c.Rows = append(c.Rows, []Cell{raw(x.Name), raw(x.Want), words(x.Was), raw(map[bool]string{true: "yes", false: "NO"}[x.Kept])})
	}
	t := &Table{Title: "Stages, each with a load of fresh water", Columns: []Column{{"No.", true}, {"Water", true}, {"Start", true}, {"End", true}, {"Begun", false}, {"Lasted", true}, {"The oven generated", false}, {"Evidence", false}}, None: "No stage was begun."}
	celsius := func(x *float64) Cell {
		if x == nil {
			return raw("not taken")
		}
		return of(number(*x, 0.1)+" °C", *x+273.15, "K")
	}
	for _, x := range r.Stages {
		lasted := raw("under way")
		if !x.Ended.IsZero() {
			lasted = about(x.Ended.Sub(x.Begun))
		}
		t.Rows = append(t.Rows, []Cell{count(int64(x.N)), of(fmt.Sprintf("%.4g mL", x.Volume), x.Volume*1e-6, "m³"), celsius(x.Start), celsius(x.End), raw(stamp(x.Begun)), lasted,
			raw(map[bool]string{true: "yes", false: "NOT PROVED"}[x.Proved]), words(x.Evidence)})
	}
	return []Block{p, c, t}
}

func (s *Survey) instruments() Block {
	t := &Table{Columns: []Column{{"Probe", false}, {"Identity", false}, {"Certificate", false}, {"Laboratory", false}, {"Date", false}, {"Due", false}, {"Factor", true}, {"Axes", true}, {"Response to 90 %", true}, {"Floor", true}, {"Top of range", true}},
		None: "No instrument is known."}
	for _, i := range s.Result.Instruments {
		number, date, due, factor := "none: uncalibrated", "", "", raw(notStated)
		if i.Certificate != "" {
			number, date, due = i.Certificate, day(i.Date), day(i.Due)
		}
		if i.Factor != nil {
			factor = of(fmt.Sprintf("%.5g", *i.Factor), *i.Factor, "1")
		}
		response := raw(unknown)
		if i.Response > 0 {
			response = of(fmt.Sprintf("%.3g s", i.Response), i.Response, "s")
		}
		t.Rows = append(t.Rows, []Cell{raw(i.Probe), words(i.Said), raw(number), words(i.Laboratory), raw(date), raw(due), factor, count(int64(i.Axes)), response, density(i.Floor), density(i.Range)})
	}
	return t
}

func (s *Survey) checks() Block {
	t := &Table{Title: "Checks of the probe before the survey", Columns: []Column{{"Check", false}, {"Outcome", false}, {"What was seen", false}}, None: "The probe was not checked."}
	for _, c := range s.Result.Checks {
		t.Rows = append(t.Rows, []Cell{raw(c.Name), raw(strings.ToUpper(c.Outcome)), words(c.Text)})
	}
	return t
}

func (s *Survey) background() Block {
	b := s.Result.Background
	if !b.Taken {
		return &Pairs{[]Pair{{"Background, oven off", raw("not taken")}}}
	}
	return &Pairs{[]Pair{{"Background, oven off", s.seen(float64(b.Value))}, {"… at", raw(join(b.Place, stamp(b.At)))}, {"… noise of one reading", density(quantity.PowerDensity(b.Noise))}, {"… readings", count(int64(b.N))}}}
}

// tag is what hangs on an oven that exceeds, until it was surveyed again.
func (s *Survey) tag() []Block {
	r := &s.Result
	p := &Pairs{[]Pair{{"Oven", words(r.Oven.ID)}, {"Place", words(r.Oven.Place)}, {"Found", raw(fmt.Sprintf("%s %s, %s", outcomeWords(r.Verdict.Outcome), r.Limit.ID, density(r.Limit.Value).Text))},
		{"Highest value", s.highest()}, {"Survey", raw(r.ID)}, {"Ended", raw(stamp(r.Ended))}, {"Surveyor", words(r.Who)}}}
	for _, told := range []string{"Withdrawn by, day", "Told: responsible for the site, day", "Told: licensed service, day", "Told: authority, where the law asks for it, day", "Repaired by, day", "Surveyed again by, day"} {
		p.List = append(p.List, Pair{told, raw(blank)})
	}
	return []Block{&Paragraph{Large, "DO NOT USE"}, &Paragraph{Verdict, "Withdrawn: more leaks from this oven than its limit allows. Leave it unplugged."}, &Paragraph{Warning, survey.Lethal}, p,
		&Paragraph{Plain, "This tag comes off only after a repair by licensed service and a survey after it."}}
}

func (s *Survey) notes() Block {
	t := &Table{Columns: []Column{{"Instant", false}, {"Who", false}, {"Note", false}}, None: "Nothing was noted."}
	for _, n := range s.Result.Notes {
		t.Rows = append(t.Rows, []Cell{raw(stamp(n.At)), words(n.Who), raw(n.Text)})
	}
	return t
}
