package web

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/alarm"
	"ovenward/acquire/limit"
	"ovenward/acquire/quantity"
)

// presence is what can be shown as a post's present value.
type presence string

const (
	aValue     presence = "value"
	underFloor presence = "under floor" // between 0 and the probe's noise floor
	overRange  presence = "over range"
	notSeen    presence = "not seen"
	belowZero  presence = "below zero" // so far that the zero is off, and the field is not known
)

// presenceOf keeps the last value of a blind post from passing for its present
// one, and an over-range from passing for no value.
func presenceOf(st acquire.Stats) presence {
	switch {
	case st.OverRange && st.Condition != acquire.SilentNow && st.Condition != acquire.StuckNow:
		return overRange
	case st.Condition.Blind() || st.Last.Seq == 0 || !finite(st.Last.S):
		return notSeen
	case st.BelowZero():
		return belowZero
	case st.Last.Quality&acquire.UnderFloor != 0:
		return underFloor
	}
	return aValue
}

func finite(s quantity.PowerDensity) bool {
	return !math.IsNaN(float64(s)) && !math.IsInf(float64(s), 0)
}

// ratio tells a value's share of its limit. Rounding never lifts a value to its
// limit nor brings one down to it. The share is one of power density, whatever
// unit the viewer reads in.
func (v voice) ratio(r float64) string {
	switch {
	case math.IsNaN(r):
		return ""
	case math.IsInf(r, 1):
		return v.t("words.over_range")
	case r < 0.01:
		return v.t("words.ratio_tiny")
	case r < 0.995:
		return v.t("words.ratio_share", "x", fmt.Sprintf("%.0f", 100*r))
	case r < 1:
		return v.t("words.ratio_just_below")
	case r == 1:
		return v.t("words.ratio_at")
	case r < 1.005:
		return v.t("words.ratio_just_above")
	case r < 10:
		return v.t("words.ratio_times", "x", strconv.FormatFloat(r, 'f', 2, 64))
	}
	return v.t("words.ratio_times", "x", fmt.Sprintf("%.0f", r))
}

// age tells how old something is.
func (v voice) age(d time.Duration) string {
	switch {
	case d < 0:
		return v.t("words.age_now")
	case d < 10*time.Second:
		return v.t("words.age_s", "x", fmt.Sprintf("%.1f", d.Seconds()))
	case d < 2*time.Minute:
		return v.t("words.age_s", "x", int(d.Seconds()))
	case d < 2*time.Hour:
		return v.t("words.age_min", "x", int(d.Minutes()))
	}
	return v.t("words.age_h", "x", int(d.Hours()))
}

func (v voice) condition(st acquire.Stats) string {
	if st.BelowZero() {
		return v.t("words.below_zero")
	}
	switch st.Condition {
	case acquire.Seeing:
		if !st.Running && st.OverRange {
			return v.t("words.seeing_over")
		}
		return v.t("words.seeing")
	case acquire.Idle:
		return v.t("words.idle")
	case acquire.Starting:
		return v.t("words.starting")
	case acquire.StaleNow:
		return v.t("words.stale")
	case acquire.StuckNow:
		return v.t("words.stuck")
	case acquire.SilentNow:
		return v.t("words.silent")
	case acquire.AwayNow:
		return v.t("words.away")
	case acquire.TestNow:
		return v.t("words.test")
	}
	return v.t("words.not_seeing", "why", v.said(string(st.Condition)))
}

func (v voice) basis(b limit.Basis) string {
	switch b {
	case limit.EmissionNew:
		return v.t("words.emission_new")
	case limit.EmissionInUse:
		return v.t("words.emission_in_use")
	case limit.ExposurePublic:
		return v.t("words.exposure_public")
	case limit.ExposureOccupational:
		return v.t("words.exposure_occupational")
	}
	return v.said(string(b))
}

func (v voice) outcome(o limit.Outcome) string {
	switch o {
	case limit.Within:
		return v.t("words.within")
	case limit.Exceeds:
		return v.t("words.exceeds")
	}
	return v.t("words.not_decided")
}

// rule names what an alarm is about.
func (v voice) rule(r alarm.Rule) string {
	if r.IsNamedLevel() {
		return v.t("rules.exceeds_by", "name", strings.TrimPrefix(r.Name(), "by:"))
	}
	if name := r.Name(); name != "" {
		if key := "rules." + r.Kind() + "_of"; v.texts.has(key) {
			return v.t(key, "name", name)
		}
	}
	return v.or("rules."+string(r), string(r))
}

func (v voice) state(s alarm.State) string {
	switch s {
	case alarm.Unacknowledged:
		return v.t("words.state_unacknowledged")
	case alarm.Acknowledged:
		return v.t("words.state_acknowledged")
	case alarm.ReturnedUnacknowledged:
		return v.t("words.state_returned")
	case alarm.LatchedUnacknowledged:
		return v.t("words.state_latched")
	case alarm.LatchedAcknowledged:
		return v.t("words.state_latched_acknowledged")
	}
	return v.t("words.state_ended")
}

// count prints n with the form of the noun that fits.
func count(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return strconv.Itoa(n) + " " + many
}
