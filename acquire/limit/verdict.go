package limit

import (
	"fmt"
	"math"
	"time"

	"ovenward/acquire/quantity"
)

// Outcome is what can be said of a field against a limit.
type Outcome string

const (
	Within     Outcome = "within"
	Exceeds    Outcome = "exceeds"
	NotDecided Outcome = "not decided"
)

// Circumstances is all that a verdict rests on besides the limit.
type Circumstances struct {
	HasValue   bool                  // a fresh valid value exists
	Value      quantity.PowerDensity // W/m²
	U          quantity.PowerDensity // expanded uncertainty of Value; NaN if unknown
	K          float64               // coverage factor of U; 0 if unknown
	Peak       quantity.PowerDensity // W/m², the highest value of the present run
	PeakU      quantity.PowerDensity // expanded uncertainty of Peak
	Latched    bool                  // an exceedance stands that nobody has reset
	OverRange  bool                  // the newest sample is over the probe's range
	Sustained  bool                  // the time-above rule is met
	Above      time.Duration         // summed time above within the rule's window
	Gone       bool                  // nothing fresh is known, so the window tells of the past only
	Blind      string                // why the field is not known; empty while seeing
	Running    bool                  // the oven is known to emit, from a run seen
	Calibrated bool
	Axes       int
	Turned     bool // one axis, turned for the maximum
	Distance   quantity.Length
	Response   time.Duration // of the probe, to 90 %
}

// maxResponse is the slowest probe an emission limit may be judged with: 90 %
// of a step within 3 s. Source: 21 CFR 1030.10(c)(3)(i); Canada, REDR Part III.
const maxResponse = 3 * time.Second

// Verdict is an outcome with all its reasons.
type Verdict struct {
	Outcome Outcome
	Limit   Limit
	Value   quantity.PowerDensity // NaN when there is none
	U       quantity.PowerDensity // expanded; NaN when unknown
	K       float64
	Ratio   float64  // value to limit; +Inf when over range, NaN when there is no value
	Reasons []string // what keeps it from being within, or makes it exceed; never empty
}

// Judge gives the verdict of the instantaneous value against a limit. Exceeds
// stands on the value alone: no flaw of quality takes it away. Within must be
// earned: the highest value of the run plus its uncertainty at or below the
// limit (guarded acceptance, ILAC-G8:09/2019, JCGM 106:2012), and nothing
// missing that it rests on.
func Judge(l Limit, c Circumstances) Verdict {
	v := Verdict{Limit: l, Value: quantity.PowerDensity(math.NaN()), U: quantity.PowerDensity(math.NaN()), Ratio: math.NaN()}
	if c.HasValue {
		v.Value, v.U, v.K = c.Value, c.U, c.K
		v.Ratio = float64(c.Value) / float64(l.Value)
	}
	if c.OverRange {
		v.Ratio = math.Inf(1)
	}
	lacks := lacking(l, c)
	switch {
	case c.OverRange:
		v.Outcome = Exceeds
		v.Reasons = append([]string{"over the probe's range"}, lacks...)
	case c.Sustained && !c.Gone:
		v.Outcome = Exceeds
		v.Reasons = append([]string{fmt.Sprintf("above the limit for %s in the window", c.Above.Round(100*time.Millisecond))}, lacks...)
	case c.HasValue && c.Value > l.Value:
		v.Outcome = Exceeds
		v.Reasons = append([]string{"above the limit at this moment"}, lacks...)
	case len(lacks) > 0:
		v.Outcome, v.Reasons = NotDecided, lacks
	default:
		v.Outcome = Within
		v.Reasons = []string{fmt.Sprintf("highest value of this run plus expanded uncertainty (k = %.3g) at or below the limit", c.K)}
	}
	return v
}

// lacking lists what keeps a verdict from being within.
func lacking(l Limit, c Circumstances) []string {
	var why []string
	add := func(missing bool, s string) {
		if missing {
			why = append(why, s)
		}
	}
	add(c.Blind != "", c.Blind)
	add(c.Blind == "" && !c.HasValue, "no valid value")
	add(c.Latched && !c.OverRange && !(c.HasValue && c.Value > l.Value), "an earlier exceedance stands: below the limit now, the cause is not known to be mended")
	add(!c.Running, "the oven is not known to run")
	add(c.Running && c.Peak > l.Value, "above the limit earlier in this run, for too short to report")
	add(c.Running && c.Peak <= l.Value && c.Peak+c.PeakU > l.Value, "below the limit by less than the expanded uncertainty")
	add(!c.Calibrated, "no calibration certificate in force")
	add(c.Calibrated && math.IsNaN(float64(c.U)), "the uncertainty is not known")
	add(c.Axes < 3 && !c.Turned, "one axis, not turned for the maximum: a lower bound")
	if l.Basis.Emission() {
		add(c.Distance > l.Distance, fmt.Sprintf("measured at %s, the limit is for %s", c.Distance, l.Distance))
		add(c.Response > maxResponse, "the probe is slower than the limit asks (90 % within 3 s)")
	} else {
		add(true, "an exposure limit is averaged over time, which is not judged yet")
	}
	return why
}
