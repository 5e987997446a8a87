package calib

import (
	"math"

	"ovenward/acquire/quantity"
)

// Found is what a calibration found of a probe before it was adjusted, held against
// what the certificate before it had left.
type Found struct {
	Off   float64 // by how much values corrected by the certificate before were off: 0.1 is 10 % too high
	Bound float64 // how much was to be expected
}

// Bad says whether the probe was off by more than was to be expected, so that what was
// judged with the certificate before is in doubt.
func (f Found) Bad() bool { return !(math.Abs(f.Off) <= f.Bound) }

// Before picks the certificate that c came after: the newest of an earlier day; nil
// where there is none.
func Before(all []*Certificate, c *Certificate) *Certificate {
	var best *Certificate
	for _, o := range all {
		if c != nil && o.Date.Before(c.Date) && (best == nil || o.Date.After(best.Date)) {
			best = o
		}
	}
	return best
}

// FoundAfter compares the factor that c states as found with that of the certificate
// before it, for an oven of a frequency. What was to be expected is the bound stated with
// c, if one is; else the expanded uncertainty of the certificate before. ok is false
// when there is nothing to compare.
func (c *Certificate) FoundAfter(before *Certificate, oven quantity.Frequency) (f Found, ok bool) {
	if before == nil || c.AsFound == 0 {
		return Found{}, false
	}
	left, _ := before.FactorAt(oven)
	f = Found{Off: left/c.AsFound - 1, Bound: c.FoundBound}
	if f.Bound == 0 {
		f.Bound = before.U
	}
	return f, true
}
