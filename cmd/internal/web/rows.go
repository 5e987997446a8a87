package web

import (
	"cmp"
	"math"
	"slices"
	"sort"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/alarm"
	"ovenward/acquire/limit"
)

// stand is how a post stands in short: its mark, its place among the others.
type stand struct {
	State string // above, was, blind, seeing or idle: the mark

	rank    int
	worst   float64 // share of the limit by which those of one rank are ordered
	above   bool    // above the limit at this moment
	was     bool    // exceeds, but is not above at this moment
	kept    bool    // was above in a run that is over; its alarm stands
	blind   bool    // the field is not known
	zeroOff bool    // it answers, and is blind for its zero
	sight   acquire.Sight
	outcome limit.Outcome
}

// notSeenRank is the rank of a post of which nothing is known, and nothing bad: those
// before it are or were above a limit, or emitted where they should not.
const notSeenRank = 5

// standOf gives a post its mark and its place in the list, the worst first.
func standOf(st acquire.Stats) stand {
	seen := presenceOf(st)
	lead := st.Binding()
	d := stand{blind: seen == notSeen || st.Blind(), zeroOff: seen == belowZero, sight: st.Sight(), outcome: lead.Outcome}
	switch {
	case seen == overRange || seen == aValue && aboveNow(st):
		d.above = true
	case lead.Outcome == limit.Exceeds:
		d.was = true
	}
	standing := slices.ContainsFunc(st.Alarms, func(a alarm.Alarm) bool { return a.State.Standing() })
	switch {
	case d.above:
		d.State, d.rank = "above", 0
	case d.was && d.blind:
		d.State, d.rank = "blind", 1
	case d.was:
		d.State, d.rank = "was", 2
	case d.blind:
		d.State, d.rank = "blind", notSeenRank
	case st.Condition == acquire.Seeing:
		d.State, d.rank = "seeing", 8
	default:
		d.State, d.rank = "idle", 9
	}
	emits := slices.ContainsFunc(d.sight.All, func(r acquire.Regard) bool { return r == acquire.OpenEmits || r == acquire.Emits })
	if d.rank > notSeenRank && emits {
		d.State, d.rank = "was", 2 // it emits, or did, where it should not: its mark is not that of a post that sees
	}
	d.kept = !d.above && !d.was && d.sight.Regard == acquire.Exceeding
	switch {
	case d.kept && d.rank > notSeenRank:
		d.State, d.rank = "was", 4 // a field above the limit was seen; of the blind that follow nothing is known
	case d.rank == notSeenRank && (d.kept || emits):
		d.rank = 3 // before those that do not see, and were neither above nor emitted where they should not
	}
	if (standing || !d.sight.Seeing()) && d.rank > notSeenRank {
		d.rank = 6
	}
	if st.Battery && d.rank > 6 {
		d.rank = 7
	}
	return d
}

// The fields of a row that change while it is looked at, in the order in which
// the stream numbers them.
const (
	rowState = iota
	rowCondition
	rowSince
	rowValue
	rowUnit
	rowRatio
	rowSpark
	rowFields
)

// row is a post on the overview, in words.
type row struct {
	Index int    // of the post; names the row in the stream
	ID    string // of the post
	Title string
	F     [rowFields]string

	Spark      spark
	SparkWords string
	stand
}

// Fields of a row, by name, for the template.
func (r row) State() string     { return r.F[rowState] }
func (r row) Condition() string { return r.F[rowCondition] }
func (r row) Since() string     { return r.F[rowSince] }
func (r row) Value() string     { return r.F[rowValue] }
func (r row) Unit() string      { return r.F[rowUnit] }
func (r row) Ratio() string     { return r.F[rowRatio] }

// row puts a post into the few words of the overview.
func (v voice) row(st acquire.Stats, name string, sp spark, now time.Time) row {
	r := row{Index: st.Index, ID: st.Post.ID, Title: name, Spark: sp, SparkWords: sp.words(v), stand: standOf(st)}
	r.worst = worstOf(st, r.stand, sp)
	r.F[rowState] = r.stand.State
	r.F[rowCondition] = v.standing(st, r.stand)
	r.F[rowSince] = v.sinceWords(st, r.stand, now)
	r.F[rowValue], r.F[rowUnit] = v.valueNow(st)
	r.F[rowRatio] = v.bindingShare(st)
	r.F[rowSpark] = sp.coded(v)
	return r
}

// standing says in a few words how a post stands: the field first, where it is
// above, else whether it sees, else what it sees.
func (v voice) standing(st acquire.Stats, d stand) string {
	switch {
	case d.above:
		return v.t("overview.is_above")
	case d.was && d.blind:
		return v.t("overview.was_above_blind")
	case d.was:
		return v.t("overview.was_above")
	case slices.Contains(d.sight.All, acquire.OpenEmits):
		return v.t("overview.open_emits")
	case d.sight.Regard == acquire.Emits:
		return v.t("overview.emits")
	case d.kept:
		return v.t("overview.kept", "condition", v.condition(st))
	case st.Withdrawn != nil:
		return v.t("overview.withdrawn", "condition", v.condition(st))
	case !d.blind && st.Uncalibrated != "":
		return v.t("overview.uncalibrated", "condition", v.condition(st))
	}
	return v.condition(st)
}

// sinceWords says since when what standing tells is so, or where nobody kept that,
// since when its alarm stands: it outlasts runs. An exceedance that is no alarm yet
// is told by its time above.
func (v voice) sinceWords(st acquire.Stats, d stand, now time.Time) string {
	since := func(is func(alarm.Rule) bool) string {
		for _, a := range st.Alarms {
			if is(a.Rule) && a.State.Standing() {
				return v.t("overview.alarm_since", "at", v.clock(a.Since, now))
			}
		}
		return ""
	}
	var text string
	switch {
	case d.above || d.was:
		if text = since(alarm.Rule.IsExceedance); text == "" {
			text = v.t("overview.above_for", "x", int(math.Ceil(st.TimeUp.Seconds())))
		}
	case slices.Contains(d.sight.All, acquire.OpenEmits):
		text = since(func(r alarm.Rule) bool { return r == alarm.OpenDoor })
	case d.sight.Regard == acquire.Emits:
		text = since(func(r alarm.Rule) bool { return r == alarm.Emission })
	case d.zeroOff: // nobody kept since when
	default:
		text = v.t("overview.since", "at", v.clock(st.Since, now))
	}
	return text
}

// valueNow is the present value in the viewer's unit, or why there is none.
func (v voice) valueNow(st acquire.Stats) (value, unit string) {
	switch presenceOf(st) {
	case aValue:
		return v.people(st.Last.S)
	case underFloor:
		value, unit = v.people(st.Post.Probe.Floor)
		return v.t("overview.under", "x", value), unit
	case overRange:
		return v.t("words.over_range"), ""
	}
	if st.BelowZero() {
		value, unit = v.people(st.Last.S)
		return v.t("overview.reads", "x", value), unit
	}
	return v.t("overview.not_seen"), ""
}

// bindingShare is the share of the limit that binds, by the value, or by the
// mean where the limit is one on means.
func (v voice) bindingShare(st acquire.Stats) string {
	lead := st.Binding()
	if lead.Limit.Value <= 0 {
		lead.Limit = st.Post.Limit
	}
	share := math.NaN()
	switch seen := presenceOf(st); {
	case seen == notSeen, seen == belowZero:
		return ""
	case seen == overRange:
		return v.t("overview.beyond", "limit", v.read(lead.Limit.Value))
	case lead.Averaged:
		return v.meanShare(lead, len(st.Post.More) > 0)
	case seen == aValue:
		share = float64(st.Last.S) / float64(lead.Limit.Value)
	case seen == underFloor:
		share = float64(st.Post.Probe.Floor) / float64(lead.Limit.Value)
		if share >= 0.01 {
			return v.t("overview.under", "x", v.ratio(share))
		}
	}
	text := v.ratio(share)
	if len(st.Post.More) > 0 && text != "" {
		return v.t("overview.share_of", "share", text, "limit", lead.Limit.ID)
	}
	return text
}

// meanShare tells the bound of a mean that says on which side of its limit it lies.
// Where none does, a share of the upper one would pass for a field that nobody saw.
func (v voice) meanShare(d limit.Verdict, several bool) string {
	var text string
	switch m := d.Mean; {
	case m.Lo > d.Limit.Value:
		text = v.t("overview.mean_least", "share", v.ratio(leastShare(d)))
	case m.Seen > 0 && m.Hi <= d.Limit.Value:
		hi := float64(m.Hi / d.Limit.Value)
		if text = v.t("overview.mean_most", "share", v.ratio(hi)); hi < 0.01 { // "under 1 %"
			text = v.t("overview.mean_is", "share", v.ratio(hi))
		}
	case d.Cover >= 1 || math.IsInf(float64(m.Hi), 1):
		text = v.t("overview.mean_open")
	default:
		text = v.t("overview.mean_unknown", "x", int(100*d.Cover))
	}
	if several {
		text = v.t("post.judged_limit", "limit", d.Limit.ID, "text", text)
	}
	return text
}

// leastShare is the share of its limit that a mean has at least.
func leastShare(d limit.Verdict) float64 { return float64(d.Mean.Lo / d.Limit.Value) }

// worstOf is the share of its limit by which a post stands before others of its rank:
// that of the highest value of its newest run where it is or was above, else that of
// its last hour. Neither follows the present value, so that rows do not dance.
func worstOf(st acquire.Stats, d stand, sp spark) float64 {
	lead := st.Binding()
	switch {
	case presenceOf(st) == overRange:
		return math.Inf(1)
	case (d.above || d.was || d.kept) && lead.Averaged:
		return leastShare(lead) // the upper bound tells what was not seen, too
	case d.above || d.was || d.kept:
		return float64(st.RunPeak / st.Post.Limit.Value)
	case sp.over:
		return math.Inf(1)
	case sp.Read && sp.limit > 0 && !math.IsNaN(sp.hi):
		return sp.hi / sp.limit
	}
	return 0
}

// worstFirst orders rows by rank, and those of one rank by how far they reach; equal
// ones keep their order.
func worstFirst(rows []row) {
	sort.SliceStable(rows, func(i, j int) bool {
		a, b := &rows[i], &rows[j]
		return cmp.Or(cmp.Compare(a.rank, b.rank), cmp.Compare(b.worst, a.worst)) < 0
	})
}
