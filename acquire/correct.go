package acquire

import (
	"fmt"
	"math"
	"time"

	"ovenward/acquire/calib"
	"ovenward/acquire/limit"
	"ovenward/acquire/quantity"
	"ovenward/drivers"
)

// Nature is what the uncertainty budget of the post must know.
func (p *Post) Nature() calib.Nature {
	return calib.Nature{
		Floor: p.Probe.Floor, ZeroBound: p.Probe.ZeroBound, Axes: p.Probe.Axes, Turned: p.Turned, Distance: p.Distance,
		Setting: calib.Setting{Frequency: p.Frequency, Impedance: p.Probe.Impedance, SaysTemperature: p.Probe.SaysTemperature},
		Stated:  p.Doubt,
	}
}

// Certificates lists all certificates of the probe, the newest first.
func (p *Probe) Certificates() []*calib.Certificate {
	if p.Certificate == nil {
		return nil
	}
	return append([]*calib.Certificate{p.Certificate}, p.Earlier...)
}

// use makes c the correction of what comes.
func (w *watch) use(c calib.Correction) { w.correction, w.chain = c, c.Chain() }

// correct makes the correction by a certificate. Its coverage factor is the
// largest of those at the post's limits.
func (p *Post) correct(cert *calib.Certificate) calib.Correction {
	best := calib.Correct(p.Nature(), cert, p.Limit.Value)
	for _, l := range p.More {
		if c := calib.Correct(p.Nature(), cert, l.Value); c.Coverage() > best.Coverage() {
			best = c
		}
	}
	return best
}

// top is the most that the probe can show, corrected by any of its certificates,
// with its expanded uncertainty, NaN where that is unknown; and the least that is
// over its range.
func (p *Post) top() (top, u, least quantity.PowerDensity) {
	top, u, least = p.Probe.Range, unknown(), p.Probe.Range
	for i, cert := range p.Probe.Certificates() {
		c := p.correct(cert)
		s, su := c.Apply(p.Probe.Range + p.Probe.ZeroBound)
		low, _ := c.Apply(p.Probe.Range)
		top, least = max(top, s), min(least, low)
		if i == 0 || su > u {
			u = su
		}
	}
	return top, u, least
}

// Top is the most that the post's probe can show, corrected, with its expanded
// uncertainty, and the least that over-range can be, W/m²; u is NaN without a
// certificate.
func (p *Post) Top() (top, u, least quantity.PowerDensity) { return p.top() }

// certify takes up the certificate that is in force at an instant, and says
// whether that is another one than before.
func (w *watch) certify(at time.Time) bool {
	if w.certified && at.UnixNano() < w.nextCertificate {
		return false
	}
	all := w.post.Probe.Certificates()
	cert := calib.InForce(all, at)
	changed := w.certified && cert != w.correction.Certificate
	w.certified, w.nextCertificate = true, math.MaxInt64
	if next, more := calib.NextDate(all, at); more && next.Before(time.Unix(0, math.MaxInt64)) { // one of the year 2926 is a slip
		w.nextCertificate = next.UnixNano()
	}
	c := w.post.correct(cert)
	c.Zero, c.ZeroAt, c.ZeroBy = w.correction.Zero, w.correction.ZeroAt, w.correction.ZeroBy
	w.use(c)
	return changed
}

// recertify tells the record and people of a certificate that has come into
// force. What was sampled before must be in the record already.
func (w *watch) recertify(at time.Time) {
	w.record.Correction(w.index, w.correction)
	w.report(Event{At: at, Post: w.post.ID, Kind: KindCalibration, Text: fmt.Sprintf(
		"certificate %s of %s is in force from now on", w.correction.Certificate.Number, w.correction.Certificate.Laboratory)})
}

// read turns a reading into a power density, by its unit and the probe's
// setting; unknown where the instrument said no number.
func (w *watch) read(r *drivers.Reading) (quantity.PowerDensity, error) {
	if !r.HasValue && !r.HasAxes {
		return unknown(), nil
	}
	if r.Unit != w.unitSaid {
		u, ok := quantity.LookupUnit(r.Unit)
		if !ok {
			return unknown(), fmt.Errorf("unit %q is not known", r.Unit)
		}
		w.unitSaid, w.unit, w.multiple = r.Unit, u, u.Multiple()
	}
	if w.multiple > 0 && r.HasValue { // as Level does, without asking each time what the unit is
		return quantity.PowerDensity(r.Value.Float() * w.multiple), nil
	}
	return w.correction.Setting.Level(r, w.unit)
}

// uncalibrated says why the newest valid sample is not calibrated; empty when it
// is, and when there is none.
func (w *watch) uncalibrated() string {
	if w.last.Seq == 0 || w.last.Quality&Uncalibrated == 0 {
		return ""
	}
	if why := w.correction.Lacking(w.last.At); why != "" {
		return why
	}
	cert := w.correction.Certificate
	if w.belowZero(w.last.S) {
		return farBelowZero(w.last.S)
	}
	if cert.PerKelvin != 0 && w.correction.Setting.SaysTemperature {
		switch c, said := w.last.Reading.Celsius(); {
		case !said:
			return fmt.Sprintf("the reading carries no temperature, and certificate %s corrects by it", cert.Number)
		case !calib.Plausible(c):
			return fmt.Sprintf("the probe says that it is at %.3g °C, which cannot be, and certificate %s corrects by it", c, cert.Number)
		}
	}
	return fmt.Sprintf("the level lies above the linearity table of certificate %s", cert.Number)
}

// farBelowZero says of a value far below zero what is wrong, and what to do.
func farBelowZero(s quantity.PowerDensity) string {
	return fmt.Sprintf("%s is far below zero, so that the zero is off: take one with the oven off", s)
}

// notCalibrated is how a verdict words that a value is not calibrated.
const notCalibrated = "not calibrated"

// explain adds to a verdict why a value is not calibrated.
func (w *watch) explain(v *limit.Verdict) {
	why := w.uncalibrated()
	for i, r := range v.Reasons {
		if r == notCalibrated && why != "" {
			v.Reasons[i] = r + ": " + why
		}
	}
}
