package web

import (
	"cmp"
	"fmt"
	"math"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/calib"
	"ovenward/acquire/limit"
	"ovenward/acquire/quantity"
)

// postView is a post in words, for the template and for the live stream: both
// show the same texts. What has no JSON name does not change while we run.
type postView struct {
	ID       string   `json:"id"`
	Index    int      `json:"-"`
	Title    string   `json:"-"` // where the oven is, or its name
	Oven     string   `json:"-"` // its name in the record, where Title is another
	Limit    string   `json:"-"` // "1 mW/cm² at 50 mm"
	LimitSI  string   `json:"-"` // "10 W/m²"
	Basis    string   `json:"-"`
	Source   string   `json:"-"`
	Mean     string   `json:"-"` // over which time the limit is judged
	Rule     string   `json:"-"` // decision rule
	Further  []string `json:"-"` // limits beside the first
	Probe    string   `json:"-"`
	Cert     string   `json:"cert"`
	ZeroURL  string   `json:"-"`
	PostURL  string   `json:"-"`
	OvenURL  string   `json:"-"`
	LimitWPM string   `json:"-"` // W/m², for the chart
	Lines    string   `json:"-"` // the further limits, for the chart
	GapS     string   `json:"-"` // s; a longer pause in the trace is a gap
	Age      string   `json:"-"` // in the snapshot; the script tells it live
	Chart    chart    `json:"-"` // the snapshot's

	State     string   `json:"state"` // above, blind, seeing or idle: the mark
	Condition string   `json:"condition"`
	Since     string   `json:"since"`
	Detail    string   `json:"detail"`
	Prefix    string   `json:"prefix"` // under, for a value below the probe's noise floor
	Value     string   `json:"value"`
	Unit      string   `json:"unit"`
	SI        string   `json:"si"`
	Ratio     string   `json:"ratio"`
	SampleAt  string   `json:"sample_at"` // of what Value tells, for the age; empty when there is none
	AgeOf     string   `json:"age_of"`    // what the age is of
	Outcome   string   `json:"outcome"`
	Judged    string   `json:"judged"`
	Reasons   []string `json:"reasons"`
	Notes     []string `json:"notes"`
	Zero      string   `json:"zero"`
	Summary   string   `json:"summary"`

	Tail traceJSON `json:"tail"` // newest part of the trace

	rank  int
	above bool // above the limit at this moment
	was   bool // exceeds, but is not above at this moment
	blind bool
	sight acquire.Sight
}

// defaultGap bounds a pause in a chart when the post states no stale time.
const defaultGap = 3 * time.Second

func gapOf(p *acquire.Post) time.Duration {
	if p.Stale > 0 {
		return p.Stale
	}
	return defaultGap
}

// viewOf puts a post into words. now is the instant of the snapshot.
func (say voice) viewOf(st acquire.Stats, trace acquire.Trace, now time.Time) postView {
	p := st.Post
	seen, lead := presenceOf(st), st.Binding()
	v := postView{
		ID: p.ID, Index: st.Index, Title: p.Oven,
		Limit: say.read(p.Limit.Value), LimitSI: si(p.Limit.Value),
		Basis: say.basis(p.Limit.Basis), Source: p.Limit.Source,
		Mean: averagingFact(p.Limit), Rule: ruleFact(p.Limit), Further: say.furtherLimits(p),
		Probe: probeWords(p), Cert: certWords(p, now),
		ZeroURL: "/api/v1/posts/" + url.PathEscape(p.ID) + "/zero",
		PostURL: "/api/v1/posts/" + url.PathEscape(p.ID), OvenURL: "/api/v1/ovens/" + url.PathEscape(p.Oven),
		LimitWPM: fmt.Sprint(float64(p.Limit.Value)), Lines: say.lines(p), GapS: fmt.Sprint(gapOf(p).Seconds()),
		Condition: say.condition(st), Since: "since " + say.clock(st.Since, now), Detail: st.Detail,
		Outcome: say.outcome(lead.Outcome), Reasons: slices.Clone(lead.Reasons),
		Notes: slices.Concat(say.otherVerdicts(st), lead.Notes, notes(st)), Zero: say.zero(st, now),
	}
	if p.OvenPlace != "" {
		v.Title, v.Oven = capital(p.OvenPlace), p.Oven
	}
	if p.Limit.Distance > 0 {
		v.Limit += " at " + p.Limit.Distance.String()
	}
	v.tell(say, st, seen, now)
	v.blind = seen == notSeen || st.Condition.Blind()
	v.sight = st.Sight()
	if st.Withdrawn != nil {
		v.Condition = "Withdrawn: this oven is out of use. " + v.Condition
	}
	switch {
	case seen == overRange || seen == aValue && aboveNow(st):
		v.above = true
	case lead.Outcome == limit.Exceeds:
		v.was = true
	}
	if !v.blind {
		v.Judged = say.judged(lead, len(st.Verdicts) > 1)
	}
	v.place(st)
	v.Summary = say.summary(trace, v, now, gapOf(p))
	v.Tail = tailOf(trace)
	return v
}

// tell fills in what is known of the field now.
func (v *postView) tell(say voice, st acquire.Stats, seen presence, now time.Time) {
	at := st.Last.At
	v.AgeOf = "sample"
	switch seen {
	case aValue:
		v.Value, v.Unit = say.people(st.Last.S)
		v.SI = si(st.Last.S)
		v.Ratio = say.ratio(float64(st.Last.S) / float64(st.Post.Limit.Value))
		if st.Post.Limit.Averaged() {
			v.Ratio = "at this moment " + v.Ratio + ", which is one on the mean"
		}
	case underFloor:
		floor := st.Post.Probe.Floor
		v.Prefix = "under"
		v.Value, v.Unit = say.people(floor)
		v.SI = "under " + si(floor) + ", the probe's noise floor"
		if r := float64(floor) / float64(st.Post.Limit.Value); r >= 0.01 && r < 0.995 {
			v.Ratio = "under " + say.ratio(r)
		} else {
			v.Ratio = say.ratio(max(r, 0))
		}
	case overRange:
		at = st.Newest.At
		v.Value = "over range"
		v.SI = "above " + say.read(st.Post.Probe.Range) + " (" + si(st.Post.Probe.Range) + "), the top of the probe's range"
		v.Ratio = "over range"
		if top := float64(st.Post.Probe.Range) / float64(st.Post.Limit.Value); top >= 1 {
			v.Ratio = "more than " + strings.TrimSuffix(strconv.FormatFloat(top, 'f', 2, 64), ".00") + " × the limit"
		}
	case notSeen:
		v.Value = "not seen"
		v.SI = "the field here is unknown now"
		v.AgeOf = "last valid sample"
		if st.Last.Seq == 0 {
			v.AgeOf, at = "no valid sample yet", time.Time{}
		}
	}
	v.SampleAt = instant(at)
	if !at.IsZero() {
		v.Age = say.age(now.Sub(at))
	}
}

// place gives the post its mark and its place in the list, the worst first.
func (v *postView) place(st acquire.Stats) {
	standing := false
	for _, a := range st.Alarms {
		standing = standing || a.State.Standing()
	}
	switch {
	case v.above:
		v.State, v.rank = "above", 0
	case v.was && v.blind:
		v.State, v.rank = "blind", 1
	case v.was:
		v.State, v.rank = "was", 2
	case v.blind:
		v.State, v.rank = "blind", 3
	case st.Condition == acquire.Seeing:
		v.State, v.rank = "seeing", 6
	default:
		v.State, v.rank = "idle", 7
	}
	if (standing || !v.sight.Seeing()) && v.rank > 3 {
		v.rank = 4
	}
	if st.Battery && v.rank > 4 {
		v.rank = 5
	}
}

func probeWords(p *acquire.Post) string {
	if p.Distance > 0 {
		return p.Probe.ID + ", " + p.Distance.String() + " from the oven"
	}
	return p.Probe.ID
}

// certWords names the certificate that counts now, not one that is yet to come.
func certWords(p *acquire.Post, now time.Time) string {
	switch c := calib.InForce(p.Probe.Certificates(), now); {
	case c == nil:
		return "none"
	case now.Before(c.Date):
		return c.Number + ", not valid before " + c.Date.UTC().Format(time.DateOnly)
	case c.Due.IsZero():
		return c.Number
	default:
		return c.Number + ", due " + c.Due.UTC().Format(time.DateOnly)
	}
}

func (say voice) zero(st acquire.Stats, now time.Time) string {
	if st.ZeroAt.IsZero() {
		return "none taken"
	}
	return say.read(st.Zero) + ", taken " + say.clock(st.ZeroAt, now)
}

// notes lists what else is amiss with the newest sample and its probe.
func notes(st acquire.Stats) []string {
	all := []string{}
	if q := st.Newest.Quality; st.Newest.Seq > 0 {
		for _, n := range []struct {
			is   acquire.Quality
			text string
		}{
			{acquire.Fault, "the newest sample declares a fault"},
			{acquire.Uncalibrated, uncalibratedWords(st)},
			{acquire.ClockUnsure, "the instants are unsure"},
		} {
			if q&n.is != 0 {
				all = append(all, n.text)
			}
		}
	}
	if st.Battery {
		all = append(all, "the probe calls for a new battery")
	}
	for i, r := range st.Sight().All {
		switch r {
		case acquire.IsShelved, acquire.IsOut, acquire.Emits, acquire.IsAway, acquire.IsTested:
			all = append(all, st.Sight().Why[i])
		}
	}
	return append(all, vitalWords(st)...)
}

// uncalibratedWords says why the newest value is not calibrated.
func uncalibratedWords(st acquire.Stats) string {
	if st.Uncalibrated == "" {
		return "the newest sample is not calibrated"
	}
	return "the newest sample is not calibrated: " + st.Uncalibrated
}

// segment is one statement of the headline.
type segment struct {
	Level string `json:"level"` // above, blind, alarm or calm
	Text  string `json:"text"`
}

// headline says what is so, the loudest first. The calm line must be earned:
// posts are watched, every one sees, none is above, and no alarm stands.
func headline(posts []postView, alarms []alarmView) []segment {
	var above, was, lost, blind, standing, emits, aside, unwell int
	for _, p := range posts {
		switch {
		case p.above:
			above++
		case p.was && p.blind:
			lost++
		case p.was:
			was++
		}
		switch {
		case p.blind:
			blind++
		case !p.above && !p.was && !p.sight.Well():
			unwell++
		}
		if p.sight.Regard == acquire.Emits {
			emits++
		}
	}
	for _, a := range alarms {
		if a.Aside != "" && !a.Notice {
			aside++
		}
		if a.Standing {
			standing++
		}
	}
	n := len(posts)
	of := func(k int, one, many string) string {
		return fmt.Sprintf("%d of %s %s", k, count(n, "post", "posts"), map[bool]string{true: one, false: many}[k == 1])
	}
	var out []segment
	add := func(k int, level, text string) {
		if k > 0 {
			out = append(out, segment{level, text})
		}
	}
	add(above, "above", of(above, "above its limit", "above their limits"))
	add(lost, "above", of(lost, "was above its limit when last seen", "were above their limits when last seen"))
	add(was, "above", of(was, "was above its limit in this run, not at this moment", "were above their limits in this run, not at this moment"))
	add(blind, "blind", of(blind, "not seeing", "not seeing"))
	add(emits, "above", of(emits, "emits though its oven is withdrawn", "emit though their ovens are withdrawn"))
	add(standing, "alarm", count(standing, "standing alarm", "standing alarms"))
	add(aside, "alarm", count(aside, "alarm set aside", "alarms set aside"))
	add(unwell, "alarm", of(unwell, "not to be counted as seeing", "not to be counted as seeing"))
	switch {
	case n == 0:
		out = append(out, segment{"blind", "No post is configured: nothing is watched"})
	case len(out) == 0 && n == 1:
		out = append(out, segment{"calm", "No reading above a limit; the 1 post is seeing"})
	case len(out) == 0:
		out = append(out, segment{"calm", fmt.Sprintf("No reading above a limit; all %d posts seeing", n)})
	}
	return out
}

// tally tells the verdicts, so that a calm line is not taken for a verdict.
func (say voice) tally(posts []postView, alarms []alarmView) string {
	n := map[string]int{}
	for _, p := range posts {
		n[p.Outcome]++
	}
	var parts []string
	for _, o := range []limit.Outcome{limit.Exceeds, limit.Within, limit.NotDecided} {
		if k := n[say.outcome(o)]; k > 0 {
			parts = append(parts, fmt.Sprintf("%s (%d)", o, k))
		}
	}
	text := ""
	if len(parts) > 0 {
		text = "Verdicts now: " + strings.Join(parts, ", ") + "."
	}
	waiting := 0
	for _, a := range alarms {
		if !a.Standing && a.CanAck {
			waiting++
		}
	}
	if waiting > 0 {
		text += " " + count(waiting, "ended alarm waits", "ended alarms wait") + " to be acknowledged."
	}
	return text
}

// worstFirst orders posts by rank; those of equal rank keep their order.
func worstFirst(posts []postView) {
	slices.SortStableFunc(posts, func(a, b postView) int { return cmp.Compare(a.rank, b.rank) })
}

// summary tells a trace in one sentence, for those who do not see the chart.
func (say voice) summary(t acquire.Trace, v postView, now time.Time, gap time.Duration) string {
	lo, hi := math.Inf(1), math.Inf(-1)
	var over time.Duration
	for _, slot := range t.Slots {
		if slot.N > 0 {
			lo, hi = min(lo, float64(slot.Lo)), max(hi, float64(slot.Hi))
		}
		if slot.OverRange {
			over += t.Width
		}
	}
	text := "Last 5 minutes: no value seen"
	if lo <= hi {
		text = "Last 5 minutes: lowest " + say.read(quantity.PowerDensity(lo)) + ", highest " + say.read(quantity.PowerDensity(hi))
	}
	switch {
	case v.blind:
		text += ", now not seen"
	case v.Unit == "":
		text += ", now over range"
	default:
		text += ", now " + strings.TrimSpace(v.Prefix+" "+v.Value+" "+v.Unit)
	}
	if over > 0 {
		text += fmt.Sprintf("; over range for %.0f s", math.Ceil(over.Seconds()))
	}
	if unseen := unseenIn(t, now, gap); unseen >= time.Second {
		text += fmt.Sprintf("; not seen for %.0f s", unseen.Seconds())
	}
	return text + "; limit " + v.Limit + "."
}
