package limit

import (
	"fmt"
	"math"

	"ovenward/acquire/quantity"
)

// words puts grounds into the sentences that people read.
func (g grounds) words(l *Limit, c *Circumstances) []string {
	var all []string
	for bit := grounds(1); bit <= whyWithin; bit <<= 1 {
		if g&bit != 0 {
			all = append(all, bit.word(l, c))
		}
	}
	return all
}

func (g grounds) word(l *Limit, c *Circumstances) string {
	switch g {
	case whyOverRange:
		return "over the probe's range"
	case whySustained:
		return fmt.Sprintf("above the limit for %.1f s in the window", c.Above.Seconds())
	case whyMeanAbove:
		return fmt.Sprintf("the mean over %s is above the limit: at least %s", spanOf(l), read(c.Mean.Lo))
	case whyAboveNow:
		return "above the limit at this moment"
	case whyLatched:
		if c.hasValue() {
			return "an earlier exceedance stands: below the limit now, the cause is not known to be mended"
		}
		return "an earlier exceedance stands: the cause is not known to be mended"
	case whyAboveUnproven:
		return "above the limit by no more than the expanded uncertainty, which guarded rejection does not reject"
	case whyAboveEarlier:
		return "above the limit earlier in this run"
	case whyMeanMayBeAbove:
		return meanMayBeAbove(l, c)
	case whyGuardBand:
		return "below the limit by less than the expanded uncertainty"
	case whyWithin:
		return whyItIsWithin(l, c)
	}
	return g.lack(l, c)
}

// lack says what is missing.
func (g grounds) lack(l *Limit, c *Circumstances) string {
	switch g {
	case whyBlind:
		return c.Blind
	case whyNoValue:
		return "no valid value"
	case whyNotRunning:
		if l.Averaged() {
			return fmt.Sprintf("the oven is not known to have run in the last %s", spanOf(l))
		}
		return "the oven is not known to run"
	case whyUncalibrated:
		if c.Calibrated {
			return "not calibrated: a value of this run lies beyond what the certificate covers"
		}
		return "not calibrated"
	case whyNoU:
		return "the uncertainty is not known"
	case whyNoK:
		return "the coverage factor of the uncertainty is not known"
	case whyOneAxis:
		return "one axis, not turned for the maximum: a lower bound"
	case whyNoDistance:
		return "the distance from the oven is not known"
	case whyTooFar:
		return fmt.Sprintf("measured at %s, the limit is for %s", c.Distance, l.Distance)
	case whyNoResponse:
		return "the response time of the probe is not known"
	case whySlow:
		return "the probe is slower than the limit asks (90 % within 3 s)"
	case whyNoAveraging:
		return "the averaging time of this exposure limit is not stated, and only its mean could be within"
	case whyTooNear:
		return tooNear(l, c)
	case whyRunMissed:
		return "part of this run was not seen, so its highest value is not known: the next run that is seen whole can tell"
	}
	return ""
}

// tooNear says what a value close to an oven is not.
func tooNear(l *Limit, c *Circumstances) string {
	what := "an average over a whole body"
	if l.Local {
		what = "an average over a part of the body"
	}
	if !(c.Distance > 0) {
		return fmt.Sprintf("the distance from the oven is not known: the limit is for people where they stand, and a value at one spot near an oven is not %s", what)
	}
	return fmt.Sprintf("measured at %s from the oven: the limit is for people where they stand, and a value at one spot this near is not %s", c.Distance, what)
}

func meanMayBeAbove(l *Limit, c *Circumstances) string {
	if math.IsInf(float64(c.Mean.Hi), 1) {
		return fmt.Sprintf("over range within the last %s: the mean has no upper bound, and is at least %s", spanOf(l), read(c.Mean.Lo))
	}
	return fmt.Sprintf("the mean over %s lies between %s and %s: %.3g %% of the time was seen", spanOf(l),
		read(c.Mean.Lo), read(c.Mean.Hi), 100*c.Mean.Cover())
}

func whyItIsWithin(l *Limit, c *Circumstances) string {
	what := "highest value of this run"
	if l.Averaged() {
		what = fmt.Sprintf("upper bound of the mean over %s", spanOf(l))
	}
	if l.rule() == GuardedAcceptance {
		return fmt.Sprintf("%s plus expanded uncertainty (k = %.3g) at or below the limit", what, c.K)
	}
	return fmt.Sprintf("%s at or below the limit (%s; the expanded uncertainty, k = %.3g, is not taken into account)", what, l.rule(), c.K)
}

// notes lists what stands beside a verdict and never changes it.
func notes(l *Limit, c *Circumstances) []string {
	var all []string
	if l.Unconfirmed != "" {
		all = append(all, fmt.Sprintf("not confirmed: %s of this limit", l.Unconfirmed))
	}
	if l.Basis.Emission() && c.Distance > 0 && c.Distance < l.Distance {
		all = append(all, fmt.Sprintf("measured at %s, nearer than the %s that the limit is for: the field there can be higher", c.Distance, l.Distance))
	}
	if l.CitedAbove > 0 && l.Basis.Emission() {
		highest := c.Value
		if c.Running && !(c.Peak <= highest) {
			highest = c.Peak
		}
		cited := l.Value * quantity.PowerDensity(l.CitedAbove)
		said := "no value is known to compare with it"
		switch {
		case c.OverRange:
			said = "the field is over the probe's range"
		case c.hasValue() && highest > cited:
			said = fmt.Sprintf("the highest value, %s, is above that", read(highest))
		case c.hasValue():
			said = fmt.Sprintf("the highest value, %s, is not above that", read(highest))
		}
		all = append(all, fmt.Sprintf("the regulator's field practice cites an oven only above %.4g times the limit, %s: %s (%s); this verdict does not rest on it",
			l.CitedAbove, read(cited), said, l.CitedBy))
	}
	return all
}

func spanOf(l *Limit) string { return quantity.FormatDuration(l.Averaging) }

// read prints a power density as people read it, to three digits.
func read(s quantity.PowerDensity) string {
	return quantity.MilliwattPerSquareCentimetre().FormatDigits(float64(s), 3)
}
