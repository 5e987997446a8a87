package report

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/limit"
	"ovenward/acquire/quantity"
)

// Monitoring is a watch over a time, of one post or of several. From is in it, To
// is not.
type Monitoring struct {
	Site      string
	From, To  time.Time
	Posts     []Watched
	Alarms    []Alarm
	Record    Record
	Retention []string // what was removed of this time, and by which rule
	Version   string
}

// Watched is one post in that time.
type Watched struct {
	Post, Oven, Place string
	Distance          quantity.Length
	Frequency         quantity.Frequency
	Instruments       []Instrument
	Changes           []Change // of the post, its probe, its limits: versions of the record
	Stale             time.Duration
	Judged            []Judged
	Samples           int64
	Classes           [6]int64 // by acquire.Classes

	Span, Seen, OverRange time.Duration
	Mean                  limit.Average // over the whole time
	Max, MaxU             quantity.PowerDensity
	MaxAt                 time.Time // zero: there was no value
	OverAt                time.Time // the first over-range; zero: none
	Runs                  int
	On                    time.Duration // in which the oven was seen to emit
	Gaps                  []Gap         // the longest first
	GapsMore              int           // not listed
	GapsSum               time.Duration
	Days                  []Day
	Points                []Stretch  // for the chart, by time; what is missing was not seen
	Events                []Happened // the newest
	EventsMore            int        // before them, not listed
}

// Judged is the outcome of the time against one limit.
type Judged struct {
	Limit     limit.Limit
	Outcome   limit.Outcome
	Reasons   []string
	Above     time.Duration // of what was seen
	Sustained limit.SustainedRule
	Days      DaysOf
}

// DaysOf is how many days, or parts of a day, came out how.
type DaysOf struct{ Within, Exceeds, Open int }

// Count adds a day.
func (d *DaysOf) Count(o limit.Outcome) {
	switch o {
	case limit.Within:
		d.Within++
	case limit.Exceeds:
		d.Exceeds++
	default:
		d.Open++
	}
}

// Gap is a time in which the post was not seen.
type Gap struct{ From, To time.Time }

// Day is one UTC day, or the part of it that lies in the time, by the limit that
// says most.
type Day struct {
	From      time.Time
	Outcome   limit.Outcome
	Limit     string
	Reasons   []string
	Cover     float64
	Mean      limit.Average
	Max, MaxU quantity.PowerDensity // of what was in range
	Over      bool                  // some of it was over range, above any value
	Runs      int
}

// Stretch is a stretch of time in a chart; Mean is NaN where nothing was seen.
type Stretch struct {
	From, To       time.Time
	Min, Max, Mean float64 // W/m²
}

// Change is something of the post that changed within the time.
type Change struct {
	At   time.Time
	What string
}

// Happened is an event that bears on the values: a zero, another certificate, a
// check of the position.
type Happened struct {
	At        time.Time
	Kind, Who string
	Text      string
}

// Document makes the report.
func (m *Monitoring) Document() *Document {
	d := &Document{Kind: "monitoring", Title: "Leakage monitoring", Site: m.Site, As: m.To, Version: m.Version,
		Of: fmt.Sprintf("%s to %s", stamp(m.From), stamp(m.To))}
	if len(m.Posts) == 1 {
		d.Of = m.Posts[0].Post + ", " + d.Of
	}
	exceeds := false
	for i := range m.Posts {
		for _, x := range m.Posts[i].Instruments {
			d.Simulated = d.Simulated || x.Simulated
		}
		for _, j := range m.Posts[i].Judged {
			exceeds = exceeds || j.Outcome == limit.Exceeds
		}
	}
	d.add("Outcome", m.summary(), &Paragraph{Plain, "An outcome is of the time that was seen, at the post's place. “Within” is given only to a time that was seen without a gap long enough to hide an exceedance, in which the oven was known to run. The limits are those in force at the end of the time."})
	for i := range m.Posts {
		m.Posts[i].add(d)
	}
	d.add("Alarms", alarmTable(m.Alarms))
	d.add("Record", append(m.Record.blocks(), m.retention())...)
	var more []string
	if exceeds {
		more = exceedCautions()
	}
	d.add("Cautions", cautions(more...)...)
	d.add("Signatures", &Signatures{[]string{"Made by", "Checked by"}})
	return d
}

func (m *Monitoring) retention() Block {
	text := "Nothing of this time was removed from the record."
	if len(m.Retention) > 0 {
		text = "Removed from the record, with its hash kept: " + strings.Join(m.Retention, "; ")
	}
	return &Paragraph{Plain, text}
}

func (m *Monitoring) summary() Block {
	t := &Table{Columns: []Column{{"Post", false}, {"Oven, place", false}, {"Limit", false}, {"Outcome", false}, {"Highest value", true}, {"Mean over the time", true}, {"Seen", true}, {"Days within / exceeds / not decided", true}},
		None: "There is no post in this report."}
	for i := range m.Posts {
		w := &m.Posts[i]
		if len(w.Judged) == 0 {
			t.Rows = append(t.Rows, []Cell{raw(w.Post), raw(join(w.Oven, w.Place)), raw("no limit applies"), raw(outcomeWords(limit.NotDecided)),
				w.highest(), meanCell(w.Mean), percent(w.cover()), raw("")})
		}
		for _, j := range w.Judged {
			t.Rows = append(t.Rows, []Cell{raw(w.Post), raw(join(w.Oven, w.Place)), raw(j.Limit.ID + ", " + density(j.Limit.Value).Text), raw(outcomeWords(j.Outcome)),
				w.highest(), meanCell(w.Mean), percent(w.cover()), raw(fmt.Sprintf("%d / %d / %d", j.Days.Within, j.Days.Exceeds, j.Days.Open))})
		}
	}
	return t
}

func join(parts ...string) string {
	var kept []string
	for _, p := range parts {
		if p != "" {
			kept = append(kept, p)
		}
	}
	if len(kept) == 0 {
		return notStated
	}
	return strings.Join(kept, ", ")
}

func (w *Watched) cover() float64 {
	if w.Span <= 0 {
		return math.NaN()
	}
	return float64(w.Seen+w.OverRange) / float64(w.Span)
}

func (w *Watched) highest() Cell {
	if !w.OverAt.IsZero() {
		return Cell{Text: "over range"}
	}
	return w.inRange()
}

// inRange is the highest value that has a number.
func (w *Watched) inRange() Cell {
	if w.MaxAt.IsZero() {
		return Cell{Text: "no value"}
	}
	return uncertain(w.Max, w.MaxU)
}

// highest is that of the day. Over range has no number: that of the rest is not it.
func (x *Day) highest() Cell {
	c := uncertain(x.Max, x.MaxU)
	if x.Over && c.SI == nil {
		return raw("over range")
	}
	if x.Over {
		return raw("over range (" + c.Text + " in range)")
	}
	return c
}

func meanCell(a limit.Average) Cell {
	if a.To <= a.From {
		return Cell{Text: unknown}
	}
	lo, hi := density(a.Lo), density(a.Hi)
	switch {
	case math.IsNaN(float64(a.Hi)): // nobody knows the top of the range
		return Cell{Text: lo.Text + " or more"}
	case a.Lo == a.Hi:
		return lo
	case lo.Text == hi.Text: // to the digits told
		return Cell{Text: lo.Text}
	}
	return Cell{Text: lo.Text + " to " + hi.Text}
}

// add puts the sections of one post into the document.
func (w *Watched) add(d *Document) {
	blocks := []Block{&Pairs{[]Pair{{"Oven", words(w.Oven)}, {"Place", words(w.Place)}, {"Distance of the probe", length(w.Distance)},
		{"Oven's frequency", w.frequency()}, {"A value holds for at most", w.holds()}}}}
	for _, j := range w.Judged {
		blocks = append(blocks, &Paragraph{Verdict, fmt.Sprintf("%s: %s", outcomeWords(j.Outcome), j.Limit.ID)})
		blocks = append(blocks, &Pairs{slices.Concat(limitPairs(j.Limit), asMeasured(j.Limit), w.judgedPairs(j))})
	}
	d.add("Post "+w.Post, blocks...)
	d.add("Post "+w.Post+": values", w.values(), w.chart(), w.dayTable())
	d.add("Post "+w.Post+": what was not seen", w.gaps(), w.quality())
	d.add("Post "+w.Post+": instruments and certificates", append(instruments(w.Instruments), w.changes())...)
}

func (w *Watched) holds() Cell {
	if w.Stale <= 0 {
		return raw(unknown)
	}
	return lasting(w.Stale)
}

func (w *Watched) frequency() Cell {
	if w.Frequency <= 0 {
		return raw(unknown)
	}
	return of(w.Frequency.String(), float64(w.Frequency), "Hz")
}

func (w *Watched) judgedPairs(j Judged) []Pair {
	p := []Pair{{"Reasons", raw(strings.Join(j.Reasons, ";\n"))}, {"Seen above the limit", about(j.Above)}}
	if s := j.Sustained; !j.Limit.Averaged() && s.Unbroken > 0 {
		p = append(p, Pair{"Exceedance is raised after", raw(fmt.Sprintf("%s above without a break, or %s in sum within %s",
			quantity.FormatDuration(s.Unbroken), quantity.FormatDuration(s.Summed), quantity.FormatDuration(s.Within)))})
	}
	return p
}

func (w *Watched) values() Block {
	p := &Pairs{[]Pair{{"Highest value", w.highest()}}}
	add := func(name string, c Cell) { p.List = append(p.List, Pair{name, c}) }
	if !w.OverAt.IsZero() { // which has no number, so the highest one is told apart
		add("First over range at", raw(stamp(w.OverAt)))
		add("Highest value in range", w.inRange())
	}
	if !w.MaxAt.IsZero() {
		add("… at", raw(stamp(w.MaxAt)))
	}
	add("Mean, lower bound", density(w.Mean.Lo))
	add("Mean, upper bound", density(w.Mean.Hi))
	add("", raw("Weighted by time. What was not seen lies between nothing and the top of the probe's range; what is under the floor between nothing and the floor."))
	add("Runs of the oven that were seen", count(int64(w.Runs)))
	add("Time in which it was seen to emit", about(w.On))
	add("Seen", percent(w.cover()))
	add("Readings", count(w.Samples))
	return p
}

func (w *Watched) chart() Block {
	f := &Figure{Title: "Power density over time", Alt: "Light: from the least to the greatest value of each stretch. Line: its mean over time. Dashed: the limit. Grey with a bar below: not seen, or the probe was away."}
	if len(w.Points) == 0 {
		return &Paragraph{Plain, "Nothing was seen, so there is nothing to draw."}
	}
	top, lim := 0.0, 0.0
	for _, p := range w.Points {
		if p.Max > top && !math.IsInf(p.Max, 0) {
			top = p.Max
		}
	}
	for _, j := range w.Judged {
		lim = max(lim, float64(j.Limit.Value))
	}
	from, to := w.Points[0].From, w.Points[len(w.Points)-1].To
	c := newChart(174, 62, axis{title: "UTC", lo: seconds(from), hi: seconds(to), time: true}, axis{title: "mW/cm²", hi: headroom(mw(top), mw(lim))})
	var all []band
	least, most, mean := Series{"least", "UTC", "W/m²", nil}, Series{"greatest", "UTC", "W/m²", nil}, Series{"mean", "UTC", "W/m²", nil}
	for _, p := range w.Points {
		p.Min, p.Max = orElse(p.Min, p.Mean), orElse(p.Max, p.Mean)
		all = append(all, band{seconds(p.From), seconds(p.To), mw(p.Min), mw(p.Max), mw(p.Mean)})
		if !math.IsNaN(p.Mean) {
			x := seconds(p.From)
			least.Point, most.Point, mean.Point = append(least.Point, Point{x, p.Min}), append(most.Point, Point{x, p.Max}), append(mean.Point, Point{x, p.Mean})
		}
	}
	c.bands(all)
	for _, j := range w.Judged {
		c.level(mw(float64(j.Limit.Value)), j.Limit.ID)
	}
	if lim > 0 && mw(lim) > c.y.hi {
		f.Alt += fmt.Sprintf(" The limit, %s, lies far above the field of this drawing.", density(quantity.PowerDensity(lim)).Text)
	}
	f.Drawing, f.Data = c.Drawing, []Series{least, mean, most}
	return f
}

// orElse is x where it is a number that can be drawn.
func orElse(x, other float64) float64 {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return other
	}
	return x
}

// blank says that nothing is known of a day: what holds for no time is a value all the same.
func (x *Day) blank() bool {
	return x.Cover == 0 && math.IsNaN(float64(x.Max)) && !x.Over && x.Runs == 0
}

func (w *Watched) dayTable() Block {
	t := &Table{Title: "By day (UTC)", Columns: []Column{{"Day", false}, {"Outcome", false}, {"Reasons", false}, {"Highest value", true}, {"Mean", true}, {"Seen", true}, {"Runs", true}},
		None: "No day lies in this time."}
	for i := 0; i < len(w.Days); i++ {
		x, first := w.Days[i], w.Days[i].From
		for x.blank() && i+1 < len(w.Days) && w.Days[i+1].blank() && slices.Equal(w.Days[i+1].Reasons, x.Reasons) {
			i++ // days of which nothing is known are told in one row
		}
		name := day(first)
		if last := w.Days[i].From; last.After(first) {
			name += " to " + day(last)
		}
		t.Rows = append(t.Rows, []Cell{raw(name), raw(outcomeWords(x.Outcome)), raw(strings.Join(x.Reasons, "; ")), x.highest(), meanCell(x.Mean), percent(x.Cover), count(int64(x.Runs))})
	}
	return t
}

func (w *Watched) gaps() Block {
	t := &Table{Title: fmt.Sprintf("Gaps: %s in sum", about(w.GapsSum).Text), Columns: []Column{{"From", false}, {"To", false}, {"Length", true}},
		None: "No gap: the post was seen all the time."}
	for _, g := range w.Gaps {
		from, to := stamp(g.From), stamp(g.To)
		if from == to {
			from, to = fine(g.From), fine(g.To)
		}
		t.Rows = append(t.Rows, []Cell{raw(from), raw(to), about(g.To.Sub(g.From))})
	}
	if w.GapsMore > 0 {
		t.Rows = append(t.Rows, []Cell{raw(fmt.Sprintf("and %s shorter ones", group(int64(w.GapsMore)))), raw(""), raw("")})
	}
	return t
}

func (w *Watched) quality() Block {
	t := &Table{Title: "Quality of the readings", Columns: []Column{{"Quality", false}, {"Readings", true}, {"Share", true}}, None: "There are no readings."}
	for i, name := range acquire.Classes() {
		if w.Samples > 0 {
			t.Rows = append(t.Rows, []Cell{raw(name), count(w.Classes[i]), percent(float64(w.Classes[i]) / float64(w.Samples))})
		}
	}
	return t
}

func (w *Watched) changes() Block {
	t := &Table{Title: "What changed, and what was done", Columns: []Column{{"Instant", false}, {"What", false}, {"Who", false}}, None: "Nothing of post, probe or limits changed in this time."}
	for _, c := range w.Changes {
		t.Rows = append(t.Rows, []Cell{raw(stamp(c.At)), raw(c.What), raw("")})
	}
	if w.EventsMore > 0 {
		t.Rows = append(t.Rows, []Cell{raw("earlier"), raw(plural(w.EventsMore, "event") + ", not listed"), raw("")})
	}
	for _, e := range w.Events {
		t.Rows = append(t.Rows, []Cell{raw(stamp(e.At)), raw(e.Kind + ": " + e.Text), raw(e.Who)})
	}
	return t
}
