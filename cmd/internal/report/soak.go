package report

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"ovenward/acquire/limit"
	"ovenward/acquire/quantity"
)

// Soak is a planned long test, finished or under way.
type Soak struct {
	Site, Oven, Place string
	Simulated         bool
	From, As          time.Time // its start, and the newest of the data
	State             string    // running, paused, aborted, finished
	Plan              SoakPlan
	Conditions        []Pair // line voltage, load, ambient temperature and whatever else was stated
	Instruments       []Instrument
	Counts            SoakCounts
	Outcome           limit.Outcome
	Reasons           []string
	PerRun            []RunPoint // in the order of their numbers; as many as are drawn
	Levels            []Share    // how long the field stood how high while the oven was on
	Figures           []Pair     // mean, deviation, percentiles with their stated error, maxima with instants
	Ageing            []Pair     // trend, change-points, forecast; or why there is none
	Checkpoints       []Checkpoint
	ByCheckpoint      []Figured // figures between the checkpoints
	Per               string    // run, hour or day: what Stretches are of
	Since             time.Time // of Stretches; zero: the begin
	Zone              string    // whose days they are
	Stretches         []Figured
	Interruptions     []Interruption // pauses, and times in which nothing was seen
	Log               []Happened
	Alarms            []Alarm
	Record            Record
	Version           string
}

// SoakPlan is what was set out to be done.
type SoakPlan struct {
	Title             string // empty: it has none
	Procedure, Source string
	Limit             limit.Limit
	Operations        int64         // planned; 0: by hours
	Hours             time.Duration // planned; 0: by operations
	Checkpoints       []string
	StopRules         []string
}

// SoakCounts is what was done. Operations and runs are counted apart.
type SoakCounts struct {
	Operations     int64 // negative: not counted
	OperationsFrom string
	Runs           int64
	On             time.Duration
	Dose           quantity.EnergyDensity // lower bound where some was over range
	Exceedances    int64                  // negative: not counted throughout
	Above          time.Duration
	Cover          float64 // of the time it was not paused
}

// RunPoint is one run, or several that lie together.
type RunPoint struct {
	Run, Last  int64 // numbers of the first and of the last
	Runs       int
	Mean, Peak quantity.PowerDensity // of the field while it emitted; Peak +Inf: over range
}

// Share is how long the field stood between two levels, W/m²; the last may end at
// +Inf.
type Share struct {
	From, To quantity.PowerDensity
	For      time.Duration
}

// Checkpoint is a survey that the plan asked for.
type Checkpoint struct {
	Name     string
	Done     time.Time // zero: not yet
	By       string
	Survey   string
	Outcome  limit.Outcome
	Value, U quantity.PowerDensity
	Place    string
	Note     string
}

// Interruption is a time in which the test stood still.
type Interruption struct {
	From, To time.Time // To zero: it still does
	Who, Why string
}

// Document makes the report.
func (s *Soak) Document() *Document {
	d := &Document{Kind: "soak", Title: "Soak test", Site: s.Site, Of: fmt.Sprintf("%s, from %s", join(s.Oven, s.Place), stamp(s.From)), As: s.As, Simulated: s.Simulated, Version: s.Version}
	verdict := fmt.Sprintf("%s: %s", outcomeWords(s.Outcome), s.Plan.Limit.ID)
	if s.State != "finished" {
		verdict += " (the test is " + s.State + ")"
	}
	d.add("Verdict", &Paragraph{Verdict, verdict}, &Pairs{slices.Concat([]Pair{{"Reasons", raw(strings.Join(s.Reasons, ";\n"))}}, limitPairs(s.Plan.Limit), asMeasured(s.Plan.Limit))})
	d.add("Plan", s.plan())
	d.add("Conditions", &Pairs{s.Conditions})
	d.add("Counts", s.counts())
	d.add("Leakage", s.overRuns(), s.distribution(), &Pairs{s.Figures})
	d.add("Ageing", &Pairs{s.Ageing})
	d.add("Checkpoints", s.checkpoints(), figured("part of the test", s.ByCheckpoint))
	if s.Per != "" {
		title := "Statistics by " + s.Per
		if s.Per == "day" && s.Zone != "" {
			title += " of " + s.Zone
		}
		if !s.Since.IsZero() {
			title += ", from " + stamp(s.Since)
		}
		d.add(title, figured(s.Per, s.Stretches))
	}
	d.add("Interruptions", s.interruptions())
	d.add("Alarms", alarmTable(s.Alarms))
	log := &Table{Columns: []Column{{"Instant", false}, {"Who", false}, {"What", false}}, None: "Nothing was entered."}
	for _, e := range s.Log {
		log.Rows = append(log.Rows, []Cell{raw(stamp(e.At)), raw(e.Who), raw(e.Text)})
	}
	d.add("Operators' log", log)
	d.add("Instruments and certificates", instruments(s.Instruments)...)
	d.add("Record", s.Record.blocks()...)
	var more []string
	if s.Outcome == limit.Exceeds {
		more = exceedCautions()
	}
	d.add("Cautions", cautions(more...)...)
	d.add("Signatures", &Signatures{[]string{"Run by", "Checked by"}})
	return d
}

func (s *Soak) plan() Block {
	p := &Pairs{[]Pair{{"Procedure", words(s.Plan.Procedure)}, {"Source", words(s.Plan.Source)}}}
	if s.Plan.Title != "" {
		p.List = slices.Insert(p.List, 0, Pair{"Name", words(s.Plan.Title)})
	}
	if s.Plan.Operations > 0 {
		p.List = append(p.List, Pair{"Planned operations", count(s.Plan.Operations)})
	}
	if s.Plan.Hours > 0 {
		p.List = append(p.List, Pair{"Planned time", lasting(s.Plan.Hours)})
	}
	p.List = append(p.List, Pair{"Checkpoints", words(strings.Join(s.Plan.Checkpoints, ";\n"))}, Pair{"Stopped if", words(strings.Join(s.Plan.StopRules, ";\n"))})
	return p
}

func (s *Soak) counts() Block {
	c := &s.Counts
	ops := raw("not counted")
	if c.Operations >= 0 {
		ops = count(c.Operations)
	}
	times, above := raw("not counted throughout"), raw("not counted throughout")
	if c.Exceedances >= 0 {
		times, above = count(c.Exceedances), about(c.Above)
	}
	return &Pairs{[]Pair{{"State", words(s.State)}, {"From", raw(stamp(s.From))}, {"To", raw(stamp(s.As))}, {"Operations", ops}, {"… counted from", words(c.OperationsFrom)},
		{"Runs seen from the field to their end", count(c.Runs)}, {"Time in which it emitted", about(c.On)}, {"Dose at the probe, of these runs", of(c.Dose.String(), float64(c.Dose), "J/m²")},
		{"Exceedances", times}, {"Time above the limit", above}, {"Seen", percent(c.Cover)}}}
}

func (s *Soak) overRuns() Block {
	all := s.PerRun
	if len(all) == 0 {
		return &Paragraph{Plain, "No run was seen, so there is nothing to draw."}
	}
	top, over, runs := 0.0, 0, 0
	for _, p := range all {
		runs += p.Runs
		if v := float64(p.Peak); math.IsInf(v, 1) {
			over++
		} else if v > top {
			top = v
		}
	}
	first, last := all[0].Run, all[len(all)-1].Last
	lim := float64(s.Plan.Limit.Value)
	c := newChart(174, 66, axis{title: "run", lo: float64(first), hi: float64(max(last, first+1))}, axis{title: "mW/cm²", hi: headroom(mw(top), mw(lim))})
	means, peaks := Series{"mean of the run", "run", "W/m²", nil}, Series{"peak of the run", "run", "W/m²", nil}
	var line []Point
	for _, p := range all {
		x := c.px(float64(p.Run))
		if m := float64(p.Mean); c.y.fits(m) {
			line = append(line, Point{x, c.py(mw(m))})
			means.Point = append(means.Point, Point{float64(p.Run), m})
		}
		if v := float64(p.Peak); c.y.fits(v) {
			c.line(0.25, Grey, 0, Point{x, c.py(mw(v)) - 0.5}, Point{x, c.py(mw(v)) + 0.5})
			peaks.Point = append(peaks.Point, Point{float64(p.Run), v})
		} else if math.IsInf(v, 1) {
			c.text(x, c.top-0.4, chartText, Middle, Red, "↑")
		}
	}
	c.line(0.4, Blue, 0, line...)
	c.level(mw(lim), s.Plan.Limit.ID)
	alt := "Line: mean while the oven emitted. Ticks: the highest value. Dashed: the limit."
	if runs > len(all) {
		alt += fmt.Sprintf(" Each point stands for about %s runs.", group(int64((runs+len(all)-1)/len(all))))
	}
	if over > 0 {
		alt += fmt.Sprintf(" An arrow at the top: over the probe's range (%s).", plural(over, "point"))
	}
	return &Figure{"Leakage against runs", alt, c.Drawing, []Series{means, peaks}}
}

func (s *Soak) distribution() Block {
	var all, most time.Duration
	for _, b := range s.Levels {
		all, most = all+b.For, max(most, b.For)
	}
	if all <= 0 {
		return &Paragraph{Plain, "Nothing was seen while the oven was on, so there is no distribution."}
	}
	lo, hi := math.Inf(1), 0.0
	for _, b := range s.Levels {
		lo = min(lo, mw(float64(b.From)))
		for _, e := range []float64{float64(b.From), float64(b.To)} {
			if !math.IsInf(e, 0) {
				hi = max(hi, mw(e))
			}
		}
	}
	// The last level may have no top, and is drawn as one more of its width.
	hi += 0.06 * (hi - lo)
	c := newChart(174, 50, axis{title: "mW/cm²", lo: lo, hi: hi}, axis{title: "% of the time on", hi: headroom(100*most.Seconds()/all.Seconds(), 0)})
	data := Series{"share of the time on, from this level", "W/m²", "1", nil}
	for _, b := range s.Levels {
		x0, x1 := c.px(mw(float64(b.From))), c.right
		if !math.IsInf(float64(b.To), 0) {
			x1 = c.px(mw(float64(b.To)))
		}
		share := b.For.Seconds() / all.Seconds()
		y := c.py(100 * share)
		c.box(x0, y, x1-x0, c.bottom-y, 0.2, Blue, true, Light)
		data.Point = append(data.Point, Point{float64(b.From), share})
	}
	return &Figure{"How long the field stood how high while the oven was on", "Bars: share of the time on between two levels; the last one may stand for all above it.", c.Drawing, []Series{data}}
}

func (s *Soak) checkpoints() Block {
	t := &Table{Columns: []Column{{"Checkpoint", false}, {"Done", false}, {"By", false}, {"Survey", false}, {"Outcome", false}, {"Highest value", true}, {"Where", false}, {"Note", false}}, None: "The plan has no checkpoint."}
	for _, c := range s.Checkpoints {
		if c.Done.IsZero() {
			t.Rows = append(t.Rows, []Cell{raw(c.Name), raw("not yet"), raw(""), raw(""), raw(outcomeWords(limit.NotDecided)), raw(""), raw(""), raw(c.Note)})
			continue
		}
		t.Rows = append(t.Rows, []Cell{raw(c.Name), raw(stamp(c.Done)), words(c.By), words(c.Survey), raw(outcomeWords(c.Outcome)), uncertain(c.Value, c.U), words(c.Place), raw(c.Note)})
	}
	return t
}

func (s *Soak) interruptions() Block {
	t := &Table{Columns: []Column{{"From", false}, {"To", false}, {"Length", true}, {"Who", false}, {"Why", false}}, None: "The test was not paused, and all of its active time was seen."}
	for _, i := range s.Interruptions {
		to, long := raw("still standing"), about(s.As.Sub(i.From))
		if !i.To.IsZero() {
			to, long = raw(stamp(i.To)), about(i.To.Sub(i.From))
		}
		t.Rows = append(t.Rows, []Cell{raw(stamp(i.From)), to, long, words(i.Who), words(i.Why)})
	}
	return t
}
