package web

import (
	"math"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/calib"
	"ovenward/acquire/limit"
)

// postView is a post in words, for the template and for the live stream: both
// show the same texts. What has no JSON name does not change while we run.
type postView struct {
	ID      string   `json:"id"`
	Title   string   `json:"-"` // where the oven is, or its name
	Oven    string   `json:"-"` // its name in the record, where Title is another, and of several posts at it this one's
	Limit   string   `json:"-"` // "1 mW/cm² at 50 mm"
	LimitSI string   `json:"-"` // "10 W/m²"
	Basis   string   `json:"-"`
	Source  string   `json:"-"`
	Mean    string   `json:"-"` // over which time the limit is judged
	Rule    string   `json:"-"` // decision rule
	Further []string `json:"-"` // limits beside the first
	Probe   string   `json:"-"`
	Cert    string   `json:"cert"`
	ZeroURL string   `json:"-"`
	PostURL string   `json:"-"`
	OvenURL string   `json:"-"`
	Age     string   `json:"-"` // in the snapshot; the script tells it live

	Mark      string   `json:"state"`    // above, was, blind, seeing or idle
	Standing  string   `json:"standing"` // how the field stands, where it is above; with since when
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
	AlarmsTag string   `json:"alarms"` // changes when an alarm of the post does

	stand
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
func (v voice) viewOf(st acquire.Stats, now time.Time) postView {
	p := st.Post
	seen, lead := presenceOf(st), st.Binding()
	w := postView{
		ID:    p.ID,
		Limit: v.read(p.Limit.Value), LimitSI: si(p.Limit.Value),
		Basis: v.basis(p.Limit.Basis), Source: p.Limit.Source,
		Mean: v.averaging(p.Limit), Rule: v.said(ruleFact(p.Limit)), Further: v.furtherLimits(p),
		Probe: v.probe(p), Cert: v.certificate(p, now),
		ZeroURL: "/api/v1/posts/" + url.PathEscape(p.ID) + "/zero",
		PostURL: "/api/v1/posts/" + url.PathEscape(p.ID), OvenURL: "/api/v1/ovens/" + url.PathEscape(p.Oven),
		Condition: v.condition(st), Since: v.t("overview.since", "at", v.clock(st.Since, now)), Detail: v.said(st.Detail),
		Outcome: v.outcome(lead.Outcome), Reasons: v.saidAll(lead.Reasons),
		Notes: slices.Concat(v.otherVerdicts(st), v.saidAll(lead.Notes), v.notes(st)), Zero: v.zero(st, now),
		stand: standOf(st),
	}
	if p.Limit.Distance > 0 {
		w.Limit = v.t("post.limit_at", "limit", w.Limit, "distance", p.Limit.Distance)
	}
	w.Mark = w.State
	if w.zeroOff {
		w.Since = ""
	}
	if w.above || w.was {
		w.Standing = v.t("post.stands", "how", v.standing(st, w.stand), "since", v.sinceWords(st, w.stand, now))
	}
	w.tell(v, st, seen, now)
	if st.Withdrawn != nil {
		w.Condition = v.t("overview.withdrawn", "condition", w.Condition)
	}
	if !w.blind {
		w.Judged = v.judged(lead, len(st.Verdicts) > 1)
	}
	open, ended := v.alarmViews(st.Alarms, nil, now)
	w.AlarmsTag = tagOf(open, ended)
	return w
}

// tell fills in what is known of the field now.
func (w *postView) tell(v voice, st acquire.Stats, seen presence, now time.Time) {
	at := st.Last.At
	w.AgeOf = v.t("post.age_sample")
	switch seen {
	case aValue:
		w.Value, w.Unit = v.people(st.Last.S)
		w.SI = si(st.Last.S)
		w.Ratio = v.ratio(float64(st.Last.S) / float64(st.Post.Limit.Value))
		if st.Post.Limit.Averaged() {
			w.Ratio = v.t("post.ratio_of_mean", "ratio", w.Ratio)
		}
	case underFloor:
		floor := st.Post.Probe.Floor
		w.Prefix = v.t("post.under")
		w.Value, w.Unit = v.people(floor)
		w.SI = v.t("post.under_floor", "floor", si(floor))
		w.Ratio = v.ratio(max(float64(floor)/float64(st.Post.Limit.Value), 0))
		if r := float64(floor) / float64(st.Post.Limit.Value); r >= 0.01 && r < 0.995 {
			w.Ratio = v.t("overview.under", "x", w.Ratio)
		}
	case overRange:
		at = st.Newest.At
		w.Value = v.t("words.over_range")
		w.SI = v.t("post.over_top", "top", v.read(st.Post.Probe.Range), "si", si(st.Post.Probe.Range))
		w.Ratio = v.t("words.over_range")
		if top := float64(st.Post.Probe.Range) / float64(st.Post.Limit.Value); top >= 1 {
			w.Ratio = v.t("post.more_than", "ratio", v.t("words.ratio_times", "x", strings.TrimSuffix(strconv.FormatFloat(top, 'f', 2, 64), ".00")))
		}
	case belowZero:
		w.Prefix = v.t("post.reads")
		w.Value, w.Unit = v.people(st.Last.S)
		w.SI = v.t("post.zero_off", "si", si(st.Last.S))
	case notSeen:
		w.Value = v.t("overview.not_seen")
		w.SI = v.t("post.unknown_now")
		w.AgeOf = v.t("post.age_last")
		if st.Last.Seq == 0 {
			w.AgeOf, at = v.t("post.age_none"), time.Time{}
		}
	}
	w.SampleAt = instant(at)
	if !at.IsZero() {
		w.Age = v.age(now.Sub(at))
	}
}

func (v voice) probe(p *acquire.Post) string {
	if p.Distance > 0 {
		return v.t("post.probe_at", "probe", p.Probe.ID, "distance", p.Distance)
	}
	return p.Probe.ID
}

// certificate names the one that counts now, not one that is yet to come.
func (v voice) certificate(p *acquire.Post, now time.Time) string {
	switch c := calib.InForce(p.Probe.Certificates(), now); {
	case c == nil:
		return v.t("post.cert_none")
	case now.Before(c.Date):
		return v.t("post.cert_from", "number", c.Number, "day", c.Date.UTC().Format(time.DateOnly))
	case c.Due.IsZero():
		return c.Number
	default:
		return v.t("post.cert_due", "number", c.Number, "day", c.Due.UTC().Format(time.DateOnly))
	}
}

func (v voice) zero(st acquire.Stats, now time.Time) string {
	if st.ZeroAt.IsZero() {
		return v.t("post.zero_none")
	}
	return v.t("post.zero_taken", "zero", inPower(v, float64(st.Zero)), "at", v.clock(st.ZeroAt, now))
}

// averaging tells over which time a limit is judged.
func (v voice) averaging(l limit.Limit) string {
	switch {
	case l.Averaged():
		return v.t("post.mean_over", "span", durationWords(l.Averaging))
	case l.Basis.Emission():
		return v.t("post.mean_each")
	}
	return v.t("post.mean_not_stated")
}

// notes lists what else is amiss with the newest sample and its probe.
func (v voice) notes(st acquire.Stats) []string {
	all := []string{}
	if q := st.Newest.Quality; st.Newest.Seq > 0 {
		if q&acquire.Fault != 0 {
			all = append(all, v.t("post.note_fault"))
		}
		switch uncalibrated := q&acquire.Uncalibrated != 0; {
		case uncalibrated && st.Uncalibrated != "":
			all = append(all, v.t("post.note_uncalibrated_why", "why", v.said(st.Uncalibrated)))
		case uncalibrated:
			all = append(all, v.t("post.note_uncalibrated"))
		}
		if q&acquire.ClockUnsure != 0 {
			all = append(all, v.t("post.note_clock"))
		}
	}
	if st.Battery {
		all = append(all, v.t("post.note_battery"))
	}
	sight := st.Sight()
	for i, r := range sight.All {
		switch r {
		case acquire.IsShelved, acquire.IsOut, acquire.OpenEmits, acquire.Emits, acquire.IsAway, acquire.IsTested:
			all = append(all, v.said(sight.Why[i]))
		}
	}
	return append(all, v.vitals(st)...)
}

// vitals tells what the probe says of itself, while that is fresh.
func (v voice) vitals(st acquire.Stats) []string {
	var all []string
	fresh := func(at time.Time) bool { return !at.IsZero() && st.Now.Sub(at) <= gapOf(st.Post) }
	one := func(x float64, digits int) string { return strconv.FormatFloat(x, 'f', digits, 64) }
	if fresh(st.Vitals.TemperatureAt) {
		all = append(all, v.t("post.note_temperature", "x", one(st.Vitals.Temperature, 1)))
	}
	if fresh(st.Vitals.BatteryAt) && !math.IsNaN(st.Vitals.Battery) {
		if st.Vitals.BatteryUnit == "%" {
			all = append(all, v.t("post.note_battery_share", "x", one(100*st.Vitals.Battery, 0)))
		} else {
			all = append(all, v.t("post.note_battery_volts", "x", one(st.Vitals.Battery, 2)))
		}
	}
	return all
}
