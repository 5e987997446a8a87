package report

import (
	"fmt"
	"math"
	"strings"
	"time"

	"ovenward/acquire/quantity"
	"ovenward/acquire/survey"
)

// StandOff is a walk back from an oven, and what its fit bears.
type StandOff struct {
	Site, Oven, Place string
	Door, Load        string // the state of both, as stated
	By                string
	Day               time.Time
	Instruments       []Instrument
	File, SHA256      string // of the marks
	Result            survey.StandOff
	Remarks           []string // beside the fit's own warnings
	Simulated         bool
	Version           string
}

// LineCaution stands with every distance of a walk back.
const LineCaution = "Along this line, with this load and door, today; not a safety distance."

// Document makes the report.
func (s *StandOff) Document() *Document {
	d := &Document{Kind: "standoff", Title: "Walk back from an oven", Site: s.Site, Of: join(s.Oven, s.Place), As: s.Day, Simulated: s.Simulated, Version: s.Version}
	r := &s.Result
	if len(r.Refused) > 0 {
		d.add("Distances", &Paragraph{Verdict, "No exponent and no distance"}, &Paragraph{Plain, strings.Join(r.Refused, ";\n")}, &Paragraph{Warning, LineCaution})
	} else {
		d.add("Distances", s.distances(), &Paragraph{Warning, LineCaution})
		d.add("Curve", s.curve(), s.residuals(), s.parameters())
	}
	d.add("Marks", s.marks())
	var notes []Block
	for _, w := range r.Warnings {
		notes = append(notes, &Paragraph{Warning, "Warning: " + w})
	}
	for _, n := range s.Remarks {
		notes = append(notes, &Paragraph{Plain, "Note: " + n})
	}
	d.add("Warnings and notes", notes...)
	d.add("Conditions", &Pairs{[]Pair{{"Day", raw(day(s.Day))}, {"Oven", words(s.Oven)}, {"Place", words(s.Place)}, {"Door", words(s.Door)}, {"Load", words(s.Load)}, {"Walked by", words(s.By)},
		{"File of the marks", words(s.File)}, {"SHA-256 of that file", words(s.SHA256)}}})
	if len(s.Instruments) > 0 {
		d.add("Instruments and certificates", instruments(s.Instruments)...)
	} else {
		d.add("Instruments and certificates", &Paragraph{Plain, "The file of the marks names no instrument and no certificate: write them beside the signature."})
	}
	d.add("Cautions", cautions(LineCaution, "A distance is where the fitted curve passes a level along the line that was walked. Fields beside it, above it, from another load, another setting or a worn door can be higher.")...)
	d.add("Signatures", &Signatures{[]string{"Walked by", "Checked by"}})
	return d
}

func metres(x float64) string {
	if x == 0 || math.IsInf(x, 0) || math.IsNaN(x) {
		return unknown
	}
	p := math.Pow(10, 2-math.Floor(math.Log10(math.Abs(x))))
	return quantity.Length(math.Round(x*p) / p).String()
}

// interval prints the ends of an estimate, with words where one is not given.
func interval(e survey.Estimate, print func(float64) string) string {
	switch lo, hi := math.IsInf(e.Lo, 0), math.IsInf(e.Hi, 0); {
	case lo && hi:
		return "not bounded"
	case lo:
		return "at most " + print(e.Hi) + ", not bounded from below"
	case hi:
		return "at least " + print(e.Lo) + ", not bounded from above"
	}
	return print(e.Lo) + " to " + print(e.Hi)
}

func (s *StandOff) distances() Block {
	t := &Table{Columns: []Column{{"Level", false}, {"Value", true}, {"Distance", true}, {"Interval for 95 %", false}, {"Seen from the marks", false}, {"Source", false}}, None: "No level was asked for."}
	for _, l := range s.Result.Levels {
		row := []Cell{raw(l.Name), density(l.Value)}
		if l.Where == survey.Nowhere {
			row = append(row, raw("no distance"), raw(""), raw(l.Why))
		} else {
			where := string(l.Where)
			switch {
			case l.Where != survey.Among:
				where = "EXTRAPOLATED: " + where
			case l.Beyond:
				where = "the interval is EXTRAPOLATED in part: it leaves the marks"
			}
			row = append(row, of(metres(l.Distance.Value), l.Distance.Value, "m"), raw(interval(l.Distance, metres)), raw(where))
		}
		t.Rows = append(t.Rows, append(row, words(l.Source)))
	}
	return t
}

func (s *StandOff) parameters() Block {
	r := &s.Result
	level := func(x float64) string { return density(quantity.PowerDensity(x)).Text }
	plain := func(x float64) string { return fmt.Sprintf("%.3g", x) }
	t := &Table{Title: "S(r) = S0·(r0/r)^n + background, fitted by weighted least squares, intervals for 95 % by profile likelihood",
		Columns: []Column{{"Parameter", false}, {"Value", true}, {"Interval", false}}}
	t.Rows = [][]Cell{
		{raw("S0 at r0 = " + r.From.String()), of(level(r.S0.Value), r.S0.Value, "W/m²"), raw(interval(r.S0, level))},
		{raw("n"), of(fmt.Sprintf("%.4g", r.N.Value), r.N.Value, "1"), raw(interval(r.N, plain))},
		{raw("background"), of(level(r.Background.Value), r.Background.Value, "W/m²"), raw(interval(r.Background, level))},
	}
	if r.Stated {
		t.Rows = append(t.Rows, []Cell{raw("weighted sum of squares"), of(fmt.Sprintf("%.4g", r.Sum), r.Sum, "1"), raw(fmt.Sprintf("%s of freedom; as large by chance with probability %.2g", plural(r.DF, "degree"), r.P))})
	} else {
		t.Rows = append(t.Rows, []Cell{raw("scatter about the curve"), raw(level(math.Sqrt(r.Sum / float64(r.DF)))), raw(plural(r.DF, "degree") + " of freedom; no uncertainty was stated")})
	}
	return t
}

// fitted is the curve at a distance, W/m².
func (s *StandOff) fitted(x float64) float64 {
	r := &s.Result
	return r.S0.Value*math.Pow(float64(r.From)/x, r.N.Value) + r.Background.Value
}

// extent is what the marks and the levels span, with some room.
func (s *StandOff) extent() (x, y axis) {
	x, y = axis{title: "distance in m", log: true, lo: math.Inf(1)}, axis{title: "mW/cm²", log: true, lo: math.Inf(1)}
	take := func(a *axis, v float64) {
		if a.fits(v) {
			a.lo, a.hi = min(a.lo, v), max(a.hi, v)
		}
	}
	for _, m := range s.Result.Marks {
		if !m.Off() {
			take(&x, float64(m.Distance))
			take(&y, mw(float64(m.Value)))
		}
	}
	for _, l := range s.Result.Levels {
		take(&y, mw(float64(l.Value)))
		if l.Where != survey.Nowhere && l.Distance.Value < 4*float64(s.Result.To) && l.Distance.Value > float64(s.Result.From)/4 {
			take(&x, l.Distance.Value)
		}
	}
	x.lo, x.hi, y.lo, y.hi = x.lo/1.15, x.hi*1.15, y.lo/1.4, y.hi*1.4
	return x, y
}

func (s *StandOff) curve() Block {
	x, y := s.extent()
	c := newChart(174, 78, x, y)
	for _, l := range s.Result.Levels {
		c.level(mw(float64(l.Value)), l.Name)
	}
	const steps = 120
	seen, far, near := []Point{}, []Point{}, []Point{}
	data := Series{"fitted curve", "m", "W/m²", nil}
	for i := range steps + 1 {
		r := x.lo * math.Pow(x.hi/x.lo, float64(i)/steps)
		v := s.fitted(r)
		if !y.fits(v) || mw(v) < y.lo || mw(v) > y.hi {
			continue
		}
		p := Point{c.px(r), c.py(mw(v))}
		switch {
		case r < float64(s.Result.From):
			near = append(near, p)
		case r > float64(s.Result.To):
			far = append(far, p)
		default:
			seen = append(seen, p)
			data.Point = append(data.Point, Point{r, v})
		}
	}
	c.line(0.4, Blue, 0, seen...)
	c.line(0.3, Blue, 0.8, near...)
	c.line(0.3, Blue, 0.8, far...)
	marks := Series{"marks", "m", "W/m²", nil}
	for _, m := range s.Result.Marks {
		if v := mw(float64(m.Value)); !m.Off() && y.fits(v) {
			px := c.px(float64(m.Distance))
			if lo := max(mw(float64(m.Value-m.U)), y.lo); m.U > 0 && lo < v {
				c.line(0.25, Ink, 0, Point{px, c.py(lo)}, Point{px, c.py(mw(float64(m.Value + m.U)))})
			}
			c.ring(px, c.py(v), 1, Ink, !m.Left)
			marks.Point = append(marks.Point, Point{float64(m.Distance), float64(m.Value)})
		}
	}
	return &Figure{"Power density along the line", "Both axes logarithmic. Full rings: marks with their standard uncertainty; open rings: marks that are not in the fit. Line: the fitted curve, dotted where it leaves the marks. Dashed: levels.",
		c.Drawing, []Series{marks, data}}
}

// residualSpan is how far the residual plot reaches, standard deviations.
const residualSpan = 4

func (s *StandOff) residuals() Block {
	x, _ := s.extent()
	c := newChart(174, 42, x, axis{title: "standard deviations", lo: -residualSpan, hi: residualSpan})
	c.line(0.3, Grey, 0, Point{c.left, c.py(0)}, Point{c.right, c.py(0)})
	data := Series{"residual in standard deviations", "m", "1", nil}
	for _, m := range s.Result.Marks {
		if m.Off() || m.Left || math.IsNaN(m.InUnits) {
			continue
		}
		px := c.px(float64(m.Distance))
		c.line(0.25, Grey, 0, Point{px, c.py(0)}, Point{px, c.py(m.InUnits)})
		c.ring(px, c.py(m.InUnits), 0.9, Ink, math.Abs(m.InUnits) <= residualSpan)
		data.Point = append(data.Point, Point{float64(m.Distance), m.InUnits})
	}
	return &Figure{"What is left of each mark beside the curve", fmt.Sprintf("A mark beyond ± %d stands at the edge as an open ring; its number is in the table of marks.", residualSpan), c.Drawing, []Series{data}}
}

func (s *StandOff) marks() Block {
	t := &Table{Columns: []Column{{"Distance", true}, {"Value", true}, {"Standard uncertainty", true}, {"Curve", true}, {"Residual in standard deviations", true}, {"", false}}, None: "There are no marks."}
	for _, m := range s.Result.Marks {
		at := of(m.Distance.String(), float64(m.Distance), "m")
		if m.Off() {
			at = raw("oven off")
		}
		u, fit, left, note := raw(notStated), raw(""), raw(""), ""
		if m.U > 0 {
			u = density(m.U)
		}
		switch {
		case m.Left:
			note = "not in the fit"
		case !math.IsNaN(float64(m.Fitted)):
			fit, left = density(m.Fitted), of(quantity.Signed(m.InUnits, 2), m.InUnits, "1")
		}
		t.Rows = append(t.Rows, []Cell{at, density(m.Value), u, fit, left, raw(note)})
	}
	return t
}
