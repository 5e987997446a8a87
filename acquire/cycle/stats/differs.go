package stats

import (
	"fmt"
	"math"
	"slices"
)

// Differs says what a Summary that was kept has other than one that was made again
// from the same pieces; empty: nothing. Levels that only the other counts do not
// matter. Where another processor made the same, floats differ in their last digits.
func (s *Summary) Differs(again *Summary) string {
	for _, d := range []struct {
		state       string
		kept, again *Distribution
	}{{"on", &s.On, &again.On}, {"off", &s.Off, &again.Off}} {
		if what := d.kept.differs(d.again); what != "" {
			return what + " while " + d.state
		}
	}
	if s.Peaks.n != again.Peaks.n {
		return "the highest values"
	}
	for i, p := range s.Peaks.all[:s.Peaks.n] {
		if q := again.Peaks.all[i]; !p.At.Equal(q.At) || !Near(float64(p.S), float64(q.S), 0) || p.Over != q.Over {
			return "the highest values"
		}
	}
	for _, e := range s.Levels {
		a, ok := again.Above(e.Level)
		switch {
		case math.IsNaN(float64(e.Level)):
		case !ok:
			return fmt.Sprintf("the level %s, which the post never had", e.Level)
		case e.Count != a.Count:
			return fmt.Sprintf("%d exceedances of %s where %d are right", e.Count, e.Level, a.Count)
		case e.Above != a.Above || !e.First.Equal(a.First) || !e.Last.Equal(a.Last) || e.beginsAbove != a.beginsAbove || e.endsAbove != a.endsAbove:
			return fmt.Sprintf("the time above %s", e.Level)
		}
	}
	if s.Untold == 0 && again.Untold == 0 && s.Uncalibrated != again.Uncalibrated {
		return fmt.Sprintf("%s that no certificate covered where %s are right", s.Uncalibrated, again.Uncalibrated)
	}
	return ""
}

func (d *Distribution) differs(o *Distribution) string {
	m, n, q, r := &d.Moments, &o.Moments, &d.Quantiles, &o.Quantiles
	switch {
	case d.OverRange != o.OverRange:
		return fmt.Sprintf("%s over range where %s are right,", d.OverRange, o.OverRange)
	case q.total != r.total:
		return fmt.Sprintf("%s seen where %s are right,", q.Total(), r.Total())
	case q.under != r.under || q.over != r.over || q.first != r.first || !slices.Equal(q.held, r.held):
		return "how long which values held"
	case m.N != n.N || !Near(m.Weight, n.Weight, 0) || !Near(m.Mean, n.Mean, 0):
		return "the mean"
	case !Near(m.about, n.about, 1e-9*n.Mean*n.Mean*n.Weight):
		return "the deviation"
	}
	return ""
}

// Near says whether two floats are the same but for their last digits, and a slack
// that they may have beside.
func Near(x, y, slack float64) bool {
	return x == y || math.IsNaN(x) && math.IsNaN(y) || math.Abs(x-y) <= slack+1e-9*max(math.Abs(x), math.Abs(y))
}
