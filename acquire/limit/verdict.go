package limit

import (
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
	Mean       Average               // over the averaging time of the limit; used only where it has one
	Latched    bool                  // an exceedance stands that nobody has reset
	OverRange  bool                  // the newest sample is over the probe's range
	Sustained  bool                  // the time-above rule is met
	Above      time.Duration         // summed time above within the rule's window
	Cover      float64               // seen fraction of the rule's window
	Gone       bool                  // nothing fresh is known, so the window tells of the past only
	Blind      string                // why the field is not known; empty while seeing
	Running    bool                  // the oven is known to emit, from a run seen; for a mean, within its interval
	RunMissed  bool                  // part of the run was not seen, so that its highest value is not known
	RunFlawed  bool                  // a value of the run was uncalibrated
	Calibrated bool
	Axes       int
	Turned     bool            // one axis, turned for the maximum
	Distance   quantity.Length // from the oven's surface; 0 or NaN if unknown
	Response   time.Duration   // of the probe, to 90 %; 0 if unknown

	Certificate string // its number; empty without one
}

// maxResponse is the slowest probe an emission limit may be judged with: 90 %
// of a step within 3 s. Source: 21 CFR 1030.10(c)(3)(i); Canada, REDR Part III.
const maxResponse = 3 * time.Second

// nearField is the distance from an oven within which a value at one spot says
// little of an exposure: the field changes over a hand's breadth. Our own
// choice, no source.
const nearField quantity.Length = 0.2

// Verdict is an outcome with all its reasons.
type Verdict struct {
	Outcome Outcome
	Limit   Limit
	Value   quantity.PowerDensity // at this moment; NaN when there is none
	U       quantity.PowerDensity // of Value, expanded; NaN when unknown
	Judged  quantity.PowerDensity // what the outcome rests on: for within the highest value of the run, or the upper bound of the mean
	JudgedU quantity.PowerDensity // of Judged, expanded; NaN when unknown
	K       float64
	Ratio   float64  // value to limit; +Inf when over range, NaN when there is no value
	Reasons []string // what keeps it from being within, or makes it exceed; never empty

	Rule        Rule
	Averaged    bool    // it rests on Mean
	Mean        Average // over the averaging time; only when Averaged
	Cover       float64 // seen fraction of the window, 0 to 1
	Share       float64 // what is judged, to the limit: the value, or the upper bound of the mean; +Inf when over range, NaN when unknown
	Distance    quantity.Length
	Certificate string  // its number
	Wrong       float64 // probability that accepting Judged would be wrong, by Risk; NaN when unknown

	// Filtered is the response, to 90 % of a step, that the values judged were
	// filtered to since the limit asks for it; 0: they are as measured. Value and
	// Ratio are as measured always.
	Filtered time.Duration
	Notes    []string // what stands beside the verdict and never changes it
}

// Decide gives the outcome alone: that of Judge, without its words. It allocates
// nothing.
func Decide(l *Limit, c *Circumstances) Outcome {
	o, _ := assess(l, c)
	return o
}

// Judge gives the verdict against a limit: of the values themselves, or of their
// mean where the limit is averaged. Exceeds stands on the value alone: no flaw
// of quality takes it away. Within must be earned: by the limit's decision rule,
// and with nothing missing that it rests on. No value is ever carried from one
// distance to another.
func Judge(l Limit, c Circumstances) Verdict {
	none := quantity.PowerDensity(math.NaN())
	v := Verdict{Limit: l, Value: none, U: none, Judged: none, JudgedU: none, Ratio: math.NaN(), Share: math.NaN(), Wrong: math.NaN(),
		Rule: l.rule(), Cover: c.Cover, Distance: c.Distance, Certificate: c.Certificate}
	c.HasValue = c.hasValue()
	if c.HasValue {
		v.Value, v.U, v.K = c.Value, c.U, c.K
		v.Judged, v.JudgedU = c.Value, c.U
		v.Ratio = float64(c.Value) / float64(l.Value)
		v.Share = v.Ratio
	}
	if l.Averaged() {
		v.Averaged, v.Mean, v.Cover, v.K = true, c.Mean, c.Mean.Cover(), c.K
		v.Judged, v.JudgedU = c.Mean.Hi, c.Mean.U
		v.Share = float64(c.Mean.Hi) / float64(l.Value)
	}
	if c.OverRange {
		v.Ratio, v.Share = math.Inf(1), math.Inf(1)
	}
	var why grounds
	v.Outcome, why = assess(&l, &c)
	if v.Outcome == Within && !l.Averaged() {
		v.Judged, v.JudgedU = c.Peak, c.PeakU
		v.Share = float64(c.Peak) / float64(l.Value)
	}
	v.Wrong = Risk(v.Judged, v.JudgedU, v.K, l.Value)
	v.Reasons = why.words(&l, &c)
	v.Notes = notes(&l, &c)
	return v
}

func (c *Circumstances) hasValue() bool { return c.HasValue && !math.IsNaN(float64(c.Value)) }

// grounds is a set of reasons, in the order in which they are told.
type grounds uint32

const (
	whyOverRange grounds = 1 << iota
	whySustained
	whyMeanAbove
	whyAboveNow
	// undecided by the values themselves
	whyLatched
	whyAboveUnproven
	whyAboveEarlier
	whyMeanMayBeAbove
	whyGuardBand
	// lacking
	whyBlind
	whyNoValue
	whyNotRunning
	whyUncalibrated
	whyNoU
	whyNoK
	whyOneAxis
	whyNoDistance
	whyTooFar
	whyNoResponse
	whySlow
	whyNoAveraging
	whyTooNear
	whyRunMissed
	whyWithin
)

// whyOnlyWithin tell nothing of a field that exceeds: they say why one that does
// not could still not be called within.
const whyOnlyWithin = whyRunMissed | whyNoAveraging

// assess finds the outcome and all grounds for it.
func assess(l *Limit, c *Circumstances) (Outcome, grounds) {
	lacking := lackingIn(l, c)
	if why := exceeding(l, c); why != 0 {
		return Exceeds, why | lacking&^whyOnlyWithin
	}
	if why := undecided(l, c) | lacking; why != 0 {
		return NotDecided, why
	}
	return Within, whyWithin
}

// proof is what a value must exceed the limit by to count as above it.
func (l *Limit) proof(u quantity.PowerDensity) quantity.PowerDensity {
	if l.rule() == GuardedRejection && u > 0 {
		return u
	}
	return 0 // an unknown uncertainty takes nothing away from exceeds
}

// guard is what a value must stay below the limit by to be accepted.
func (l *Limit) guard(u quantity.PowerDensity) quantity.PowerDensity {
	if l.rule() == GuardedAcceptance {
		return u
	}
	return 0
}

// exceeding says what makes a verdict exceed; the first that does.
func exceeding(l *Limit, c *Circumstances) grounds {
	switch {
	case c.OverRange:
		return whyOverRange
	case l.Averaged():
		if c.Mean.Lo > l.Value+l.proof(c.Mean.U) {
			return whyMeanAbove
		}
	case c.Sustained && !c.Gone && (l.proof(c.PeakU) == 0 || c.Peak > l.Value+l.proof(c.PeakU)):
		return whySustained
	case c.hasValue() && c.Value > l.Value+l.proof(c.U):
		return whyAboveNow
	}
	return 0
}

// undecided lists what the values themselves leave open, where nothing exceeds.
func undecided(l *Limit, c *Circumstances) grounds {
	var why grounds
	if c.Latched {
		why |= whyLatched
	}
	above := func(s quantity.PowerDensity) bool { return s > l.Value }
	if l.Averaged() {
		switch {
		case above(c.Mean.Lo):
			why |= whyAboveUnproven
		case !(c.Mean.Hi <= l.Value):
			why |= whyMeanMayBeAbove
		case above(c.Mean.Hi + l.guard(c.Mean.U)):
			why |= whyGuardBand
		}
		return why
	}
	switch {
	case c.hasValue() && above(c.Value):
		why |= whyAboveUnproven
	case c.Running && above(c.Peak):
		why |= whyAboveEarlier
	case c.Running && above(c.Peak+l.guard(c.PeakU)), c.hasValue() && above(c.Value+l.guard(c.U)):
		why |= whyGuardBand
	}
	return why
}

// lackingIn lists the flaws that keep a verdict from being within. What is
// unknown or no sensible number counts as lacking.
func lackingIn(l *Limit, c *Circumstances) grounds {
	var why grounds
	add := func(missing bool, g grounds) {
		if missing {
			why |= g
		}
	}
	has := c.hasValue()
	add(c.Blind != "", whyBlind)
	add(c.Blind == "" && !has && !c.OverRange, whyNoValue)
	add(!c.Running && !c.OverRange, whyNotRunning) // something emits, whether or not a run is told yet
	unsure := func(s, u quantity.PowerDensity) bool { return !(u >= 0) || math.IsNaN(float64(s+u)) }
	noU := unsure(c.Value, c.U) || c.Running && unsure(c.Peak, c.PeakU)
	if l.Averaged() {
		noU = unsure(c.Mean.Hi, c.Mean.U)
		add(!(c.Mean.To > c.Mean.From && c.Mean.Seen > 0), whyNoValue)
	}
	ofRun := c.Running && !l.Averaged() // a mean has bounds for what was not seen
	add(ofRun && c.RunMissed, whyRunMissed)
	add(!c.Calibrated || ofRun && c.RunFlawed, whyUncalibrated)
	add(has && c.Calibrated && noU, whyNoU)
	add(has && c.Calibrated && !noU && !(c.K > 0), whyNoK)
	add(c.Axes < 3 && !c.Turned, whyOneAxis)
	known := c.Distance > 0
	if l.Basis.Emission() {
		add(!known, whyNoDistance)
		add(known && !(c.Distance <= l.Distance), whyTooFar)
		add(c.Response <= 0, whyNoResponse)
		add(c.Response > maxResponse, whySlow)
	} else {
		add(!l.Averaged(), whyNoAveraging)
		add(!(c.Distance > nearField), whyTooNear)
	}
	return why
}

// Binding returns the index of the verdict that says most of several against one
// field: exceeds before not decided before within, and among equals the one
// whose limit is used up most. It is -1 for none.
func Binding(all []Verdict) int {
	rank := func(v Verdict) int {
		switch v.Outcome {
		case Exceeds:
			return 2
		case Within:
			return 0
		}
		return 1
	}
	best := -1
	for i, v := range all {
		if best < 0 || rank(v) > rank(all[best]) || rank(v) == rank(all[best]) &&
			(v.Share > all[best].Share || math.IsNaN(all[best].Share) && !math.IsNaN(v.Share)) {
			best = i
		}
	}
	return best
}
