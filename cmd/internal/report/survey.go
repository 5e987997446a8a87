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

// maps draws each surface on which there are places.
func (s *Survey) maps() []Block {
	var all []Block
	for _, surface := range []survey.Surface{survey.Front, survey.Top, survey.Left, survey.Right, survey.Back, survey.Bottom} {
		var on []*survey.Place
		for i := range s.Result.Places {
			if s.Result.Places[i].Surface == surface {
				on = append(on, &s.Result.Places[i])
			}
		}
		if w, h := s.Result.Oven.Door.Size(surface); len(on) > 0 && w > 0 && h > 0 {
			all = append(all, s.surface(surface, on))
		}
	}
	if len(all) == 0 {
		return []Block{&Paragraph{Plain, "No place was held, so there is no map."}}
	}
	return all
}

// surfaceMap is a drawing of one surface under way.
type surfaceMap struct {
	Drawing
	scale      float64 // mm a metre
	left, base float64
	labels     [][4]float64 // boxes that are taken
}

const (
	mapWidth, mapHeight = 110.0, 88.0
	mapRoom             = 22.0 // on each side, for labels
)

func (m *surfaceMap) at(x, y quantity.Length) (float64, float64) {
	return m.left + float64(x)*m.scale, m.base - float64(y)*m.scale
}

func (m *surfaceMap) rect(r survey.Rect, width float64, line Colour, filled bool, fill Colour) {
	x, y := m.at(r.X, r.Y+r.Height)
	m.box(x, y, float64(r.Width)*m.scale, float64(r.Height)*m.scale, width, line, filled, fill)
}

func (s *Survey) surface(surface survey.Surface, on []*survey.Place) Block {
	door := s.Result.Oven.Door
	w, h := door.Size(surface)
	scale := min(mapWidth/float64(w), mapHeight/float64(h))
	if surface != survey.Front {
		scale = min(mapWidth/float64(w), 0.6*mapHeight/float64(h))
	}
	m := &surfaceMap{scale: scale}
	m.Width, m.Height = 174, float64(h)*scale+2*8
	m.left, m.base = (m.Width-float64(w)*scale)/2, m.Height-8
	m.rect(survey.Rect{Width: w, Height: h}, 0.5, Ink, true, Faint)
	if surface == survey.Front {
		m.front(door)
	}
	for i := quantity.Length(1); i < 3; i++ {
		x, _ := m.at(w*i/3, 0)
		_, y := m.at(0, h*i/3)
		m.line(0.1, Grey, 0.8, Point{x, m.base}, Point{x, m.base - float64(h)*scale})
		m.line(0.1, Grey, 0.8, Point{m.left, y}, Point{m.left + float64(w)*scale, y})
	}
	for _, v := range door.Vents {
		if v.Surface == surface {
			m.vent(v.Rect)
		}
	}
	for _, p := range on {
		x, y := m.at(p.X, p.Y)
		m.keep(x, y)
	}
	for _, p := range on {
		m.mark(p, s.underFloor(p))
	}
	return &Figure{Title: fmt.Sprintf("%s, seen from before it, %s by %s", strings.ToUpper(string(surface[:1]))+string(surface[1:]), w, h),
		Alt: "Numbers are those of the places in the table; values in mW/cm². Open ring: within. Full ring: exceeds. Cross: not decided. Dashed lines: the cells, 1 to 9 from the upper left.", Drawing: m.Drawing}
}

// front draws leaf, screen, panel, handle and hinge.
func (m *surfaceMap) front(d survey.Door) {
	leaf := d.Leaf()
	m.rect(leaf, 0.6, Ink, true, White)
	if d.ScreenWidth > 0 {
		m.rect(d.Screen(), 0.3, Grey, true, Faint)
		x, y := m.at(d.Screen().X+d.ScreenWidth/2, d.Screen().Y+d.ScreenHeight)
		m.text(x, y+3.2, 6, Middle, Grey, "screen")
	}
	if d.Panel > 0 {
		m.rect(d.PanelRect(), 0.3, Grey, true, Faint)
		p := d.PanelRect()
		x, y := m.at(p.X+p.Width/2, p.Y+p.Height)
		m.text(x, y+3.2, 6, Middle, Grey, "panel")
	}
	for _, k := range d.Knobs {
		m.rect(k.Rect, 0.3, Grey, true, Pale)
	}
	x0, y0 := m.at(leaf.X, leaf.Y)
	x1, y1 := m.at(leaf.X+leaf.Width, leaf.Y+leaf.Height)
	const t = 1.4
	switch d.Hinge {
	case survey.Left:
		m.box(x0-t/2, y1+4, t, y0-y1-8, 0.2, Ink, true, Ink)
	case survey.Right:
		m.box(x1-t/2, y1+4, t, y0-y1-8, 0.2, Ink, true, Ink)
	case survey.Top:
		m.box(x0+4, y1-t/2, x1-x0-8, t, 0.2, Ink, true, Ink)
	case survey.Bottom:
		m.box(x0+4, y0-t/2, x1-x0-8, t, 0.2, Ink, true, Ink)
	}
	m.text(m.left, m.base+5, 6, Start, Grey, "thick edge: hinge, "+string(d.Hinge))
}

func (m *surfaceMap) vent(r survey.Rect) {
	m.rect(r, 0.2, Grey, false, White)
	for i := quantity.Length(1); i < 4; i++ {
		x0, y := m.at(r.X, r.Y+r.Height*i/4)
		x1, _ := m.at(r.X+r.Width, r.Y)
		m.line(0.15, Grey, 0, Point{x0, y}, Point{x1, y})
	}
}

// keep holds a mark's own place free of labels.
func (m *surfaceMap) keep(x, y float64) {
	m.labels = append(m.labels, [4]float64{x - 1.2, y - 1.2, x + 1.2, y + 1.2})
}

// mark draws one place with its number and value, beside it where there is room.
func (m *surfaceMap) mark(p *survey.Place, under bool) {
	x, y := m.at(p.X, p.Y)
	switch p.Verdict.Outcome {
	case limit.Within:
		m.ring(x, y, 1.1, Ink, false)
	case limit.Exceeds:
		m.ring(x, y, 1.4, Red, true)
	default:
		m.cross(x, y, 1.1, Ink)
	}
	text := fmt.Sprintf("%d: no value", p.N)
	if p.OverRange {
		text = fmt.Sprintf("%d: over range", p.N)
	} else if under {
		text = fmt.Sprintf("%d: under floor", p.N)
	} else if p.Value != nil {
		text = fmt.Sprintf("%d: %.3g", p.N, mw(*p.Value))
	}
	wide, high := 1.25*float64(len(text))+0.6, 2.6
	const off = 2.0
	for _, ring := range []float64{0, 1, 2, 3} {
		d := off + ring*high
		for _, c := range [][2]float64{{x + off, y - high/2 - ring*high}, {x - off - wide, y - high/2 - ring*high}, {x - wide/2, y - d - high}, {x - wide/2, y + d}, {x + off, y - high/2 + ring*high}, {x - off - wide, y - high/2 + ring*high}} {
			b := [4]float64{c[0], c[1], c[0] + wide, c[1] + high}
			if b[0] < 0 || b[2] > m.Width || b[1] < 0 || b[3] > m.Height || slices.ContainsFunc(m.labels, func(o [4]float64) bool {
				return b[0] < o[2] && o[0] < b[2] && b[1] < o[3] && o[1] < b[3]
			}) {
				continue
			}
			m.labels = append(m.labels, b)
			m.area(White, Point{b[0], b[1] + 0.1}, Point{b[2], b[1] + 0.1}, Point{b[2], b[3]}, Point{b[0], b[3]}) // it may lie on a line
			m.text(b[0]+0.3, b[3]-0.5, 6.5, Start, Ink, text)
			return
		}
	}
	m.text(x, y+0.9, 5, Middle, Ink, fmt.Sprint(p.N)) // crowded: the table gives the value
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
