package web

import (
	"fmt"
	"html"
	"html/template"
	"math"
	"sort"
	"strings"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/limit"
	"ovenward/acquire/quantity"
	"ovenward/acquire/store"
)

// Geometry of a strip chart, in px.
const (
	stripLeft   = 52
	stripRight  = 8
	stripTop    = 46 // above it stand the names of the limits and when alarms stood
	stripHeight = 220
	stripFoot   = 40 // below it runs and instants
	labelHeight = 14
	laneHeight  = 7
)

// strip is a strip chart ready for its template, and the same as a table.
type strip struct {
	View          template.URL // its query
	Post          string
	Width, Height int
	Left, Right   int
	Top, Foot     int
	Inner         int // width of the plot
	Unit          string
	Live          bool
	FromMS, ToMS  int64
	From, To      string
	Marks, Times  []mark
	Band          string // from lowest to highest
	Mean          string // mean over what was seen
	Gaps          []gapMark
	Partly        []box // seen in part
	Over          []box
	Limits        []limitLine
	Averages      []average
	LimitY        float64 // of the lowest limit: above it the band is of the alarm's colour
	Alarms, Runs  []lane
	Damage        string
	Rows          []tableRow
	Width1        string // how much one point covers
	Summary       string
	Zooms         []zoomLink
}

// box is a rectangle whose other two sides the template knows.
type box struct{ X, W float64 }

type gapMark struct {
	box
	Named bool // there is room for words
}

type limitLine struct {
	Y, TextY float64
	Text     string
}

type average struct {
	X, W, Y, H float64
	Text       string
}

type lane struct {
	box
	Text string
	High bool
}

// Body is the table's rows. There are hundreds, each second: the template takes
// three times as long for them, and nothing here needs its care but escaping.
func (p strip) Body() template.HTML {
	var b strings.Builder
	for _, r := range p.Rows {
		b.WriteString(`<tr data-x="` + number1(r.X) + `"`)
		if r.Gap {
			b.WriteString(` data-gap="yes"`)
		}
		b.WriteString(`><th scope="row">` + html.EscapeString(r.At) + "</th>")
		for _, cell := range []string{r.Lo, r.Mean, r.Hi, r.How} {
			b.WriteString("<td>" + html.EscapeString(cell) + "</td>")
		}
		b.WriteString("</tr>\n")
	}
	return template.HTML(b.String())
}

// tableRow is a point, or a gap, in words.
type tableRow struct {
	X                     float64
	At, Lo, Mean, Hi, How string
	Gap                   bool
}

// scale turns values and instants into px.
type scale struct {
	v     voice
	at    view
	most  float64 // in the viewer's unit
	inner float64
}

func (c *scale) x(t time.Time) float64 {
	share := t.Sub(c.at.from()).Seconds() / c.at.span.Seconds()
	return stripLeft + c.inner*min(max(share, 0), 1)
}

func (c *scale) y(value float64) float64 {
	return stripTop + stripHeight*(1-min(max(value/c.most, 0), 1))
}

func (c *scale) yOf(s float64) float64 { return c.y(c.v.unit.in(quantity.PowerDensity(s))) }

// strip draws what was seen of a post, from zero to a quarter above the highest
// limit or the highest value, so that all limits are always in view.
func (v voice) strip(st acquire.Stats, s seen) strip {
	p := strip{
		View: template.URL(s.query()), Post: st.Post.ID, Width: s.width, Height: stripTop + stripHeight + stripFoot,
		Left: stripLeft, Right: s.width - stripRight, Top: stripTop, Foot: stripTop + stripHeight,
		Inner: s.width - stripLeft - stripRight, Unit: v.unit.String(), Live: s.end.IsZero(),
		FromMS: s.from().UnixMilli(), ToMS: s.to().UnixMilli(),
		From: v.clock(s.from(), s.now), To: v.clock(s.to(), s.now), Damage: v.said(s.damage),
	}
	top := 0.0
	for _, l := range st.Post.Limits() {
		top = max(top, float64(l.Value))
	}
	for i := range s.points {
		if s.points[i].Values > 0 {
			top = max(top, s.points[i].Max)
		}
	}
	c := &scale{v: v, at: s.view, most: 1.25 * v.unit.in(quantity.PowerDensity(top)), inner: float64(p.Inner)}
	p.Marks = valueMarks(c.most, c.y)
	p.Times = v.monthNames(timeMarks(s.from(), s.to(), v.zone, max(p.Inner/90, 3), c.x))
	for i := range p.Times {
		if p.Times[i].At > float64(p.Width)-26 { // half a label would hang over
			p.Times[i].Text = ""
		}
	}
	p.limits(c, st)
	p.draw(c, s, st.Post)
	p.Alarms, p.Runs = lanes(c, s.alarms), lanes(c, s.runs)
	p.Zooms = v.zooms(s.view)
	p.Summary = v.stripSummary(s, &p)
	return p
}

// limits draws the limits, and beside those on means the mean they are judged on.
func (p *strip) limits(c *scale, st acquire.Stats) {
	p.LimitY = stripTop
	for i, l := range st.Post.Limits() {
		line := limitLine{Y: round1(c.yOf(float64(l.Value))), Text: c.v.t("post.limit_line", "limit", c.v.read(l.Value))}
		if len(st.Post.More) > 0 {
			line.Text = c.v.lineWords(l)
		}
		line.TextY = line.Y - 4
		if i == 0 {
			p.LimitY = line.Y
		}
		p.LimitY = max(p.LimitY, line.Y)
		p.Limits = append(p.Limits, line)
	}
	p.spreadLabels()
	for _, d := range st.All() {
		if d.Averaged && c.at.to().After(c.at.now.Add(-d.Limit.Averaging)) {
			p.Averages = append(p.Averages, averageOf(c, d))
		}
	}
}

// spreadLabels puts the names of limits that lie close together one above another.
func (p *strip) spreadLabels() {
	var lines []*limitLine
	for i := range p.Limits {
		lines = append(lines, &p.Limits[i])
	}
	sort.SliceStable(lines, func(i, j int) bool { return lines[i].TextY > lines[j].TextY }) // the lowest first
	for i := 1; i < len(lines); i++ {
		lines[i].TextY = min(lines[i].TextY, lines[i-1].TextY-labelHeight)
	}
}

// averageOf draws the bounds of a mean over the time it is of.
func averageOf(c *scale, d limit.Verdict) average {
	from, to := c.x(c.at.now.Add(-d.Limit.Averaging)), c.x(c.at.now)
	hi := float64(d.Mean.Hi)
	y := float64(stripTop)
	if !math.IsInf(hi, 1) && !math.IsNaN(hi) {
		y = c.yOf(hi)
	}
	return average{round1(from), round1(max(to-from, 1)), round1(y), round1(max(c.yOf(float64(d.Mean.Lo))-y, 2)),
		c.v.t("post.average_line", "limit", d.Limit.ID)}
}

// draw cuts the points where nothing was seen for longer than the post's gap, and
// draws and tells what lies between.
func (p *strip) draw(c *scale, s seen, post *acquire.Post) {
	gap := gapOf(post)
	var o outline
	last := s.from()
	coarse := time.Duration(0)
	for i := range s.points {
		q := &s.points[i]
		if q.Samples == 0 && q.Seen == 0 && q.OverRange == 0 {
			continue
		}
		width := q.To.Sub(q.From)
		if q.From.Sub(last) > max(gap, width*3/2) && q.From.After(s.from()) {
			o.end()
			p.gap(c, last, q.From)
		}
		last, coarse = q.To, width
		x := c.x(q.From.Add(width / 2))
		p.Width1 = c.v.span(width)
		p.Rows = append(p.Rows, c.v.tableRow(q, x, s.now))
		p.flaws(c, q, width)
		low := unknownIn(q, &post.Probe)
		if low {
			p.low(c, q)
		}
		if q.Values == 0 || low {
			o.end()
			continue
		}
		o.add(c, q, x)
	}
	o.end()
	if end := s.to(); end.Sub(last) > max(gap, coarse*3/2) {
		p.gap(c, last, end)
	}
	p.Band, p.Mean = o.band.String(), o.mean.String()
}

// outline is the band of a strip and the line of its means, piece by piece.
type outline struct {
	band, mean strings.Builder
	feet       []string // of the piece under way, from the left
}

// add draws the next point of a piece.
func (o *outline) add(c *scale, q *store.Point, x float64) {
	join := "L"
	if len(o.feet) == 0 {
		join = "M"
	}
	fmt.Fprintf(&o.band, "%s%s %s", join, number1(x), number1(c.yOf(q.Max)))
	o.feet = append(o.feet, "L"+number1(x)+" "+number1(c.yOf(q.Min)))
	if m := q.Mean(); !math.IsNaN(m) {
		fmt.Fprintf(&o.mean, "%s%s %s", join, number1(x), number1(c.yOf(m)))
	}
}

// end closes the piece under way.
func (o *outline) end() {
	for i := len(o.feet) - 1; i >= 0; i-- {
		o.band.WriteString(o.feet[i])
	}
	if len(o.feet) > 0 {
		o.band.WriteString("Z")
	}
	o.feet = o.feet[:0]
}

// gap draws and tells a stretch in which nothing was seen.
func (p *strip) gap(c *scale, from, to time.Time) {
	x, w := c.x(from), c.x(to)-c.x(from)
	p.Gaps = append(p.Gaps, gapMark{box{round1(x), round1(max(w, 1))}, w > 70})
	p.Rows = append(p.Rows, tableRow{X: round1(x + w/2), Gap: true, At: c.v.clock(from, c.at.now),
		How: c.v.t("post.gap", "span", c.v.span(to.Sub(from)))})
}

// low hatches a point whose values are all far below zero; the table has them.
func (p *strip) low(c *scale, q *store.Point) {
	x, w := round1(c.x(q.From)), round1(max(c.x(q.To)-c.x(q.From), 1))
	if n := len(p.Gaps) - 1; n >= 0 && !p.Gaps[n].Named && p.Gaps[n].X+p.Gaps[n].W >= x-0.2 {
		p.Gaps[n].W = round1(x + w - p.Gaps[n].X)
		return
	}
	p.Gaps = append(p.Gaps, gapMark{box: box{x, w}})
}

// flaws marks where a point was over range, or seen only in part.
func (p *strip) flaws(c *scale, q *store.Point, width time.Duration) {
	x := c.x(q.From)
	w := max(c.x(q.To)-x, 1.5)
	if q.OverRange > 0 || q.Classes[overClass] > 0 {
		p.Over = appendBox(p.Over, x, w)
	}
	if width >= time.Minute && q.Seen+q.OverRange < width*95/100 && q.To.Before(c.at.now.Add(-time.Minute)) {
		p.Partly = appendBox(p.Partly, x, w)
	}
}

// appendBox joins a box to the one before it where they touch.
func appendBox(all []box, x, w float64) []box {
	if n := len(all); n > 0 && x <= all[n-1].X+all[n-1].W+0.2 {
		all[n-1].W = round1(x + w - all[n-1].X)
		return all
	}
	return append(all, box{round1(x), round1(w)})
}

func lanes(c *scale, all []stretchOf) []lane {
	var out []lane
	for _, s := range all {
		to := s.to
		if to.IsZero() {
			to = c.at.to()
		}
		if !to.After(c.at.from()) || !s.from.Before(c.at.to()) {
			continue
		}
		x := c.x(s.from)
		out = append(out, lane{box{round1(x), round1(max(c.x(to)-x, 2))}, s.text, s.high})
	}
	return out
}
