package acquire

import (
	"time"

	"ovenward/acquire/calib"
	"ovenward/acquire/quantity"
)

// GuardBand is the expanded uncertainty of a value at a level, by the certificate
// that is in force at an instant; NaN where there is none.
func (p *Post) GuardBand(at time.Time, level quantity.PowerDensity) quantity.PowerDensity {
	chain := p.correct(calib.InForce(p.Probe.Certificates(), at)).Chain()
	return chain.U(level)
}
