package history

import (
	"fmt"
	"math"

	"ovenward/acquire/cycle/stats"
)

// Differs says what a run that was kept has other than one that was made again from
// the same samples; empty: nothing but its number.
func (r *Run) Differs(again *Run) string {
	near := func(x, y float64) bool { return stats.Near(x, y, 0) }
	switch {
	case !r.Start.Equal(again.Start):
		return "its begin"
	case !r.End.Equal(again.End):
		return fmt.Sprintf("its end: %s where %s is right", r.End, again.End)
	case r.On != again.On || r.OverRange != again.OverRange || r.Unseen != again.Unseen:
		return fmt.Sprintf("its time on, over range or unseen: %s, %s, %s where %s, %s, %s are right", r.On, r.OverRange, r.Unseen, again.On, again.OverRange, again.Unseen)
	case r.Begun != again.Begun:
		return "whether its begin was seen"
	case !near(float64(r.Dose), float64(again.Dose)):
		return fmt.Sprintf("its dose: %s where %s is right", r.Dose, again.Dose)
	case !near(float64(r.Peak), float64(again.Peak)) || !r.PeakAt.Equal(again.PeakAt):
		return fmt.Sprintf("its peak: %s where %s is right", r.Peak, again.Peak)
	case !near(float64(r.Mean), float64(again.Mean)), !near(float64(r.Median), float64(again.Median)), !near(float64(r.P95), float64(again.P95)):
		return fmt.Sprintf("its mean, median or 95th percentile: %s, %s, %s where %s, %s, %s are right", r.Mean, r.Median, r.P95, again.Mean, again.Median, again.P95)
	case !stats.Near(float64(r.Deviation), float64(again.Deviation), 1e-7*math.Abs(float64(again.Mean))):
		return fmt.Sprintf("its deviation: %s where %s is right", r.Deviation, again.Deviation)
	}
	return ""
}
