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
	soakColumns           = 240 // runs that lie together are drawn as one, lowest to highest
)

// soakChart draws the mean of each run over its number, and the limit. It is for
// people who see; the figures stand beside it in words.
func (f frame) soakChart(r *soak.Result) template.HTML {
	all := r.Runs
	if len(all) < 2 {
		return ""
	}
	level := float64(r.Life.Plan.Level)
	top := level
	for _, u := range all {
		if x := float64(u.Mean); x > top {
			top = x
		}
	}
	top *= 1.15 // room for the name of the limit above its line
	first, last := all[0].Number, all[len(all)-1].Number
	x := func(n int64) float64 {
		return soakLeft + (soakWidth-2*soakLeft)*float64(n-first)/float64(max(1, last-first))
	}
	y := func(s float64) float64 { return (soakHeight - soakBottom) * (1 - s/top) }
	var b strings.Builder
	fmt.Fprintf(&b, `<svg viewBox="0 0 %d %d" class="soak-chart" role="img" aria-label="%s">`, soakWidth, soakHeight,
		template.HTMLEscapeString(f.t("soak.chart", "n", fmt.Sprint(len(all)), "limit", f.read(r.Life.Plan.Level))))
	fmt.Fprintf(&b, `<path class="limit-line" d="M%d %.1fH%d"/>`, soakLeft, y(level), soakWidth-soakLeft)
	fmt.Fprintf(&b, `<text class="axis-text" x="%d" y="%.1f">%s</text>`, soakLeft, y(level)-4, template.HTMLEscapeString(f.t("soak.chart_limit", "level", f.read(r.Life.Plan.Level))))
	b.WriteString(`<path class="trace-line" d="`)
	each := (len(all) + soakColumns - 1) / soakColumns
	for i := 0; i < len(all); i += each {
		lo, hi := extremes(all[i:min(len(all), i+each)])
		if math.IsInf(lo, 1) {
			continue
		}
		fmt.Fprintf(&b, "M%.1f %.1fV%.1f", x(all[i].Number), y(lo)+0.8, y(hi)-0.8)
	}
	b.WriteString(`"/>`)
	fmt.Fprintf(&b, `<text class="axis-text" x="%d" y="%d">%d</text><text class="axis-text" x="%d" y="%d" text-anchor="end">%s</text></svg>`,
		soakLeft, soakHeight-6, first, soakWidth-soakLeft, soakHeight-6, template.HTMLEscapeString(f.t("soak.chart_last", "n", fmt.Sprint(last))))
	return template.HTML(b.String()) // all text in it is escaped above
}

// extremes are the lowest and the highest mean of some runs; +Inf and -Inf of none.
func extremes(runs []soak.Ran) (lo, hi float64) {
	lo, hi = math.Inf(1), math.Inf(-1)
	for _, u := range runs {
		if m := float64(u.Mean); !math.IsNaN(m) {
			lo, hi = min(lo, m), max(hi, m)
		}
	}
	return lo, hi
}
