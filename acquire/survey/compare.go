package survey

import (
	"fmt"
	"math"
	"time"
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
	c := Comparison{ID: last.ID, Ended: last.Ended, Outcome: last.Outcome, Cells: []ComparisonCell{}}
	then, now := worst(last.Places), worst(r.Places)
	if then == nil || now == nil {
		c.Text = "no highest value to compare"
		return c
	}
	c.Worst = then.Value
	change := *now.Value - *then.Value
	c.Change = &change
	words := fmt.Sprintf("the highest value is %s, it was %s on %s", shown(*now.Value), shown(*then.Value), last.Ended.Format(time.DateOnly))
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
	c.Cells = cells(last.Places, r.Places)
	return c
}

// cells sets the highest values of each cell beside each other.
func cells(then, now []Place) []ComparisonCell {
	type key struct {
		s    Surface
		cell int
	}
	highest := func(all []Place) map[key]float64 {
		m := map[key]float64{}
		for _, p := range all {
			k := key{p.Surface, p.Cell}
			if v, ok := m[k]; p.Value != nil && (!ok || *p.Value > v) {
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
			if had && has {
				out = append(out, ComparisonCell{s, cell, was, is})
			}
		}
	}
	return out
}
