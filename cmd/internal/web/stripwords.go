package web

import (
	"fmt"
	"html/template"
	"math"
	"strconv"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/quantity"
	"ovenward/acquire/store"
)

// span tells how long something is, for people.
func (v voice) span(d time.Duration) string {
	switch {
	case d < time.Second:
		return v.t("post.span_ms", "x", d.Milliseconds())
	case d < 2*time.Minute:
		return v.t("post.span_s", "x", trim(d.Seconds()))
	case d < 2*time.Hour:
		return v.t("post.span_min", "x", trim(d.Minutes()))
	case d < 48*time.Hour:
		return v.t("post.span_h", "x", trim(d.Hours()))
	}
	const year = 365 * 24 * time.Hour
	if years := d / year; d >= year && d%year == 0 {
		return v.t("post.span_y", "n", int(years), "x", int(years))
	}
	return v.t("post.span_d", "x", strconv.FormatFloat(math.Round(d.Hours()/2.4)/10, 'f', -1, 64))
}

// trim prints a number to three digits.
func trim(x float64) string { return fmt.Sprintf("%.3g", x) }

// tableRow tells a point in words.
func (v voice) tableRow(p *store.Point, x float64, now time.Time) tableRow {
	row := tableRow{X: round1(x), At: v.instant(p.From, p.To.Sub(p.From), now), How: v.quality(p)}
	if p.Values > 0 {
		row.Lo, row.Hi = v.read(quantity.PowerDensity(p.Min)), v.read(quantity.PowerDensity(p.Max))
		if m := p.Mean(); !math.IsNaN(m) {
			row.Mean = v.read(quantity.PowerDensity(m))
		}
	}
	return row
}

// instant prints where a point begins, as fine as the point is.
func (v voice) instant(t time.Time, width time.Duration, now time.Time) string {
	t = t.In(v.zone)
	layout := "15:04:05 MST"
	if width < time.Second {
		layout = "15:04:05.0 MST"
	}
	if t.Format(time.DateOnly) != now.In(v.zone).Format(time.DateOnly) {
		layout = "2006-01-02 " + layout
	}
	return t.Format(layout)
}

// quality tells what is to be known of the samples of a point: all that is wrong
// with some, and how much of its time was seen.
func (v voice) quality(p *store.Point) string {
	text := ""
	add := func(s string) {
		if text != "" {
			text += "; "
		}
		text += s
	}
	for i, class := range acquire.Classes() {
		switch n := p.Classes[i]; {
		case n == 0 || class == "good":
		case n == p.Samples:
			add(v.or("post.class_"+class, class))
		default:
			add(v.t("post.some", "n", n, "all", p.Samples, "what", v.or("post.class_"+class, class)))
		}
	}
	if width := p.To.Sub(p.From); width >= time.Minute && p.Seen+p.OverRange < width*95/100 {
		add(v.t("post.partly", "x", fmt.Sprintf("%.0f", 100*(p.Seen+p.OverRange).Seconds()/width.Seconds())))
	}
	if text == "" {
		return v.t("post.good")
	}
	return text
}

// stripSummary tells a strip in one sentence.
func (v voice) stripSummary(s seen, p *strip) string {
	lo, hi := math.NaN(), math.NaN()
	for i := range s.points {
		if q := &s.points[i]; q.Values > 0 {
			lo, hi = fmin(lo, q.Min), fmax(hi, q.Max)
		}
	}
	text := v.t("post.summary_none", "from", p.From, "to", p.To)
	if !math.IsNaN(lo) {
		text = v.t("post.summary", "from", p.From, "to", p.To, "lo", v.read(quantity.PowerDensity(lo)), "hi", v.read(quantity.PowerDensity(hi)))
	}
	if len(p.Over) > 0 {
		text += " " + v.t("post.summary_over")
	}
	if len(p.Gaps)+len(p.Partly) > 0 {
		text += " " + v.t("post.summary_gaps", "n", len(p.Gaps)+len(p.Partly))
	}
	if n := len(p.Alarms); n > 0 {
		text += " " + v.t("post.summary_alarms", "n", n)
	}
	return text
}

// zoomLink leads to another view of the same post.
type zoomLink struct {
	Query      template.URL
	Text, Name string
	Here       bool
}

// spans are offered to jump to.
func spans() []time.Duration {
	const day = 24 * time.Hour
	return []time.Duration{time.Minute, usualSpan, time.Hour, day, 7 * day, 30 * day, 365 * day, 5 * 365 * day}
}

// zooms are the links that zoom and pan without a script; the script uses the
// same.
func (v voice) zooms(at view) []zoomLink {
	link := func(to view, name string) zoomLink {
		return zoomLink{Query: template.URL(to.query()), Text: v.t("post.zoom_" + name), Name: name}
	}
	now := at
	now.end = time.Time{}
	out := []zoomLink{link(at.panned(-0.5), "back"), link(at.panned(0.5), "on"), link(at.zoomed(0.5), "in"), link(at.zoomed(2), "out"), link(now, "now")}
	for _, d := range spans() {
		to := at
		to.span = d
		out = append(out, zoomLink{Query: template.URL(to.query()), Text: v.span(d), Name: "span", Here: d == at.span})
	}
	return out
}
