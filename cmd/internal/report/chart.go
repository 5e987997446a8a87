package report

import (
	"math"
	"strconv"
	"strings"
	"time"
)

// axis is one axis of a chart.
type axis struct {
	title  string
	lo, hi float64
	log    bool
	time   bool // seconds since 1970
}

// place is where a value stands on the axis, 0 to 1.
func (a axis) place(x float64) float64 {
	if a.log {
		return (math.Log(x) - math.Log(a.lo)) / (math.Log(a.hi) - math.Log(a.lo))
	}
	return (x - a.lo) / (a.hi - a.lo)
}

// fits says whether a value can be placed at all.
func (a axis) fits(x float64) bool {
	return !math.IsNaN(x) && !math.IsInf(x, 0) && (!a.log || x > 0)
}

// tick is a mark of an axis.
type tick struct {
	at   float64
	text string
}

// ticks marks an axis at round values, at most about n.
func (a axis) ticks(n int) []tick {
	switch {
	case a.time:
		return a.instants(n)
	case a.log:
		return a.decades()
	}
	step := roundUp((a.hi - a.lo) / float64(n))
	var all []tick
	for k := math.Ceil(a.lo/step - 1e-9); k*step <= a.hi+step*1e-9; k++ {
		all = append(all, tick{k * step, number(k*step, step)})
	}
	return all
}

// roundUp is the least of 1, 2 and 5 times a power of ten that is not below x.
func roundUp(x float64) float64 {
	if !(x > 0) || math.IsInf(x, 0) {
		return 1
	}
	p := math.Pow(10, math.Floor(math.Log10(x)))
	for _, m := range []float64{1, 2, 5} {
		if m*p >= x*(1-1e-12) {
			return m * p
		}
	}
	return 10 * p
}

// number prints a multiple of step with as many places as that has.
func number(x, step float64) string {
	places := max(0, -int(math.Floor(math.Log10(step)+1e-9)))
	s := strconv.FormatFloat(x, 'f', places, 64)
	if strings.Trim(s, "-0.") == "" {
		return strings.TrimPrefix(s, "-")
	}
	return s
}

// decades marks a logarithmic axis at 1, 2 and 5, or at powers of ten alone where
// these are many.
func (a axis) decades() []tick {
	var all []tick
	span := math.Log10(a.hi / a.lo)
	marks := []float64{1, 2, 5}
	if span > 4 {
		marks = marks[:1]
	}
	for e := math.Floor(math.Log10(a.lo)) - 1; e <= math.Ceil(math.Log10(a.hi)); e++ {
		for _, m := range marks {
			if x := m * math.Pow(10, e); x >= a.lo*(1-1e-9) && x <= a.hi*(1+1e-9) {
				all = append(all, tick{x, strconv.FormatFloat(x, 'g', 3, 64)})
			}
		}
	}
	return all
}

// instants marks an axis of time.
func (a axis) instants(n int) []tick {
	steps := []time.Duration{time.Second, 5 * time.Second, 15 * time.Second, time.Minute, 5 * time.Minute, 15 * time.Minute, time.Hour, 3 * time.Hour,
		6 * time.Hour, 12 * time.Hour, 24 * time.Hour, 48 * time.Hour, 7 * 24 * time.Hour, 14 * 24 * time.Hour, 28 * 24 * time.Hour, 91 * 24 * time.Hour, 365 * 24 * time.Hour}
	step := steps[len(steps)-1].Seconds()
	for _, s := range steps {
		if (a.hi-a.lo)/s.Seconds() <= float64(n) {
			step = s.Seconds()
			break
		}
	}
	layout := "15:04:05"
	switch {
	case step >= 86400:
		layout = time.DateOnly
	case step >= 60:
		layout = "01-02 15:04"
	}
	var all []tick
	for k := math.Ceil(a.lo / step); k*step <= a.hi; k++ {
		all = append(all, tick{k * step, time.Unix(int64(k*step), 0).UTC().Format(layout)})
	}
	return all
}

// chart is a drawing with axes.
type chart struct {
	Drawing
	x, y                     axis
	left, right, top, bottom float64 // of the field
}

// Room about the field of a chart, mm, and the size of its texts, points.
const (
	roomLeft, roomRight, roomTop, roomBottom = 17.0, 3.0, 6.0, 11.0
	chartText                                = 7.0
)

// newChart draws the axes.
func newChart(width, height float64, x, y axis) *chart {
	c := &chart{x: x, y: y, left: roomLeft, right: width - roomRight, top: roomTop, bottom: height - roomBottom}
	c.Width, c.Height = width, height
	for _, t := range y.ticks(6) {
		h := c.py(t.at)
		c.line(0.1, Pale, 0, Point{c.left, h}, Point{c.right, h})
		c.text(c.left-1.2, h+0.9, chartText, End, Grey, t.text)
	}
	n := 7
	if x.time {
		n = 6
	}
	for _, t := range x.ticks(n) {
		p := c.px(t.at)
		c.line(0.2, Grey, 0, Point{p, c.bottom}, Point{p, c.bottom + 1})
		c.text(min(max(p, c.left+4), c.right-6), c.bottom+4, chartText, Middle, Grey, t.text)
	}
	c.line(0.25, Grey, 0, Point{c.left, c.top}, Point{c.left, c.bottom}, Point{c.right, c.bottom})
	c.text(c.left-roomLeft+1, c.top-2.2, chartText, Start, Grey, y.title)
	c.text(c.right, c.bottom+8.5, chartText, End, Grey, x.title)
	return c
}

func (c *chart) px(x float64) float64 { return c.left + c.x.place(x)*(c.right-c.left) }

// py is held to the field, so that what lies beyond it is drawn at its edge.
func (c *chart) py(y float64) float64 {
	return c.bottom - min(max(c.y.place(y), 0), 1)*(c.bottom-c.top)
}

// level draws a line across the field with its name.
func (c *chart) level(y float64, name string) {
	if !c.y.fits(y) || y < c.y.lo || y > c.y.hi {
		return
	}
	h := c.py(y)
	c.line(0.35, Red, 1.6, Point{c.left, h}, Point{c.right, h})
	c.text(c.right-1, h-1, chartText, End, Red, short(name, 48))
}

// mw is W/m² as mW/cm² for charts.
func mw(s float64) float64 { return s / 10 }

// band is the least and greatest values in a stretch of time.
type band struct {
	from, to      float64
	lo, hi, value float64 // mean; NaN: not seen
}

// bands draws a chart of values over time: from least to greatest light, the mean
// as a line, and what was not seen grey with a rule below.
func (c *chart) bands(all []band) {
	var line []Point
	flush := func() {
		c.line(0.3, Blue, 0, line...)
		line = nil
	}
	for _, b := range all {
		x0, x1 := c.px(b.from), c.px(b.to)
		if math.IsNaN(b.value) {
			flush()
			c.area(Pale, Point{x0, c.top}, Point{x1, c.top}, Point{x1, c.bottom}, Point{x0, c.bottom})
			c.line(0.8, Ink, 0, Point{x0, c.bottom - 0.4}, Point{x1, c.bottom - 0.4})
			continue
		}
		lo, hi := c.py(b.lo), c.py(b.hi)
		c.area(Light, Point{x0, lo + 0.1}, Point{x1, lo + 0.1}, Point{x1, hi - 0.1}, Point{x0, hi - 0.1})
		line = append(line, Point{x0, c.py(b.value)}, Point{x1, c.py(b.value)})
	}
	flush()
}

// headroom is the top of an axis that shows values up to x and a limit.
func headroom(x, limit float64) float64 {
	top := x
	if limit > 0 && limit < 20*x || !(x > 0) {
		top = max(x, limit)
	}
	if !(top > 0) || math.IsInf(top, 0) {
		top = 1
	}
	step := roundUp(top * 1.05 / 6)
	return math.Ceil(top*1.05/step) * step
}

// seconds is an instant on an axis of time.
func seconds(t time.Time) float64 { return float64(t.UnixNano()) / 1e9 }

// short cuts a name for a drawing, where nothing is wrapped; the text beside it
// gives it whole.
func short(name string, most int) string {
	r := []rune(strings.ReplaceAll(name, "\n", " "))
	if len(r) <= most {
		return string(r)
	}
	return string(r[:most-1]) + "…"
}

func plural(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return group(int64(n)) + " " + what + "s"
}
