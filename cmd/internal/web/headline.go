package web

import (
	"slices"
	"strings"

	"ovenward/acquire"
	"ovenward/acquire/limit"
)

// segment is one statement of the headline.
type segment struct {
	Level string `json:"level"` // above, blind, alarm or calm
	Text  string `json:"text"`
}

// namedInTop is how many posts a line at the top names; of more it gives the number.
const namedInTop = 2

// headline says what is so, the loudest first. The calm line must be earned:
// posts are watched, every one sees, none is above, and no alarm stands.
func (v voice) headline(rows []row, open []alarmView) []segment {
	var out []segment
	say := func(level, text string, is func(row) bool) {
		k, which := 0, ""
		for _, r := range rows {
			if is(r) {
				k++
				which += ", " + r.Title
			}
		}
		if k == 0 {
			return
		}
		text = v.t("overview."+text, "n", k, "of", v.t("overview.of", "k", k, "n", len(rows)))
		if k <= namedInTop {
			text = v.t("overview.named", "text", text, "which", which[2:])
		}
		out = append(out, segment{level, text})
	}
	say("above", "head_above", func(r row) bool { return r.above })
	say("above", "head_lost", func(r row) bool { return r.was && r.blind })
	say("above", "head_was", func(r row) bool { return r.was && !r.blind })
	say("above", "head_kept", func(r row) bool { return r.kept })
	say("blind", "head_blind", func(r row) bool { return r.blind && !r.zeroOff })
	say("blind", "head_zero", func(r row) bool { return r.zeroOff })
	say("above", "head_open", func(r row) bool { return slices.Contains(r.sight.All, acquire.OpenEmits) })
	say("above", "head_emits", func(r row) bool { return r.sight.Regard == acquire.Emits })
	add := func(text string, is func(alarmView) bool) {
		k := 0
		for _, a := range open {
			if is(a) {
				k++
			}
		}
		if k > 0 {
			out = append(out, segment{"alarm", v.t("overview."+text, "n", k)})
		}
	}
	add("head_standing", func(a alarmView) bool { return a.Standing })
	add("head_aside", func(a alarmView) bool { return a.Aside != "" && !a.Notice })
	say("alarm", "head_unwell", func(r row) bool { return !r.blind && !r.above && !r.was && !r.kept && !r.sight.Well() })
	switch {
	case len(rows) == 0:
		out = append(out, segment{"blind", v.t("overview.head_nothing")})
	case len(out) == 0:
		out = append(out, segment{"calm", v.t("overview.head_calm", "n", len(rows))})
	}
	return out
}

// tally tells the verdicts, so that a calm line is not taken for a verdict.
func (v voice) tally(rows []row, open []alarmView) string {
	n := map[limit.Outcome]int{}
	for _, r := range rows {
		n[r.outcome]++
	}
	var parts []string
	for _, o := range []limit.Outcome{limit.Exceeds, limit.Within, limit.NotDecided} {
		if k := n[o]; k > 0 {
			parts = append(parts, v.t("overview.tally_one", "outcome", v.short(o), "n", k))
		}
	}
	var text []string
	if len(parts) > 0 {
		text = append(text, v.t("overview.tally", "list", strings.Join(parts, ", ")))
	}
	waiting := 0
	for _, a := range open {
		if !a.Standing && a.CanAck {
			waiting++
		}
	}
	if waiting > 0 {
		text = append(text, v.t("overview.waiting", "n", waiting))
	}
	return strings.Join(text, " ")
}

// short names an outcome in running text.
func (v voice) short(o limit.Outcome) string {
	return v.or("overview.outcome_"+string(o), v.said(string(o)))
}

// shownStanding is how many standing alarms the overview lists; the page of
// alarms lists all.
const shownStanding = 6

// standingOf picks the alarms that stand. What to do is said of each exceedance,
// for it is said of that oven, and of others once where it is the same.
func standingOf(open []alarmView) []alarmView {
	all := slices.DeleteFunc(slices.Clone(open), func(a alarmView) bool { return !a.Standing })
	all = all[:min(len(all), shownStanding)]
	said := map[string]bool{}
	for i := range all {
		if said[all[i].Do] && !all[i].High {
			all[i].Do = ""
		}
		said[all[i].Do] = true
	}
	return all
}
