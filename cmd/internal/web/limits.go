package web

import (
	"encoding/json"
	"fmt"
	"math"
	"slices"

	"ovenward/acquire"
	"ovenward/acquire/limit"
	"ovenward/acquire/quantity"
)

// judgedWords tells what a verdict rests on.
func (say voice) judged(v limit.Verdict, several bool) string {
	text := ""
	switch {
	case v.Averaged && math.IsInf(float64(v.Mean.Hi), 1):
		text = fmt.Sprintf("judged on the mean over %s, at least %s", quantity.FormatDuration(v.Limit.Averaging), say.read(v.Mean.Lo))
	case v.Averaged:
		text = fmt.Sprintf("judged on the mean over %s, between %s and %s", quantity.FormatDuration(v.Limit.Averaging), say.read(v.Mean.Lo), say.read(v.Mean.Hi))
		if finite(v.Mean.U) {
			text += fmt.Sprintf(", ± %s", say.read(v.Mean.U))
		}
	case finite(v.Judged):
		text = "judged on " + v.Judged.FormatUncertain(v.JudgedU, say.unit.Unit)
	default:
		return ""
	}
	if v.K > 0 && finite(v.JudgedU) {
		text += fmt.Sprintf(", k\u00a0=\u00a0%.3g", v.K)
	}
	if v.Averaged {
		text += fmt.Sprintf(", %.3g\u00a0%% of the time seen", 100*v.Cover)
	}
	if v.Rule != "" && v.Rule != limit.GuardedAcceptance {
		text += ", by " + string(v.Rule)
	}
	if v.Outcome == limit.Within && !math.IsNaN(v.Wrong) {
		text += ", wrong with a probability " + chance(v.Wrong)
	}
	if several {
		text = "limit " + v.Limit.ID + ": " + text
	}
	return text
}

// otherVerdicts tells the verdicts beside the binding one.
func (say voice) otherVerdicts(st acquire.Stats) []string {
	var out []string
	all := st.All()
	binding := limit.Binding(all)
	for i, v := range all {
		if i != binding {
			out = append(out, fmt.Sprintf("limit %s (%s, %s): %s: %s", v.Limit.ID, say.read(v.Limit.Value), say.basis(v.Limit.Basis), v.Outcome, v.Reasons[0]))
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

// averagingFact tells over which time a limit is judged.
func averagingFact(l limit.Limit) string {
	switch {
	case l.Averaged():
		return "mean over " + quantity.FormatDuration(l.Averaging)
	case l.Basis.Emission():
		return "none: each value counts"
	}
	return "not stated"
}

// ruleFact tells the decision rule of a limit.
func ruleFact(l limit.Limit) string {
	if l.Rule == "" {
		return string(limit.GuardedAcceptance)
	}
	return string(l.Rule)
}

// furtherLimits names the limits of a post beside its first.
func (say voice) furtherLimits(p *acquire.Post) []string {
	var out []string
	for _, l := range p.More {
		text := fmt.Sprintf("%s: %s (%s), %s", l.ID, say.read(l.Value), si(l.Value), say.basis(l.Basis))
		if l.Averaged() {
			text += ", " + averagingFact(l)
		}
		out = append(out, text+"; "+l.Source)
	}
	return out
}

// lineWords names a further limit where the chart draws it.
func (say voice) lineWords(l limit.Limit) string {
	text := l.ID + " " + say.read(l.Value)
	if l.Averaged() {
		text += ", " + averagingFact(l)
	}
	return text
}

// lines gives the further limits to the script that draws the chart.
func (say voice) lines(p *acquire.Post) string {
	type line struct {
		Value float64 `json:"w_per_m2"`
		Text  string  `json:"text"`
	}
	all := []line{}
	for _, l := range p.More {
		all = append(all, line{float64(l.Value), say.lineWords(l)})
	}
	text, err := json.Marshal(all)
	if err != nil { // numbers and texts always make JSON
		return "[]"
	}
	return string(text)
}

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
func chance(p float64) string {
	if p < 1e-4 {
		return "below 0.01\u00a0%"
	}
	return fmt.Sprintf("of %.2g\u00a0%%", 100*p)
}
