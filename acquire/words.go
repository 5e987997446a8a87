package acquire

import (
	"errors"
	"fmt"
	"math"
	"strings"
	"time"

	"ovenward/acquire/alarm"
	"ovenward/acquire/limit"
	"ovenward/acquire/quantity"
	"ovenward/drivers"
)

// verdict judges the post against one of its limits, as it stands at an instant,
// by the response that the limit asks for. Value and Ratio stay those of this moment, as measured.
func (w *watch) verdict(h *held, mono time.Duration) limit.Verdict {
	c := w.circumstances(h, mono)
	value, u := c.Value, c.U
	filtered := w.judged(&c, h.limit, mono)
	v := limit.Judge(h.limit, c)
	if v.Filtered = filtered; filtered > 0 && c.HasValue {
		v.Value, v.U, v.Ratio = value, u, float64(value)/float64(v.Limit.Value)
	}
	if filtered > 0 {
		v.Notes = append(v.Notes, fmt.Sprintf("judged as a first-order probe that takes %s to 90 %% of a step would show it, as the limit asks; probe %s takes %s",
			quantity.FormatDuration(filtered), w.post.Probe.ID, quantity.FormatDuration(w.post.Probe.Response)))
	}
	w.explain(&v)
	return v
}

// alarmVerdict judges the values as they were measured, as alarms do.
func (w *watch) alarmVerdict(h *held, mono time.Duration) limit.Verdict {
	v := limit.Judge(h.limit, w.circumstances(h, mono))
	w.explain(&v)
	return v
}

// circumstances gathers what a verdict rests on.
func (w *watch) circumstances(h *held, mono time.Duration) limit.Circumstances {
	p := w.post
	c := limit.Circumstances{
		HasValue:   !w.condition.gone() && w.last.Seq > 0 && w.newest.Seq == w.last.Seq,
		Value:      w.last.S,
		U:          w.last.U,
		Peak:       w.runs.Peak(),
		PeakU:      w.runPeakU,
		OverRange:  w.overRange(),
		Sustained:  h.sustained.Above(),
		Cover:      h.sustained.Cover(),
		Gone:       w.condition.gone(),
		Latched:    w.alarms[h.alarm].State.Standing() || len(w.ruled) > 0 && w.ruleStands(h),
		Calibrated: w.correction.Calibrated(w.epoch.Add(mono)) && (w.last.Seq == 0 || w.last.Quality&Uncalibrated == 0),
		RunMissed:  w.flaws.missed,
		RunFlawed:  w.flaws.uncalibrated,
		Axes:       p.Probe.Axes,
		Turned:     p.Turned,
		Distance:   p.Distance,
		Response:   p.Probe.Response,
	}
	c.K = w.correction.Coverage()
	if cert := w.correction.Certificate; cert != nil {
		c.Certificate = cert.Number
	}
	_, c.Above = h.sustained.TimeAbove()
	_, c.Running = w.runs.Running()
	if h.mean != nil {
		c.Mean = h.mean.Read()
		last, ever := w.runs.Last()
		c.Running = ever && last >= c.Mean.From
	}
	if w.condition.Blind() {
		c.Blind = w.detail(mono)
	}
	return c
}

// detail says in one sentence why a post does not see, and what to do.
func (w *watch) detail(mono time.Duration) string {
	p := w.post
	switch w.condition {
	case AwayNow:
		return fmt.Sprintf("probe %s is away for a survey, announced %s", p.Probe.ID, announced(w.alarms[awayAt], w.zone))
	case TestNow:
		return fmt.Sprintf("probe %s is under test, announced %s", p.Probe.ID, announced(w.alarms[testAt], w.zone))
	}
	switch {
	case w.stranger != nil && w.condition != SilentNow:
		return w.strangerText()
	case w.newest.Seq > 0 && w.newest.Quality&Fault != 0 && w.condition != SilentNow:
		return fmt.Sprintf("probe %s declares a fault: compare it with one known to be good, or have it repaired", p.Probe.ID)
	case w.condition == Starting && w.linkError == "":
		return "waiting for the first reading"
	case w.condition == Starting || w.condition == SilentNow && w.linkError != "":
		return w.linkError
	case w.condition == SilentNow:
		return fmt.Sprintf("probe %s on %s has not answered for %s: look at its power, cable and settings", p.Probe.ID, p.Probe.Port, ago(mono-w.heard))
	case w.condition == StaleNow && mono-w.heard > p.Stale:
		return fmt.Sprintf("probe %s on %s has not answered for %s", p.Probe.ID, p.Probe.Port, ago(mono-w.heard))
	case w.condition == StaleNow:
		return fmt.Sprintf("probe %s answers, but for %s nothing it said was a reading: compare its settings with its lines in the record", p.Probe.ID, ago(mono-w.valid))
	case w.condition == StuckNow:
		return fmt.Sprintf("probe %s has said the same %s %s for %s, longer than its noise allows: compare it with one known to be good", p.Probe.ID, w.last.Reading.Value, w.last.Reading.Unit, ago(mono-w.still))
	}
	return ""
}

func ago(d time.Duration) string { return quantity.FormatDuration(d.Round(time.Second)) }

// exceedsText tells what an exceedance alarm saw.
func exceedsText(v limit.Verdict, r alarm.Reason) string {
	limitText := fmt.Sprintf("the limit of %s (%s, %s)", v.Limit.Value, v.Limit.ID, v.Limit.Basis)
	switch {
	case r == alarm.ReturnedLatched:
		return "the field was seen at or below " + limitText + " for the whole clear delay"
	case math.IsInf(v.Ratio, 1):
		return "the field is over the probe's range; " + limitText + " applies"
	case v.Averaged:
		return fmt.Sprintf("mean over %s %s: %s: %s", quantity.FormatDuration(v.Limit.Averaging), between(v.Mean), limitText, strings.Join(v.Reasons, "; "))
	case math.IsNaN(v.Ratio):
		return "the field exceeds " + limitText
	}
	return fmt.Sprintf("%s, %.3g × %s: %s", v.Value, v.Ratio, limitText, strings.Join(v.Reasons, "; "))
}

// grounds keeps a verdict with its numbers, for good.
func grounds(v limit.Verdict) *alarm.Grounds {
	g := &alarm.Grounds{Outcome: string(v.Outcome), Limit: float64(v.Limit.Value), LimitID: v.Limit.ID,
		Source: v.Limit.Source, Reasons: v.Reasons,
		Rule: string(v.Rule), Distance: known(quantity.PowerDensity(v.Distance)), Certificate: v.Certificate, Notes: v.Notes}
	g.Value, g.Uncertainty = known(v.Value), known(v.U)
	g.Judged, g.JudgedUncertainty = known(v.Judged), known(v.JudgedU)
	g.Coverage, g.Cover, g.Wrong = positive(v.K), known(quantity.PowerDensity(v.Cover)), known(quantity.PowerDensity(v.Wrong))
	if v.Averaged {
		g.Averaging = v.Limit.Averaging.Seconds()
		g.MeanLo, g.MeanHi = known(v.Mean.Lo), known(v.Mean.Hi)
	}
	return g
}

// between tells the bounds of a mean.
func between(a limit.Average) string {
	if math.IsInf(float64(a.Hi), 1) {
		return fmt.Sprintf("at least %s", a.Lo)
	}
	return fmt.Sprintf("between %s and %s", a.Lo, a.Hi)
}

func positive(x float64) *float64 {
	if x > 0 {
		return &x
	}
	return nil
}

func known(s quantity.PowerDensity) *float64 {
	if f := float64(s); !math.IsNaN(f) && !math.IsInf(f, 0) {
		return &f
	}
	return nil
}

// linkTrouble puts an error of a link into one sentence for the page.
func linkTrouble(p *Post, err error) string {
	switch {
	case errors.Is(err, drivers.ErrAbsent):
		return fmt.Sprintf("port %s is absent: plug probe %s in; it is looked for again and again", p.Probe.Port, p.Probe.ID)
	case errors.Is(err, drivers.ErrGone):
		return fmt.Sprintf("port %s went away: probe %s was unplugged or lost power; it is looked for again and again", p.Probe.Port, p.Probe.ID)
	}
	if errors.Is(err, drivers.ErrTimeout) {
		return fmt.Sprintf("port %s is open, and probe %s says nothing: look at its power, cable and settings; the port is opened anew from time to time", p.Probe.Port, p.Probe.ID)
	}
	return err.Error()
}
