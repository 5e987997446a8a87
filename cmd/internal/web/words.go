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
)

// presenceOf keeps the last value of a blind post from passing for its present
// one, and an over-range from passing for no value.
func presenceOf(st acquire.Stats) presence {
	switch {
	case st.OverRange && st.Condition != acquire.SilentNow && st.Condition != acquire.StuckNow:
		return overRange
	case st.Condition.Blind() || st.Last.Seq == 0 || !finite(st.Last.S):
		return notSeen
	case st.Last.Quality&acquire.UnderFloor != 0:
		return underFloor
	}
	return aValue
}

func finite(s quantity.PowerDensity) bool {
	return !math.IsNaN(float64(s)) && !math.IsInf(float64(s), 0)
}

// people prints s in mW/cm², number and unit apart, to three digits.
func people(s quantity.PowerDensity) (value, unit string) {
	value, unit, _ = strings.Cut(quantity.MilliwattPerSquareCentimetre().FormatDigits(float64(s), 3), " ")
	return value, unit
}

// read prints s in mW/cm², to three digits.
func read(s quantity.PowerDensity) string {
	return quantity.MilliwattPerSquareCentimetre().FormatDigits(float64(s), 3)
}

// readSI prints s in W/m², to three digits.
func readSI(s quantity.PowerDensity) string {
	return quantity.WattPerSquareMetre().FormatDigits(float64(s), 3)
}

// ratioWords tells a value's share of its limit. Rounding never lifts a value
// to its limit nor brings one down to it.
func ratioWords(r float64) string {
	switch {
	case math.IsNaN(r):
		return ""
	case math.IsInf(r, 1):
		return "over range"
	case r < 0.01:
		return "under 1 % of the limit"
	case r < 0.995:
		return fmt.Sprintf("%.0f %% of the limit", 100*r)
	case r < 1:
		return "just below the limit"
	case r == 1:
		return "at the limit"
	case r < 1.005:
		return "just above the limit"
	case r < 10:
		return strconv.FormatFloat(r, 'f', 2, 64) + " × the limit"
	}
	return fmt.Sprintf("%.0f × the limit", r)
}

// ageWords tells how old something is.
func ageWords(d time.Duration) string {
	switch {
	case d < 0:
		return "just now"
	case d < 10*time.Second:
		return fmt.Sprintf("%.1f s ago", d.Seconds())
	case d < 2*time.Minute:
		return fmt.Sprintf("%.0f s ago", math.Floor(d.Seconds()))
	case d < 2*time.Hour:
		return fmt.Sprintf("%.0f min ago", math.Floor(d.Minutes()))
	}
	return fmt.Sprintf("%.0f h ago", math.Floor(d.Hours()))
}

// clock prints an instant in UTC with its zone, and its date unless it is now's.
func clock(t, now time.Time) string {
	if t.IsZero() {
		return "an unknown instant"
	}
	t, now = t.UTC(), now.UTC()
	if t.Format(time.DateOnly) == now.Format(time.DateOnly) {
		return t.Format("15:04:05 UTC")
	}
	return t.Format("2006-01-02 15:04:05 UTC")
}

func conditionWords(st acquire.Stats) string {
	switch st.Condition {
	case acquire.Seeing:
		return "Seeing; the oven runs"
	case acquire.Idle:
		return "Seeing; the oven is idle or not known to run"
	case acquire.Starting:
		return "Not seeing: starting, no answer yet"
	case acquire.StaleNow:
		return "Not seeing: stale, no fresh valid sample"
	case acquire.StuckNow:
		return "Not seeing: stuck, the reading stands still"
	case acquire.SilentNow:
		return "Not seeing: silent, the probe does not answer"
	case acquire.AwayNow:
		return "Not seeing: the probe is away for a survey"
	case acquire.TestNow:
		return "Not seeing: the probe is under test"
	}
	return "Not seeing: " + string(st.Condition)
}

func basisWords(b limit.Basis) string {
	switch b {
	case limit.EmissionNew:
		return "emission limit for a new oven"
	case limit.EmissionInUse:
		return "emission limit for an oven in use"
	case limit.ExposurePublic:
		return "exposure limit for the public"
	case limit.ExposureOccupational:
		return "exposure limit for people at work"
	}
	return string(b)
}

func outcomeWords(o limit.Outcome) string {
	switch o {
	case limit.Within:
		return "Within the limit"
	case limit.Exceeds:
		return "Exceeds the limit"
	}
	return "Not decided"
}

func ruleWords(r alarm.Rule) string {
	if id := r.Name(); id != "" {
		switch r.Kind() {
		case alarm.Exceeds.Kind():
			return "Field above the limit " + id
		case alarm.WarningOf("").Kind():
			return "Field near its limit: rule " + id
		case alarm.DoseOf("").Kind():
			return "Dose of the day: rule " + id
		case alarm.CountOf("").Kind():
			return "Often above the limit in one run: rule " + id
		case alarm.CourierOf("").Kind():
			return "Courier " + id + " fails"
		case alarm.WithdrawnOf("").Kind():
			return "Oven " + id + " is withdrawn"
		}
	}
	switch r {
	case alarm.Emission:
		return "Withdrawn oven emits"
	case alarm.OverRange:
		return "Probe driven beyond its range"
	case alarm.UnderFloor:
		return "Nothing seen while the oven runs"
	case alarm.ZeroDrift:
		return "Zero has drifted"
	case alarm.CertificateDue:
		return "Calibration is due soon"
	case alarm.CertificateOverdue:
		return "Calibration is overdue"
	case alarm.Position:
		return "Position not checked"
	case alarm.Clock:
		return "Clock is not sure"
	case alarm.Disk:
		return "Disk fills up"
	case alarm.Away:
		return "Probe is away for a survey"
	case alarm.UnderTest:
		return "Probe is under test"
	case alarm.Exceeds:
		return "Field above the limit"
	case alarm.Silent:
		return "Probe does not answer"
	case alarm.Stale:
		return "No valid reading"
	case alarm.Stuck:
		return "Reading stands still"
	case alarm.Fault:
		return "Probe reports a fault"
	case alarm.Record:
		return "Record cannot be written"
	case alarm.Battery:
		return "Probe's battery is low"
	case alarm.Temperature:
		return "Probe is too warm or too cold"
	}
	return string(r)
}

func stateWords(s alarm.State) string {
	switch s {
	case alarm.Unacknowledged:
		return "Present, not acknowledged."
	case alarm.Acknowledged:
		return "Present, acknowledged."
	case alarm.ReturnedUnacknowledged:
		return "Ended by itself, not acknowledged."
	case alarm.LatchedUnacknowledged:
		return "Not acknowledged: below the limit now; the cause is not known to be mended."
	case alarm.LatchedAcknowledged:
		return "Acknowledged: below the limit now; the cause is not known to be mended."
	}
	return "Ended."
}

// count prints n with the form of the noun that fits.
func count(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return strconv.Itoa(n) + " " + many
}
