package web

import (
	"math"
	"strconv"
	"strings"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/limit"
	"ovenward/acquire/quantity"
)

// chartSpan is how far back a chart goes.
const chartSpan = 5 * time.Minute

// Geometry of the snapshot's chart, in its own units.
const (
	chartLeft, chartRight = 40.0, 356.0
	chartTop, chartFoot   = 18.0, 126.0
	chartBuckets          = 150
)

// chart is a trace made ready to be drawn by the template: what is shown where
// no script runs.
type chart struct {
	Band   string // the envelope from lowest to highest, as an SVG path
	Gaps   []span
	Over   []span
	Ticks  []tick
	LimitY float64 // of the post's first limit
	Limit  string
	Unit   string
	More   []tick // its further limits
}

// span is a stretch of the time axis in the chart's units.
type span struct{ X, W float64 }

// tick is a label on the value axis.
type tick struct {
	Y    float64
	Text string
}

// stretch is a part of a trace that was seen without a gap, or a gap.
type stretch struct {
	from, to time.Time
	slots    []int // those with something seen; empty for a gap
}

// stretches cuts the last chartSpan before now where nothing was seen for
// longer than gap.
func stretches(t acquire.Trace, now time.Time, gap time.Duration) []stretch {
	start := now.Add(-chartSpan)
	first := t.End.Add(-time.Duration(len(t.Slots)) * t.Width)
	var out []stretch
	last, open := start, stretch{}
	for i, slot := range t.Slots {
		at := first.Add(time.Duration(i)*t.Width + t.Width/2)
		if slot.N == 0 && !slot.OverRange || at.Before(start) {
			continue
		}
		if at.Sub(last) > gap {
			if len(open.slots) > 0 {
				out = append(out, open)
			}
			out = append(out, stretch{from: last, to: at})
			open = stretch{from: at}
		} else if len(open.slots) == 0 {
			open.from = last
		}
		open.slots, open.to, last = append(open.slots, i), at, at
	}
	if len(open.slots) > 0 {
		out = append(out, open)
	}
	if now.Sub(last) > gap {
		out = append(out, stretch{from: last, to: now})
	}
	return out
}

// unseenIn sums the gaps of the last chartSpan.
func unseenIn(t acquire.Trace, now time.Time, gap time.Duration) time.Duration {
	var sum time.Duration
	for _, st := range stretches(t, now, gap) {
		if len(st.slots) == 0 {
			sum += st.to.Sub(st.from)
		}
	}
	return sum
}

// chartOf draws a trace, from zero to a quarter above the highest limit or the
// highest value, so that all limits are always in view.
func (say voice) chartOf(t acquire.Trace, limits []limit.Limit, now time.Time, gap time.Duration) chart {
	first := limits[0].Value
	top := float64(first)
	for _, l := range limits {
		top = max(top, float64(l.Value))
	}
	for _, slot := range t.Slots {
		if slot.N > 0 {
			top = max(top, float64(slot.Hi))
		}
	}
	top *= 1.25
	start := now.Add(-chartSpan)
	x := func(at time.Time) float64 {
		return chartLeft + (chartRight-chartLeft)*max(at.Sub(start).Seconds(), 0)/chartSpan.Seconds()
	}
	y := func(s float64) float64 {
		return chartFoot - (chartFoot-chartTop)*min(max(s/top, 0), 1)
	}
	c := chart{Unit: say.unit.String(), Limit: say.read(first), LimitY: round1(y(float64(first))), Ticks: ticks(top, y)}
	for _, l := range limits[1:] {
		c.More = append(c.More, tick{round1(y(float64(l.Value))), say.lineWords(l)})
	}
	var path strings.Builder
	for _, st := range stretches(t, now, gap) {
		if len(st.slots) == 0 {
			c.Gaps = append(c.Gaps, span{round1(x(st.from)), round1(x(st.to) - x(st.from))})
			continue
		}
		c.draw(&path, t, st, x, y)
	}
	c.Band = path.String()
	return c
}

// draw adds one stretch: its envelope, and marks where it was over range.
func (c *chart) draw(path *strings.Builder, t acquire.Trace, st stretch, x func(time.Time) float64, y func(float64) float64) {
	first := t.End.Add(-time.Duration(len(t.Slots)) * t.Width)
	bucket := chartSpan / chartBuckets
	type extreme struct{ x, lo, hi float64 }
	var points []extreme
	newest := int64(math.MinInt64)
	for _, i := range st.slots {
		at := first.Add(time.Duration(i)*t.Width + t.Width/2)
		slot := t.Slots[i]
		if slot.OverRange {
			at := round1(x(at))
			if n := len(c.Over); n > 0 && at <= c.Over[n-1].X+c.Over[n-1].W {
				c.Over[n-1].W = round1(at + 1.5 - c.Over[n-1].X)
			} else {
				c.Over = append(c.Over, span{at, 1.5})
			}
		}
		if slot.N == 0 {
			continue
		}
		b := at.UnixNano() / int64(bucket)
		if b != newest {
			points = append(points, extreme{x(at), float64(slot.Lo), float64(slot.Hi)})
			newest = b
			continue
		}
		p := &points[len(points)-1]
		p.lo, p.hi = min(p.lo, float64(slot.Lo)), max(p.hi, float64(slot.Hi))
	}
	join := "M"
	step := func(px, v float64) {
		path.WriteString(join + number1(px) + " " + number1(y(v)))
		join = "L"
	}
	for _, p := range points {
		step(p.x, p.hi)
	}
	for i := len(points) - 1; i >= 0; i-- {
		step(points[i].x, points[i].lo)
	}
	if len(points) > 0 {
		path.WriteString("Z")
	}
}

// ticks labels the value axis with three to six round numbers of mW/cm².
func ticks(top float64, y func(float64) float64) []tick {
	u := quantity.MilliwattPerSquareCentimetre()
	most := quantity.PowerDensity(top).In(u)
	step := math.Pow(10, math.Floor(math.Log10(most/2)))
	for _, k := range []float64{1, 2, 5, 10} {
		if most/(k*step) <= 5 {
			step *= k
			break
		}
	}
	var out []tick
	for i := 0.0; i*step <= most; i++ {
		out = append(out, tick{round1(y(u.ToSI(i * step))), strconv.FormatFloat(i*step, 'g', 4, 64)})
	}
	return out
}

func round1(f float64) float64 { return math.Round(10*f) / 10 }

func number1(f float64) string { return strconv.FormatFloat(round1(f), 'f', -1, 64) }
