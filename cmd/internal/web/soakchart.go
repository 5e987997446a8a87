package web

import (
	"fmt"
	"html/template"
	"math"
	"strings"

	"ovenward/acquire/cycle/soak"
)

const (
	soakWidth, soakHeight = 720, 220 // of the drawing, in its own units
	soakLeft, soakBottom  = 8, 24
)

// soakChart draws the mean of each run over its number, those that lie together from the
// lowest to the highest, and the limit. It is for people who see; the figures stand beside
// it in words.
func (f frame) soakChart(r *soak.Result) template.HTML {
	all := r.Drawn
	if r.Runs < 2 || len(all) == 0 {
		return ""
	}
	level := float64(r.Life.Plan.Level)
	top := level
	for _, u := range all {
		if x := float64(u.Highest); x > top {
			top = x
		}
	}
	top *= 1.15 // room for the name of the limit above its line
	first, last := all[0].First, all[len(all)-1].Last
	x := func(n int64) float64 {
		return soakLeft + (soakWidth-2*soakLeft)*float64(n-first)/float64(max(1, last-first))
	}
	y := func(s float64) float64 { return (soakHeight - soakBottom) * (1 - s/top) }
	var b strings.Builder
	fmt.Fprintf(&b, `<svg viewBox="0 0 %d %d" class="soak-chart" role="img" aria-label="%s">`, soakWidth, soakHeight,
		template.HTMLEscapeString(f.t("soak.chart", "n", fmt.Sprint(r.Runs), "limit", f.read(r.Life.Plan.Level))))
	fmt.Fprintf(&b, `<path class="limit-line" d="M%d %.1fH%d"/>`, soakLeft, y(level), soakWidth-soakLeft)
	fmt.Fprintf(&b, `<text class="axis-text" x="%d" y="%.1f">%s</text>`, soakLeft, y(level)-4, template.HTMLEscapeString(f.t("soak.chart_limit", "level", f.read(r.Life.Plan.Level))))
	b.WriteString(`<path class="trace-line" d="`)
	for _, u := range all {
		if lo, hi := float64(u.Lowest), float64(u.Highest); !math.IsNaN(lo) {
			fmt.Fprintf(&b, "M%.1f %.1fV%.1f", x(u.First), y(lo)+0.8, y(hi)-0.8)
		}
	}
	b.WriteString(`"/>`)
	fmt.Fprintf(&b, `<text class="axis-text" x="%d" y="%d">%d</text><text class="axis-text" x="%d" y="%d" text-anchor="end">%s</text></svg>`,
		soakLeft, soakHeight-6, first, soakWidth-soakLeft, soakHeight-6, template.HTMLEscapeString(f.t("soak.chart_last", "n", fmt.Sprint(last))))
	return template.HTML(b.String()) // all text in it is escaped above
}
