package survey

import (
	"fmt"
	"math"
	"slices"
	"time"

	"ovenward/acquire/quantity"
)

// worst is the highest value of places; nil when none has one.
func worst(all []Place) *Place {
	var w *Place
	for i := range all {
		if p := &all[i]; p.Value != nil && (w == nil || *p.Value > *w.Value) {
			w = p
		}
	}
	return w
}

// compare sets a survey beside the one before. A change counts as one only beyond
// the uncertainty of the difference, both taken as independent, which errs on the
// side of saying 'no change' for the same probe.
func compare(last Last, r Result) Comparison {
	c := Comparison{ID: last.ID, Ended: last.Ended, Outcome: last.Outcome, Cells: []ComparisonCell{}, Floor: last.Floor}
	var floor quantity.PowerDensity
	if len(r.Instruments) > 0 {
		floor = r.Instruments[0].Floor
	}
	then, now := worst(last.Places), worst(r.Places)
	wasOver, isOver := slices.ContainsFunc(last.Places, overRange), slices.ContainsFunc(r.Places, overRange)
	c.Cells = cells(last.Places, r.Places)
	if then != nil && !wasOver {
		c.Worst = then.Value
	}
	switch on := last.Ended.Format(time.DateOnly); { // over range is above any value, and has none that a change could be told of
	case wasOver && isOver:
		c.Text = fmt.Sprintf("the field is over the probe's range, as it was on %s", on)
		return c
	case isOver && then != nil:
		c.Text = fmt.Sprintf("the field is over the probe's range, the highest value was %s on %s", over(*then.Value, last.Floor), on)
		return c
	case wasOver && now != nil:
		c.Text = fmt.Sprintf("the highest value is %s, the field was over the probe's range on %s", over(*now.Value, floor), on)
		return c
	case then == nil || now == nil:
		c.Text = "no highest value to compare"
		return c
	}
	words := fmt.Sprintf("the highest value is %s, it was %s on %s", over(*now.Value, floor), over(*then.Value, last.Floor), last.Ended.Format(time.DateOnly))
	if UnderFloor(*now.Value, floor) && UnderFloor(*then.Value, last.Floor) { // two noises have no difference
		c.Text = words
		return c
	}
	change := *now.Value - *then.Value
	c.Change = &change
	switch {
	case now.U == nil || then.U == nil:
		c.Text = words + "; whether that is a change cannot be told without both uncertainties"
	default:
		u := math.Hypot(*now.U, *then.U)
		c.U = &u
		switch {
		case change > u:
			c.Text = words + ": it rose by more than the uncertainty"
		case change < -u:
			c.Text = words + ": it fell by more than the uncertainty"
		default:
			c.Text = words + ": no change beyond the uncertainty"
		}
	}
	return c
}

func overRange(p Place) bool { return p.OverRange }

// cells sets the highest values of each cell beside each other; one that was over
// range has none.
func cells(then, now []Place) []ComparisonCell {
	type key struct {
		s    Surface
		cell int
	}
	highest := func(all []Place) map[key]float64 {
		m := map[key]float64{}
		for _, p := range all {
			k := key{p.Surface, p.Cell}
			if p.OverRange {
				m[k] = math.Inf(1)
			} else if v, ok := m[k]; p.Value != nil && (!ok || *p.Value > v) {
				m[k] = *p.Value
			}
		}
		return m
	}
	a, b := highest(then), highest(now)
	out := []ComparisonCell{}
	for _, s := range []Surface{Front, Top, Left, Right, Back, Bottom} {
		for cell := 1; cell <= 9; cell++ {
			was, had := a[key{s, cell}]
			is, has := b[key{s, cell}]
			if had && has && !math.IsInf(was+is, 1) {
				out = append(out, ComparisonCell{s, cell, was, is})
			}
		}
	}
	return out
}
