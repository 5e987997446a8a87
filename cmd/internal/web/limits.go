package web

import (
	"fmt"
	"math"
	"slices"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/limit"
	"ovenward/acquire/quantity"
)

// judged tells what a verdict rests on.
func (v voice) judged(d limit.Verdict, several bool) string {
	var text string
	switch {
	case d.Averaged && math.IsInf(float64(d.Mean.Hi), 1):
		text = v.t("post.judged_mean_least", "span", durationWords(d.Limit.Averaging), "lo", v.read(d.Mean.Lo))
	case d.Averaged:
		text = v.t("post.judged_mean", "span", durationWords(d.Limit.Averaging), "lo", v.read(d.Mean.Lo), "hi", v.read(d.Mean.Hi))
		if finite(d.Mean.U) {
			text += v.t("post.judged_u", "u", inPower(v, float64(d.Mean.U)))
		}
	case finite(d.Judged):
		text = v.t("post.judged", "value", d.Judged.FormatUncertain(d.JudgedU, v.unit.Unit))
	default:
		return ""
	}
	if d.K > 0 && finite(d.JudgedU) {
		text += v.t("post.judged_k", "k", fmt.Sprintf("%.3g", d.K))
	}
	if d.Averaged {
		text += v.t("post.judged_cover", "x", fmt.Sprintf("%.3g", 100*d.Cover))
	}
	if d.Rule != "" && d.Rule != limit.GuardedAcceptance {
		text += v.t("post.judged_rule", "rule", v.said(string(d.Rule)))
	}
	if d.Outcome == limit.Within && !math.IsNaN(d.Wrong) {
		text += v.t("post.judged_wrong", "chance", v.chance(d.Wrong))
	}
	if several {
		text = v.t("post.judged_limit", "limit", d.Limit.ID, "text", text)
	}
	return text
}

// otherVerdicts tells the verdicts beside the binding one.
func (v voice) otherVerdicts(st acquire.Stats) []string {
	var out []string
	all := st.All()
	binding := limit.Binding(all)
	for i, d := range all {
		if i != binding {
			out = append(out, v.t("post.other_verdict", "limit", d.Limit.ID, "value", v.read(d.Limit.Value), "basis", v.basis(d.Limit.Basis),
				"outcome", v.short(d.Outcome), "reason", v.said(d.Reasons[0])))
		}
	}
	return out
}

// aboveNow says whether the post is above one of its limits at this moment: by
// the value, or by the mean where a limit is one on means.
func aboveNow(st acquire.Stats) bool {
	for _, v := range st.All() {
		if v.Averaged && v.Outcome == limit.Exceeds || !v.Limit.Averaged() && v.Limit.Value > 0 && st.Last.S > v.Limit.Value {
			return true
		}
	}
	return false
}

// ruleFact tells the decision rule of a limit.
func ruleFact(l limit.Limit) string {
	if l.Rule == "" {
		return string(limit.GuardedAcceptance)
	}
	return string(l.Rule)
}

// furtherLimits names the limits of a post beside its first.
func (v voice) furtherLimits(p *acquire.Post) []string {
	var out []string
	for _, l := range p.More {
		mean := ""
		if l.Averaged() {
			mean = ", " + v.averaging(l)
		}
		out = append(out, v.t("post.further", "limit", l.ID, "value", v.read(l.Value), "si", si(l.Value), "basis", v.basis(l.Basis),
			"mean", mean, "source", l.Source))
	}
	return out
}

// lineWords names one of several limits where the chart draws it.
func (v voice) lineWords(l limit.Limit) string {
	text := l.ID + " " + v.read(l.Value)
	if l.Averaged() {
		text += ", " + v.averaging(l)
	}
	return text
}

func durationWords(d time.Duration) string { return quantity.FormatDuration(d) }

// boundsJSON is a mean as the API shows it.
type boundsJSON struct {
	Lo        number `json:"lower_w_per_m2"`
	Hi        number `json:"upper_w_per_m2"` // null when it has no upper bound
	U         number `json:"expanded_uncertainty_w_per_m2"`
	Averaging number `json:"averaging_s"`
	Interval  number `json:"interval_s"` // that the bounds are exact over
	Seen      number `json:"seen_s"`
}

func verdictOf(v limit.Verdict) verdictJSON {
	j := verdictJSON{
		Outcome: string(v.Outcome), Value: number(v.Value), U: number(v.U),
		K: number(v.K), Ratio: number(v.Ratio), Reasons: slices.Clone(v.Reasons),
		LimitID: v.Limit.ID, Rule: ruleFact(v.Limit), Judged: number(v.Judged), JudgedU: number(v.JudgedU),
		Share: number(v.Share), Cover: number(v.Cover), Distance: number(v.Distance), Certificate: v.Certificate,
		Wrong: number(v.Wrong), WrongModel: limit.RiskModel, Notes: v.Notes,
	}
	if j.Reasons == nil {
		j.Reasons = []string{}
	}
	if v.Averaged {
		m := v.Mean
		j.Mean = &boundsJSON{number(m.Lo), number(m.Hi), number(m.U), number(v.Limit.Averaging.Seconds()),
			number((m.To - m.From).Seconds()), number(m.Seen.Seconds())}
	}
	return j
}

func verdictsOf(st acquire.Stats) []verdictJSON {
	var out []verdictJSON
	for _, v := range st.All() {
		out = append(out, verdictOf(v))
	}
	return out
}

func limitsOf(p *acquire.Post) []limitJSON {
	var out []limitJSON
	for _, l := range p.Limits() {
		out = append(out, limitOf(l))
	}
	return out
}

// chance words a probability. What is very small is not nothing: the model
// behind it is not known that well.
func (v voice) chance(p float64) string {
	if p < 1e-4 {
		return v.t("post.chance_small")
	}
	return v.t("post.chance", "x", fmt.Sprintf("%.2g", 100*p))
}
