package acquire

import (
	"fmt"
	"time"

	"ovenward/acquire/calib"
	"ovenward/acquire/limit"
	"ovenward/acquire/quantity"
)

// GuardBand is the expanded uncertainty of a value at a level, by the certificate
// that is in force at an instant; NaN where there is none.
func (p *Post) GuardBand(at time.Time, level quantity.PowerDensity) quantity.PowerDensity {
	chain := p.correct(calib.InForce(p.Probe.Certificates(), at)).Chain()
	return chain.U(level)
}

// Lacks says what keeps the highest value of a time that was wholly seen, W/m², from
// being within a limit, by what is known of the post at an instant: its certificate,
// its uncertainty, its distance, its axes. Empty: nothing. Of a limit that is judged
// by a mean no single value can say it.
func (p *Post) Lacks(l limit.Limit, at time.Time, highest quantity.PowerDensity) []string {
	if l.Averaged() {
		return []string{fmt.Sprintf("limit %s is judged by its mean over %s, and single values do not show that", l.ID, quantity.FormatDuration(l.Averaging))}
	}
	c := p.correct(calib.InForce(p.Probe.Certificates(), at))
	chain := c.Chain()
	u := chain.U(highest)
	v := limit.Judge(l, limit.Circumstances{HasValue: true, Value: highest, U: u, Peak: highest, PeakU: u, K: c.Coverage(), Cover: 1, Running: true,
		Calibrated: c.Calibrated(at), Axes: p.Probe.Axes, Turned: p.Turned, Distance: p.Distance, Response: p.Probe.Response})
	if v.Outcome == limit.Within {
		return nil
	}
	if why := c.Lacking(at); why != "" {
		return append(v.Reasons, why)
	}
	return v.Reasons
}
