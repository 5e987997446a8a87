package acquire

import (
	"math"
	"time"

	"ovenward/acquire/calib"
	"ovenward/acquire/limit"
	"ovenward/acquire/quantity"
)

// smooth is the field as a probe with the response that emission limits ask
// would show it. Only verdicts rest on it: alarms compare the value itself.
type smooth struct {
	filter calib.Filter
	asked  time.Duration // the response that it and the probe together show; 0: there is no filter
	stale  time.Duration
	newest time.Duration
	peak   quantity.PowerDensity // of the present run
	run    time.Duration         // when that began
	inRun  bool
}

func newSmooth(p *Post) smooth {
	asked := time.Duration(0)
	for _, l := range p.Limits() {
		// Of several the fastest is asked of all: its values are the highest.
		if r := l.Response(); r > 0 && (asked == 0 || r < asked) {
			asked = r
		}
	}
	return smooth{filter: calib.NewFilter(p.Probe.Response, asked), asked: asked, stale: p.Stale}
}

// observe takes a valid value, which holds until the next one for at most the
// stale time. since and running tell of the oven's run, this value included.
func (m *smooth) observe(at time.Duration, s quantity.PowerDensity, since time.Duration, running bool) {
	if at-m.newest > m.stale {
		m.filter.Break()
	}
	m.newest = at
	out := m.filter.Observe(at, s)
	switch {
	case running && !(m.inRun && m.run == since):
		m.peak = out
	case running:
		m.peak = max(m.peak, out)
	}
	m.run, m.inRun = since, running
}

// overRange forgets what was: the value has no number.
func (m *smooth) overRange(at time.Duration) {
	m.filter.Break()
	m.newest = at
}

// judged puts the filtered values in the place of those measured, where the
// limit asks for a slower probe than this one, and returns the response that
// they show; 0 when nothing was put.
func (w *watch) judged(c *limit.Circumstances, l limit.Limit, mono time.Duration) time.Duration {
	if l.Response() == 0 || !w.smooth.filter.Active() {
		return 0
	}
	if c.HasValue {
		c.Value = w.smooth.filter.Read(mono)
		c.U = w.chain.U(c.Value)
		c.Peak = max(w.smooth.peak, c.Value)
	} else {
		c.Peak = w.smooth.peak
	}
	if c.PeakU = w.chain.U(c.Peak); math.IsInf(float64(w.runs.Peak()), 1) {
		c.Peak, c.PeakU = w.runs.Peak(), w.runPeakU // over range: no filter takes that back
	}
	return w.smooth.asked
}
