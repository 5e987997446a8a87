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
	Turned     bool            // one axis, turned for the maximum
	Distance   quantity.Length // from the oven's surface; 0 or NaN if unknown
	Response   time.Duration   // of the probe, to 90 %; 0 if unknown
}

// maxResponse is the slowest probe an emission limit may be judged with: 90 %
// of a step within 3 s. Source: 21 CFR 1030.10(c)(3)(i); Canada, REDR Part III.
const maxResponse = 3 * time.Second

// Verdict is an outcome with all its reasons.
type Verdict struct {
	Outcome Outcome
	Limit   Limit
	Value   quantity.PowerDensity // at this moment; NaN when there is none
	U       quantity.PowerDensity // of Value, expanded; NaN when unknown
	Judged  quantity.PowerDensity // what the outcome rests on: for within the highest value of the run
	JudgedU quantity.PowerDensity // of Judged, expanded; NaN when unknown
	K       float64
	Ratio   float64  // value to limit; +Inf when over range, NaN when there is no value
	Reasons []string // what keeps it from being within, or makes it exceed; never empty

	// Filtered is the response, to 90 % of a step, that the values judged were
	// filtered to since the limit asks for it; 0: they are as measured. Value and
	// Ratio are as measured always.
	Filtered time.Duration
	Notes    []string // what stands beside the verdict and never changes it
}

// Judge gives the verdict of the instantaneous value against a limit. Exceeds
// stands on the value alone: no flaw of quality takes it away. Within must be
// earned: the highest value of the run plus its uncertainty at or below the
// limit (guarded acceptance, ILAC-G8:09/2019, JCGM 106:2012), and nothing
// missing that it rests on.
func Judge(l Limit, c Circumstances) Verdict {
	none := quantity.PowerDensity(math.NaN())
	v := Verdict{Limit: l, Value: none, U: none, Judged: none, JudgedU: none, Ratio: math.NaN()}
	c.HasValue = c.HasValue && !math.IsNaN(float64(c.Value))
	if c.HasValue {
		v.Value, v.U, v.K = c.Value, c.U, c.K
		v.Judged, v.JudgedU = c.Value, c.U
		v.Ratio = float64(c.Value) / float64(l.Value)
	}
	if c.OverRange {
		v.Ratio = math.Inf(1)
	}
	if why := exceeding(l, c); why != "" {
		v.Outcome, v.Reasons = Exceeds, append([]string{why}, lacking(l, c)...)
		return v
	}
	if v.Reasons = append(undecided(l, c), lacking(l, c)...); len(v.Reasons) > 0 {
		v.Outcome = NotDecided
		return v
	}
	v.Outcome = Within
	v.Judged, v.JudgedU = c.Peak, c.PeakU
	v.Reasons = []string{fmt.Sprintf("highest value of this run plus expanded uncertainty (k = %.3g) at or below the limit", c.K)}
	return v
}

// exceeding says what makes a verdict exceed; empty when nothing does.
func exceeding(l Limit, c Circumstances) string {
	switch {
	case c.OverRange:
		return "over the probe's range"
	case c.Sustained && !c.Gone:
		return fmt.Sprintf("above the limit for %.1f s in the window", c.Above.Seconds())
	case c.HasValue && c.Value > l.Value:
		return "above the limit at this moment"
	}
	return ""
}

// undecided lists what the values themselves leave open, where nothing exceeds.
func undecided(l Limit, c Circumstances) []string {
	var why []string
	switch {
	case c.Latched && c.HasValue:
		why = append(why, "an earlier exceedance stands: below the limit now, the cause is not known to be mended")
	case c.Latched:
		why = append(why, "an earlier exceedance stands: the cause is not known to be mended")
	}
	above := func(s quantity.PowerDensity) bool { return s > l.Value }
	switch {
	case c.Running && above(c.Peak):
		why = append(why, "above the limit earlier in this run")
	case c.Running && above(c.Peak+c.PeakU), c.HasValue && above(c.Value+c.U):
		why = append(why, "below the limit by less than the expanded uncertainty")
	}
	return why
}

// lacking lists the flaws that keep a verdict from being within. What is unknown
// or no sensible number counts as lacking.
func lacking(l Limit, c Circumstances) []string {
	var why []string
	add := func(missing bool, s string) {
		if missing {
			why = append(why, s)
		}
	}
	add(c.Blind != "", c.Blind)
	add(c.Blind == "" && !c.HasValue && !c.OverRange, "no valid value")
	add(!c.Running, "the oven is not known to run")
	add(!c.Calibrated, "no calibration certificate in force")
	unsure := func(s, u quantity.PowerDensity) bool { return !(u >= 0) || math.IsNaN(float64(s+u)) }
	noU := unsure(c.Value, c.U) || c.Running && unsure(c.Peak, c.PeakU)
	add(c.HasValue && c.Calibrated && noU, "the uncertainty is not known")
	add(c.HasValue && c.Calibrated && !noU && !(c.K > 0), "the coverage factor of the uncertainty is not known")
	add(c.Axes < 3 && !c.Turned, "one axis, not turned for the maximum: a lower bound")
	if l.Basis.Emission() {
		known := c.Distance > 0
		add(!known, "the distance from the oven is not known")
		add(known && !(c.Distance <= l.Distance), fmt.Sprintf("measured at %s, the limit is for %s", c.Distance, l.Distance))
		add(c.Response <= 0, "the response time of the probe is not known")
		add(c.Response > maxResponse, "the probe is slower than the limit asks (90 % within 3 s)")
	} else {
		add(true, "an exposure limit is averaged over time, which is not judged yet")
	}
	return why
}
