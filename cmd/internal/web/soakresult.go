package web

import (
	"math"
	"strconv"
	"strings"
	"time"

	"ovenward/acquire/cycle/soak"
	"ovenward/acquire/quantity"
)

// stops says what ends a test before its end.
func (f frame) stops(s soak.Stop) string {
	var all []string
	if s.Exceedances > 0 {
		all = append(all, f.t("soak.stop_exceedances", "n", strconv.Itoa(s.Exceedances)))
	}
	if s.OverRange {
		all = append(all, f.t("soak.stop_over_range"))
	}
	if s.Blind > 0 {
		all = append(all, f.t("soak.stop_blind", "for", quantity.FormatDuration(s.Blind)))
	}
	if s.Overdue > 0 {
		all = append(all, f.t("soak.stop_overdue", "n", strconv.FormatInt(s.Overdue, 10)))
	}
	if len(all) == 0 {
		return f.t("soak.stop_none")
	}
	return strings.Join(all, "; ")
}

// fillResult puts what a test has come to into words.
func (f frame) fillResult(p *soakPage, r *soak.Result, now time.Time) {
	level := func(x float64) string {
		switch {
		case math.IsNaN(x):
			return f.t("runs.unknown")
		case math.IsInf(x, 1):
			return f.t("words.over_range")
		}
		return f.read(quantity.PowerDensity(x))
	}
	p.Outcome, p.Reasons, p.Cautions = string(r.Outcome), r.Reasons, r.Outcome == soak.Exceeds
	p.OutcomeText = f.t(map[soak.Outcome]string{soak.Exceeds: "soak.exceeding", soak.Within: "soak.within", soak.NotDecided: "soak.not_decided"}[r.Outcome])
	p.Level = map[soak.Outcome]string{soak.Exceeds: "above", soak.Within: "calm", soak.NotDecided: "open"}[r.Outcome]
	on := &r.Whole.On
	p.Figures = []fact{{f.t("soak.runs"), strconv.Itoa(len(r.Runs))}, {f.t("soak.on"), quantity.FormatDuration(on.Quantiles.Total().Round(time.Second))},
		{f.t("soak.unseen"), quantity.FormatDuration(r.Unseen.Round(time.Second))},
		{f.t("soak.median"), level(on.Quantiles.At(0.5))}, {f.t("soak.p95"), level(on.Quantiles.At(0.95))}, {f.t("soak.p99"), level(on.Quantiles.At(0.99))}}
	if on.Moments.N > 0 {
		p.Figures = append(p.Figures, fact{f.t("soak.mean"), f.t("soak.mean_is", "mean", level(on.Moments.Mean), "deviation", level(on.Moments.Deviation()))})
	}
	for i, peak := range r.Whole.Peaks.List() {
		if i == 3 {
			break
		}
		x := float64(peak.S)
		if peak.Over {
			x = math.Inf(1)
		}
		p.Figures = append(p.Figures, fact{f.t("soak.highest"), level(x) + ", " + f.clock(peak.At, now)})
	}
	for i := range r.Parts {
		part := &r.Parts[i]
		row := partRow{Name: part.Name, Runs: strconv.Itoa(part.Runs), Operations: strconv.FormatInt(part.Operations, 10),
			Median: level(part.Sum.On.Quantiles.At(0.5)), P95: level(part.Sum.On.Quantiles.At(0.95)), Highest: f.t("runs.unknown"), Above: f.t("runs.unknown")}
		if peaks := part.Sum.Peaks.List(); len(peaks) > 0 {
			row.Highest = level(float64(peaks[0].S))
		}
		if e, ok := part.Sum.Above(r.Life.Plan.Level); ok {
			row.Above = f.t("soak.above_is", "n", strconv.Itoa(e.Count), "for", f.tenths(e.Above))
		}
		p.Parts = append(p.Parts, row)
	}
	p.Trend = f.trend(&r.Trend)
	p.Chart = f.soakChart(r)
}

// trend says how the runs go on.
func (f frame) trend(t *soak.Trend) []string {
	a := &t.Age
	out := []string{f.t("soak.trend_from", "n", strconv.Itoa(a.Points))}
	if !math.IsNaN(a.Slope.Slope) && a.Points > 1 {
		thousand := func(x float64) string { return f.read(quantity.PowerDensity(1000 * x)) }
		out = append(out, f.t("soak.trend_slope", "slope", thousand(a.Slope.Slope), "lo", thousand(a.Slope.Lo), "hi", thousand(a.Slope.Hi),
			"p", strconv.FormatFloat(a.Kendall.P, 'g', 2, 64)))
	}
	if a.Step != nil {
		out = append(out, f.t("soak.trend_step", "n", strconv.Itoa(a.From), "size", f.read(quantity.PowerDensity(a.Step.Size)), "p", strconv.FormatFloat(100*a.Step.Confidence, 'g', 3, 64)))
	}
	edge := f.read(t.Level)
	switch {
	case t.Days.Refused != "":
		out = append(out, f.t("soak.trend_refused", "level", edge, "why", t.Days.Refused))
	default:
		day := func(d float64) string {
			return t.First.Add(time.Duration(d * 24 * float64(time.Hour))).In(f.zone).Format(time.DateOnly)
		}
		out = append(out, f.t("soak.trend_reached", "level", edge, "lo", day(t.Days.Lo), "hi", day(t.Days.Hi),
			"first", strconv.FormatFloat(math.Floor(t.Runs.Lo), 'f', 0, 64), "last", strconv.FormatFloat(math.Ceil(t.Runs.Hi), 'f', 0, 64)))
	}
	return out
}
